"""Texture parameters of one rough plate by two libraries that nobody here wrote: surfalize and SurfaceTopography."""

import warnings

import numpy as np
import pytest
from surfalize import Surface

from lightdome.surface.hills import WOLF_SHARE, hills
from lightdome.surface.scale_limited import limit_scale
from lightdome.surface.texture import UNITS, texture

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it says that it runs without MPI
    from SurfaceTopography import Topography

OLD_NAMES = pytest.mark.filterwarnings("ignore:Function/property:DeprecationWarning")  # it calls its own old names
PITCH_UM = 10.0
PER_MM = {"mm": 1e-3, "1/mm": 1e3, "1/mm^2": 1e6}
WITHIN = 0.03
NAMES = {"Smrk1": "Smr1", "Smrk2": "Smr2"}
BY_EDGE = ("Spd", "Svd", "S5p", "S5v", "S10z")


@pytest.fixture(scope="module", params=[0.0, 0.04])
def plates(request):
    """Normal heights, and the same with wide valleys: skewed, as an etched plate is."""
    rough = limit_scale(np.random.default_rng(11).normal(0, 30, (400, 500)).astype(np.float32), 12, 200)
    height = rough - np.float32(request.param) * rough**2
    height -= height.mean(dtype=float)
    return height, texture(height, PITCH_UM / 1000, 0.12, 2.0), Surface(height.astype(float), PITCH_UM, PITCH_UM)


@pytest.mark.parametrize("name", [name for name in UNITS if name not in (*BY_EDGE, "Std") and name[0] == "S"])
def test_surfalize_finds_the_same(plates, name):
    # its slopes are of neighbours and lose 1 % here, ours are over seven points; else the definitions are the same
    _, found, surface = plates
    theirs = getattr(surface, NAMES.get(name, name))() * PER_MM.get(UNITS[name], 1)
    assert found[name] == pytest.approx(theirs, rel=WITHIN, abs=1e-9 if name == "Ssk" else None)


@pytest.mark.parametrize("name", ["Spd", "Svd"])
def test_surfalize_counts_the_same_hills(plates, name):
    # by default it leaves out all hills that an edge cuts; here those count whose peak lies inside, so that the density
    # does not fall with the size of the area
    height, found, surface = plates
    dales = name == "Svd"
    ours = hills(height, WOLF_SHARE * float(np.ptp(height)), dales=dales)
    per_mm2 = 1e6 / (height.size * PITCH_UM**2)
    closed, every = (getattr(surface, name)(exclude_edge=exclude) * 1e6 for exclude in (True, False))
    assert (~ours.is_open).sum() * per_mm2 == pytest.approx(closed, rel=WITHIN)
    assert len(ours.is_open) * per_mm2 == pytest.approx(every, rel=WITHIN)
    assert closed < found[name] < every


@pytest.mark.parametrize("name", ["S5p", "S5v"])
def test_surfalize_finds_the_same_five(plates, name):
    # the five of all hills bound ours from above, the five of closed hills from below
    _, found, surface = plates
    low, high = (getattr(surface, name)(exclude_edge=exclude) for exclude in (True, False))
    assert low * (1 - 1e-6) <= found[name] <= high * (1 + 1e-6)


def test_surfalize_finds_the_direction_of_the_waves():
    # its Std is the direction of the waves, ours that of the lay, at right angles to it
    x, y = np.meshgrid(np.arange(300.0), np.arange(300.0))
    height = np.sin(0.35 * x + 0.2 * y) + 0.1 * np.random.default_rng(2).normal(size=x.shape)
    ours = texture(height.astype(np.float32), PITCH_UM / 1000, 0.03, 2.0)["Std"]
    theirs = Surface(height, PITCH_UM, PITCH_UM).Std()
    assert (ours - theirs - 90 + 90) % 180 - 90 == pytest.approx(0, abs=2)


def topography(height):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sides = (height.shape[0] * PITCH_UM, height.shape[1] * PITCH_UM)
        return Topography(height.astype(float), sides, unit="µm", periodic=False)


@OLD_NAMES
def test_surfacetopography_finds_the_same(plates):
    height, found, _ = plates
    theirs = topography(height)
    assert found["Sq"] == pytest.approx(theirs.rms_height_from_area(), rel=1e-6)
    assert found["Sdq"] == pytest.approx(theirs.rms_gradient(), rel=WITHIN)  # of neighbours, as above


@OLD_NAMES
def test_surfacetopography_has_the_same_material_ratio_curve():
    # its curve is that of triangles between the pixels, which cut the tops of narrow peaks: hence a smooth plate
    height = limit_scale(np.random.default_rng(6).normal(0, 90, (400, 400)).astype(np.float32), 40, 400)
    height -= height.mean(dtype=float)
    found = texture(height, PITCH_UM / 1000, 0.4, 4.0)
    bearing = topography(height).bearing_area()
    heights = np.linspace(height.min(), height.max(), 1001)
    ratio = np.array([float(bearing(level)) for level in heights])
    smc = np.interp([0.025, 0.1, 0.5, 0.8], ratio[::-1], heights[::-1])
    assert found["Sxp"] == pytest.approx(smc[0] - smc[2], rel=WITHIN)
    above = np.clip(height - smc[1], 0, None).mean()
    assert found["Vmp"] == pytest.approx(above, rel=WITHIN)
    assert found["Vvv"] == pytest.approx(np.clip(smc[3] - height, 0, None).mean(), rel=WITHIN)


@OLD_NAMES
def test_surfacetopography_has_the_same_correlation_length():
    # its autocorrelation is a mean over all directions, in bins, of half the squared height differences; ours is of the
    # direction of the fastest decay: hence a smooth plate of many bumps
    height = limit_scale(np.random.default_rng(4).normal(0, 30, (700, 700)).astype(np.float32), 40, 300)
    found = texture(height, PITCH_UM / 1000, 0.4, 3.0)
    theirs = topography(height - height.mean())
    distance, differences = theirs.autocorrelation_from_area(
        reliable=False, resampling_method="bin-average", collocation="linear", nb_points=400
    )
    fallen = 1 - differences / theirs.rms_height_from_area() ** 2
    first = int(np.argmax(fallen < 0.2))
    length = np.interp(-0.2, -fallen[first - 1 : first + 1], distance[first - 1 : first + 1])
    assert found["Str"] > 0.93
    middle = found["Sal"] * (1 + 1 / found["Str"]) / 2
    assert middle == pytest.approx(length / 1000, rel=WITHIN)
