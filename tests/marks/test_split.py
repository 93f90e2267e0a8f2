import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lightdome.marks.split import BANDS, split, texture_of
from lightdome.raster import Band
from lightdome.store import read_raster
from lightdome.surface.filters import SIGMA_PER_CUTOFF

LAND, ETCHED, TOOLED, SCRATCH, DEPOSIT, _, PIT = range(7)
SHAPE = (200, 260)


def worked():
    """A grained field, an etched line, a burin line, a pit and a scratch over all of them; classes and traces."""
    rng = np.random.default_rng(1)
    row, col = np.indices(SHAPE)
    parts = {"land": 0.2 * gaussian_filter(rng.standard_normal(SHAPE), 1.0) * 3}
    field = (col > 120) & (row > 40) & (row < 160) & (col < 220)
    grain = gaussian_filter(rng.standard_normal(SHAPE), 1.3)
    parts["etched"] = np.where(field, -15.0, 0) + np.where(np.abs(col - 60) < 4, -20.0, 0)
    parts["grain"] = np.where(field, 2 * grain / grain.std(), 0)
    parts["tooled"] = -12 * np.clip(1 - np.abs(col - 95) / 4, 0, None)
    parts["scratch"] = -10 * np.clip(1 - np.abs(row - 100) / 4, 0, None) + 5 * np.clip(
        1 - np.abs(np.abs(row - 100) - 6) / 2, 0, None
    )
    parts["spots"] = -8 * np.clip(1 - ((row - 30) ** 2 + (col - 200) ** 2) / 64, 0, None)
    classes = np.zeros(SHAPE, np.uint8)
    classes[(parts["etched"] < 0)] = ETCHED
    classes[parts["tooled"] < 0] = TOOLED
    classes[parts["spots"] < 0] = PIT
    classes[np.abs(row - 100) < 9] = SCRATCH
    traces = {
        "scratch": [np.array([[100.0, 0.0], [100.0, 259.0]])],
        "tooled": [np.array([[0.0, 95.0], [199.0, 95.0]])],
    }
    height = gaussian_filter(sum(parts.values()), 0.7).astype(np.float32)
    height[0:4, 0:9] = np.nan
    return height, classes, traces, parts


@pytest.fixture(scope="module")
def bands():
    height, classes, traces, parts = worked()
    found = split(height, classes, traces, 400.0, 12.0)
    return height, classes, dict(zip(BANDS, np.concatenate([b for _, b in found.strips()], axis=1), strict=True)), parts


def rms(values):
    return float(np.sqrt(np.nanmean(np.square(values, dtype=float))))


def test_bands_add_up_to_the_height_to_the_last_digit(bands):
    height, _, found, _ = bands
    total = sum(part.astype(np.float64) for part in found.values())
    np.testing.assert_allclose(total, height, atol=4e-6)
    for part in found.values():
        np.testing.assert_array_equal(np.isnan(part), np.isnan(height))


def test_each_band_holds_what_its_marks_did_and_nothing_else(bands):
    _, classes, found, parts = bands
    for name, codes in (("scratch", {SCRATCH}), ("spots", {PIT, DEPOSIT}), ("tooled", {TOOLED, SCRATCH})):
        assert set(np.unique(classes[np.nan_to_num(found[name]) != 0])) <= codes
        drawn = gaussian_filter(parts[name], 0.7)
        assert rms((found[name] - drawn)[drawn < -1]) < 0.2 * rms(drawn[drawn < -1]), name
    # the tooled line goes on under the scratch that hides it
    assert found["tooled"][100, 93:98].min() < -6


def test_texture_is_the_grain_and_the_land_without_walls_and_lines(bands):
    _, classes, found, parts = bands
    line = np.zeros(SHAPE, bool)
    line[:, 56:65] = True
    assert not np.nan_to_num(found["texture"][line]).any()
    assert not np.nan_to_num(found["texture"][np.isin(classes, [TOOLED, SCRATCH, PIT])]).any()
    floor = np.zeros(SHAPE, bool)
    floor[56:76, 135:205] = True
    assert np.corrcoef(found["texture"][floor], parts["grain"][floor])[0, 1] > 0.8
    # the etched band shows a level floor there
    assert found["etched"][floor].std() < 0.6 * parts["grain"][floor].std()
    assert np.median(found["etched"][floor]) - np.median(found["etched"][170:190, 135:205]) == pytest.approx(-15, abs=1)


def test_texture_inside_a_class_is_height_less_its_gaussian_mean():
    # scipy.ndimage.gaussian_filter of the weight of ISO 16610-61
    height = gaussian_filter(np.random.default_rng(3).standard_normal((90, 120)), 1.5).astype(np.float32)
    texture = texture_of(height, np.zeros(height.shape, np.uint8), 10.0)
    expected = height - gaussian_filter(height, SIGMA_PER_CUTOFF * 10, radius=10)
    inner = (slice(25, 65), slice(25, 95))
    np.testing.assert_allclose(texture[inner], expected[inner], atol=1e-5)


@pytest.mark.parametrize("fill", [np.nan, 3.0])
@pytest.mark.parametrize("shape", [(1, 1), (8, 8)])
def test_small_and_unknown_fields_are_split(shape, fill):
    height = np.full(shape, fill, np.float32)
    for code in (LAND, ETCHED, SCRATCH):
        found = split(height, np.full(shape, code, np.uint8), {}, 20.0, 5.0)
        (_, strip), *_ = found.strips()
        np.testing.assert_allclose(strip.sum(axis=0), height, atol=1e-6)


def test_the_step_writes_bands_that_add_up_and_a_mask_of_the_fill(examine, away, v_with_ridges):
    height = np.random.default_rng(7).normal(0, 0.1, (120, 160)) + v_with_ridges(
        away((120, 160), (60, 80), 20), 8, 14.0, 0.1
    )
    products = examine(height.astype(np.float32))
    relief = read_raster(products.folder / "relief.tif")
    assert relief.bands == tuple(Band(name, "um") for name in BANDS)
    form, etched, tooled, scratch, spots, texture = relief.values.astype(np.float64)
    np.testing.assert_allclose(relief.values.sum(axis=0, dtype=np.float64), products.raster("height.tif"), atol=4e-6)
    np.testing.assert_allclose(etched + tooled + spots + texture, products.raster("etched_height.tif"), atol=4e-6)
    np.testing.assert_array_equal(scratch, products.raster("scratch_height.tif"))
    mask = products.raster("fill_mask.tif")
    assert mask.dtype == np.uint8
    assert set(np.unique(mask)) == {0, 1, 2}
    np.testing.assert_array_equal(mask > 0, scratch != 0)
    assert form.std() < 1
