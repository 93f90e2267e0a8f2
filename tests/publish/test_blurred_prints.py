"""What leaves the house shows no ridge: energy of the ridges' periods in every layer and picture, with and without."""

import io
import json

import finished
import imageio.v3 as iio
import numpy as np
import pytest
from finished import mark, write_field, write_front_end, write_session

from lightdome.commands import main
from lightdome.publish import pictures
from lightdome.publish.steps import build_review, write_report
from lightdome.publish.veil import CUTOFF_MM, SIGMA_PER_CUTOFF, Veil
from lightdome.raster import Grid, Window
from lightdome.relight.pack import unpack
from lightdome.store import open_raster

SHAPE, PITCH_MM, PERIOD_MM = (200, 240), 0.05, 0.45
GRID = Grid(SHAPE, PITCH_MM)
RING = [[-5.0, -4.0], [0.0, -4.0], [0.0, 4.0], [-5.0, 4.0], [-5.0, -4.0]]
INSIDE = (slice(50, 150), slice(30, 110))
"""Well within the ring."""
APART = (slice(50, 150), slice(175, 235))
SHOWN = {"width_um": None, "depth_um": None, "u_width_um": None, "u_depth_um": None}


def ridges():
    row, col = np.indices(SHAPE)
    return np.sin(2 * np.pi * (col + 0.002 * (row - 100) ** 2) * PITCH_MM / PERIOD_MM)


def energy(values):
    """Power (..., rows, columns) at the periods of ridges; of a part of the field."""
    rest = values - values.mean(axis=(-2, -1), keepdims=True)
    tapers = [np.hanning(side) for side in rest.shape[-2:]]
    power = np.abs(np.fft.fft2(rest * tapers[0][:, None] * tapers[1])) ** 2
    frequency = np.hypot(
        np.fft.fftfreq(rest.shape[-2], PITCH_MM)[:, None], np.fft.fftfreq(rest.shape[-1], PITCH_MM)[None]
    )
    return float(power[..., (frequency > 1 / 0.7) & (frequency < 1 / 0.3)].sum())


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Review folders of one plate, open and blurred, with their reports."""
    folder = tmp_path_factory.mktemp("prints")
    patch = mark(1, "friction-ridge print", **SHOWN)
    patch["geometry"] = {"type": "Polygon", "coordinates": [RING]}
    wave = ridges()
    flags = np.where(wave > 0.5, 8, 0)[None].astype(np.uint8)
    with pytest.MonkeyPatch.context() as patches:
        for name, value in (("ROWS", SHAPE[0]), ("COLS", SHAPE[1]), ("GRID", GRID)):
            patches.setattr(finished, name, value)
        patches.setattr(pictures, "LONGEST_PX", 240)
        session = write_session(folder / "capture")
        plate = folder / "results/tern-point-2031-05/TP-017"
        write_field(plate / "front/A", [patch], wave, flags)
        built = write_front_end(folder / "built")
        for name, blur in (("open", False), ("blurred", True)):
            build_review(plate, session, folder / name / "index.html", built, blur_prints=blur)
            write_report(plate, session, folder / name / "report.pdf", blur_prints=blur)
    return folder / "open", folder / "blurred"


def shown(folder, name):
    """A layer as the page decodes it, (bands, rows, columns)."""
    layer = json.loads((folder / "plate.json").read_text())["fields"][0]["layers"][name]
    with open_raster(folder / layer["file"]) as reader:
        stored = reader.read()
    coding = layer["coding"]
    if coding["kind"] == "packed":
        return unpack(stored, {key: tuple(ends) for key, ends in coding["ranges"].items()})
    if coding["kind"] == "scaled":
        return stored * np.array(coding["scale"])[:, None, None] + np.array(coding["offset"])[:, None, None]
    return stored.astype(float)


def layer_names(folder):
    return set(json.loads((folder / "plate.json").read_text())["fields"][0]["layers"]) - {"classes"}


def test_no_layer_shows_the_ridges_of_a_patch_and_all_keep_the_rest(pages):
    whole, blurred = pages
    assert layer_names(whole) == layer_names(blurred) >= {"relight", "harmonics", "colour", "slopes", "height", "flags"}
    patterned = 0
    for name in layer_names(whole):
        before, after = shown(whole, name), shown(blurred, name)
        level = energy(before[:, *INSIDE])
        if level > 1e-6:
            patterned += 1
            assert energy(after[:, *INSIDE]) < level / 20, name
        # codings are fitted to the values that are there, so that steps may differ
        step = 0.02 * np.ptp(before[:, *APART], axis=(1, 2)).max()
        np.testing.assert_allclose(after[:, *APART], before[:, *APART], atol=step, err_msg=name)
    assert patterned >= 8


def test_overviews_of_the_layers_show_no_ridges(pages):
    levels = []
    for folder in pages:
        with open_raster(folder / "tiles/front/A/height.tif") as reader:
            small = reader.read_reduced(120)[0]
        levels.append(energy(np.kron(small, np.ones((2, 2)))[INSIDE]))
    assert levels[1] < levels[0] / 20


def test_no_still_picture_shows_the_ridges_of_a_patch(pages):
    whole, blurred = pages
    names = {path.name for path in whole.glob("*.png")}
    assert names == {path.name for path in blurred.glob("*.png")}
    patterned = 0
    for name in names:
        if "lamp_layout" in name:
            continue
        zoom = pictures.enlargement(SHAPE)
        before, after = (map_of(folder / name, zoom) for folder in pages)
        level = energy(before[INSIDE])
        # a picture of a level map has the noise of its own text and outline only
        if level > 1e3:
            patterned += 1
            assert energy(after[INSIDE]) < level / 20, name
    assert patterned >= 8


def map_of(path, zoom):
    """The map within a still picture, (rows, columns) grey, at the field's pixels."""
    picture = iio.imread(io.BytesIO(path.read_bytes()))[..., :3].mean(axis=-1)
    rows, cols = (round(side * zoom) for side in SHAPE)
    left = pictures.MARGIN_PX
    cut = picture[pictures.TOP_PX : pictures.TOP_PX + rows, left : left + cols]
    at = [
        np.minimum(((np.arange(side) + 0.5) * zoom).astype(int), size - 1)
        for side, size in zip(SHAPE, cut.shape, strict=True)
    ]
    return cut[np.ix_(*at)]


def test_page_pictures_and_report_say_that_prints_are_blurred_and_why(pages):
    whole, blurred = pages
    said = "a print may be the trace of a living person"
    for folder, there in ((whole, False), (blurred, True)):
        field = json.loads((folder / "plate.json").read_text())["fields"][0]
        assert (said in (field["blurred"] or "")) is there
        assert (said in (folder / "pictures.html").read_text()) is there
        assert bool(field["measured"]) is not there  # the products of full detail are not part of what leaves the house
    assert (whole / "report.pdf").read_bytes() != (blurred / "report.pdf").read_bytes()


def test_a_plate_without_prints_is_shown_as_it_is():
    assert Veil.of([mark(1), mark(2, "etched")]) is None
    assert Veil.of(None) is None


def test_the_veil_passes_half_of_a_wave_at_its_cutoff_and_nothing_of_a_ridge():
    """ISO 16610-61: transmission one half at the cut-off, exp(-2 pi^2 sigma^2 / wavelength^2) elsewhere."""
    sigma_mm = SIGMA_PER_CUTOFF * CUTOFF_MM
    assert np.exp(-2 * (np.pi * sigma_mm / CUTOFF_MM) ** 2) == pytest.approx(0.5, abs=1e-3)
    veil = Veil((np.array([[-30.0, -30], [30, -30], [30, 30], [-30, 30]]),))
    for wavelength_mm in (0.7, 2.0):
        x = GRID.x_mm(GRID.window)
        wave = np.broadcast_to(np.sin(2 * np.pi * x / wavelength_mm), SHAPE).astype(np.float32)
        left = veil.over(GRID, GRID.window, lambda window, wave=wave: wave[window.slices])
        expected = np.exp(-2 * (np.pi * sigma_mm / wavelength_mm) ** 2)
        assert np.abs(left[:, 60:180]).max() == pytest.approx(expected, abs=0.01)


def test_tiles_change_nothing_and_unknown_pixels_show_no_pattern():
    rng = np.random.default_rng(3)
    values = rng.normal(1, 0.1, (2, *SHAPE)).astype(np.float32)
    values[0][ridges() > 0.6] = np.nan
    veil = Veil((np.array(RING),))

    def read(window):
        return values[:, *window.slices]

    whole = veil.over(GRID, GRID.window, read)
    for row in (0, 70, 140):
        window = Window(row, min(row + 70, SHAPE[0]), 33, 200)
        np.testing.assert_allclose(veil.over(GRID, window, read), whole[:, *window.slices], rtol=1e-5)
    assert np.isfinite(whole[0, *INSIDE]).all()
    np.testing.assert_array_equal(whole[:, *APART], values[:, *APART])


def test_a_switch_that_is_neither_on_nor_off_is_refused(capsys):
    with pytest.raises(SystemExit) as refused:
        main(["write-report", "x", "--session", "y", "--report", "z", "--blur-prints", "perhaps"])
    assert refused.value.code == 2
    assert "true or false" in capsys.readouterr().err
