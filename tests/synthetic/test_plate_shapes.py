"""Plates against geometry: planes, spheres, grooves whose width, depth, ridges and volume are known by hand."""

import numpy as np
import pytest

from lightdome.errors import MarkError
from lightdome.raster import Grid
from lightdome.synthetic import truth
from lightdome.synthetic.camera import View
from lightdome.synthetic.drawing import (
    DEPOSIT,
    ETCHED,
    LAND,
    PIT,
    SCRATCH,
    TOOLED,
    Cut,
    Deposit,
    Drawing,
    EtchedArea,
    EtchedLine,
    Pit,
    Print,
)
from lightdome.synthetic.lamps import Rig
from lightdome.synthetic.lettering import SIGNS
from lightdome.synthetic.plates import Surface, make_surface
from lightdome.synthetic.reflectance import MATTE
from lightdome.synthetic.render import pixel_light
from lightdome.synthetic.shapes import grain, ridge_of

GRID = Grid((60, 80), 0.02)
ROWS = (0, 60)
SMOOTH = {"grain_um": 0.0, "form_um": 0.0}


def surface_of(height_um, sub=2):
    """A surface from a height function of plate x and y, mm."""
    rows, cols = (sub * side for side in GRID.shape)
    x, y = (
        (np.arange(cols + 1) - cols / 2) * GRID.pitch_mm / sub,
        (rows / 2 - np.arange(rows + 1)) * GRID.pitch_mm / sub,
    )
    corners = np.broadcast_to(height_um(x[None, :], y[:, None]), (rows + 1, cols + 1)).astype(np.float32)
    blank = np.zeros((rows, cols), np.float32)
    return Surface(GRID, sub, corners, blank.astype(np.uint8), blank, blank)


def smooth(**parts):
    return make_surface(Drawing(**parts, **SMOOTH), GRID, 8, seed=1)


def column_heights(surface):
    """Heights at facet corners along the middle row of a mark that runs along y, and their x in um."""
    rows, cols = surface.corner_um.shape
    return surface.corner_um[rows // 2], (np.arange(cols) - (cols - 1) / 2) * surface.facet_mm * 1000


def test_a_plate_that_rises_to_the_right_and_up_has_normals_to_the_left_and_down():
    # plane z = 0.10 x + 0.05 y (mm): slopes 0.10 and 0.05, by hand
    normals = truth.normals(surface_of(lambda x, y: 100 * x + 50 * y), ROWS)
    expected = np.array([-0.10, -0.05, 1]) / np.sqrt(1 + 0.10**2 + 0.05**2)
    assert normals == pytest.approx(np.broadcast_to(expected[:, None, None], normals.shape), abs=5e-5)


@pytest.mark.parametrize(("azimuth_deg", "elevation_deg"), [(0, 30), (90, 30), (215, 60)])
def test_a_tilted_matte_plate_is_as_bright_as_lambert_says(azimuth_deg, elevation_deg):
    az, el = np.radians([azimuth_deg, elevation_deg])
    toward = np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])
    rig = Rig(("L",), toward[None], False, np.full((1, 3), 1.3))
    light = pixel_light(surface_of(lambda x, y: 100 * x + 50 * y), ROWS, rig, 0, View(), MATTE)
    normal = np.array([-0.10, -0.05, 1]) / np.sqrt(1 + 0.10**2 + 0.05**2)
    assert light == pytest.approx(np.full((60, 80, 1), 1.3 * MATTE.diffuse * normal @ toward), rel=1e-4)


def test_a_spherical_cap_has_the_normals_of_its_sphere():
    # sphere of radius 4 mm: n = (x, y, z) / R
    radius = 4.0
    cap = surface_of(lambda x, y: 1000 * np.sqrt(radius**2 - x**2 - y**2), sub=4)
    x, y = GRID.x_mm()[None, :] + np.zeros((60, 1)), GRID.y_mm()[:, None] + np.zeros((1, 80))
    exact = np.stack([x, y, np.sqrt(radius**2 - x**2 - y**2)]) / radius
    assert np.abs(truth.normals(cap, ROWS) - exact).max() < 1e-4


def test_true_slopes_add_up_to_true_heights():
    surface = make_surface(Drawing(etched=(EtchedLine(((-0.3, 0.4), (0.4, -0.3)), 110.0, 24.0),)), GRID, 2, seed=3)
    facets = surface.facets(*ROWS)
    slope_x, slope_y = surface.pixel_mean(facets.slope_x), surface.pixel_mean(facets.slope_y)
    edges = surface.corner_um
    across = edges[:, -1] - edges[:, 0]
    rise = (slope_x.sum(axis=1) * GRID.pitch_mm * 1000).reshape(60)
    assert rise == pytest.approx((across[0:-1:2] / 2 + across[1::2] + across[2::2] / 2) / 2, abs=1e-2)
    down = edges[0] - edges[-1]
    climb = slope_y.sum(axis=0) * GRID.pitch_mm * 1000
    assert climb == pytest.approx((down[0:-1:2] / 2 + down[1::2] + down[2::2] / 2) / 2, abs=1e-2)


def test_a_scratch_is_a_v_as_wide_and_deep_as_drawn():
    z, x = column_heights(smooth(cuts=(Cut(((0.0, -0.7), (0.0, 0.7)), 200.0, 20.0, SCRATCH, removed_fraction=1.0),)))
    assert z.min() == pytest.approx(-20, abs=0.01)
    groove = np.abs(x) <= 100
    assert z[groove] == pytest.approx(-20 * (1 - np.abs(x[groove]) / 100), abs=0.01)
    assert np.abs(z[~groove]).max() < 1e-3


@pytest.mark.parametrize(("removed", "ratio"), [(0.0, 0.71), (0.5, 0.50), (0.9, 0.22)])
def test_ridges_hold_the_metal_that_was_not_removed(removed, ratio):
    # equal areas: ridge / depth = sqrt((1 - f) / 2); rounded figures of that formula
    assert ridge_of(1.0, removed) == pytest.approx(ratio, abs=0.006)
    cut = Cut(((0.0, -0.7), (0.0, 0.7)), 200.0, 20.0, SCRATCH, removed_fraction=removed, lean=0.3)
    z, x = column_heights(smooth(cuts=(cut,)))
    step = x[1] - x[0]
    groove, ridges = -z[z < 0].sum() * step, z[z > 0].sum() * step
    assert (groove - ridges) / groove == pytest.approx(removed, abs=0.01)
    # the line runs up, so its left is x < 0
    assert (z[x < 0].max(), z[x > 0].max()) == pytest.approx(cut.ridges_um, abs=0.3)


def test_an_etched_line_has_a_flat_floor_and_no_ridges():
    line = EtchedLine(((0.0, -0.7), (0.0, 0.7)), 240.0, 25.0)
    heights = smooth(etched=(line,)).corner_um
    z, x = column_heights(smooth(etched=(line,)))
    assert z[np.abs(x) < 50].mean() == pytest.approx(-25, abs=0.5)
    assert heights.max() < 2.5  # floor roughness at a barely bitten edge, no more
    widths = (heights < -12.5).sum(axis=1) * 2.5
    # half depth lies half a wall inside either edge: 240 - 1.8 x 25
    assert widths[200:280].mean() == pytest.approx(195, abs=10)
    assert widths[200:280].std() > 2  # bitten edges wander


def test_a_pit_removes_half_its_cylinder():
    # paraboloid: volume = pi r^2 d / 2
    surface = smooth(pits=(Pit((0.1, 0.1), 300.0, 30.0),))
    volume = -surface.corner_um.sum() * (surface.facet_mm * 1000) ** 2
    assert volume == pytest.approx(np.pi * 150**2 * 30 / 2, rel=0.01)


def test_where_two_scratches_cross_the_later_runs_through():
    first = Cut(((-0.6, 0.0), (0.6, 0.0)), 120.0, 10.0, SCRATCH, removed_fraction=0.1)
    later = Cut(((0.0, -0.5), (0.0, 0.5)), 120.0, 10.0, SCRATCH, removed_fraction=0.1)
    z = smooth(cuts=(first, later)).corner_um
    rows, cols = z.shape
    # along the bottom of the later scratch nothing rises to the land; the ridge of the earlier one is cut through
    assert z[60:-60, cols // 2].max() < -4
    # along the bottom of the earlier one the ridges of the later stand up
    assert z[rows // 2, cols // 4 : -cols // 4].max() > -10 + 4


def test_residue_changes_reflectance_and_nothing_else():
    line = {"points_mm": ((0.0, -0.7), (0.0, 0.7)), "width_um": 150.0, "depth_um": 25.0}
    clean = make_surface(Drawing(etched=(EtchedLine(**line),)), GRID, 2, seed=5)
    inked = make_surface(Drawing(etched=(EtchedLine(**line, ink=1.0),)), GRID, 2, seed=5)
    assert np.array_equal(clean.corner_um, inked.corner_um)
    assert clean.ink.max() == 0
    assert inked.ink.max() == 1


def test_a_friction_ridge_print_has_its_period_and_next_to_no_height():
    grid = Grid((240, 240), 0.025)
    made = make_surface(Drawing(prints=(Print((0.0, 0.0), (2.6, 2.6)),), **SMOOTH), grid, 1, seed=2)
    # the strongest wave of the patch, whatever its direction
    power = np.abs(np.fft.fft2(made.film - made.film.mean())) ** 2
    cycles_per_mm = np.hypot(*np.meshgrid(np.fft.fftfreq(240), np.fft.fftfreq(240))) / grid.pitch_mm
    band = (cycles_per_mm > 1 / 0.9) & (cycles_per_mm < 1 / 0.25)
    assert (power * cycles_per_mm)[band].sum() / power[band].sum() == pytest.approx(1 / 0.45, rel=0.1)
    assert np.ptp(made.corner_um) < 0.06
    tilt = np.degrees(np.arccos(truth.normals(made, (0, 240))[2]))
    assert np.percentile(tilt, 99) < 0.2


def test_classes_are_those_of_what_was_drawn_last():
    surface = smooth(
        etched=(EtchedArea(((-0.7, -0.5), (-0.2, -0.5), (-0.2, 0.5), (-0.7, 0.5)), 15.0),),
        pits=(Pit((0.5, 0.3), 200.0, 15.0),),
        cuts=(
            Cut(((0.1, -0.4), (0.1, 0.4)), 120.0, 20.0, TOOLED, removed_fraction=0.96),
            Cut(((-0.7, 0.0), (0.7, 0.0)), 100.0, 8.0, SCRATCH, removed_fraction=0.1),
        ),
        deposits=(Deposit(((0.4, -0.5), (0.7, -0.5), (0.7, -0.2), (0.4, -0.2))),),
    )
    code = truth.class_code(surface, ROWS)[0]
    places = {ETCHED: (-0.45, 0.3), PIT: (0.5, 0.3), TOOLED: (0.1, 0.2), SCRATCH: (-0.45, 0.0), DEPOSIT: (0.55, -0.35)}
    for expected, (x, y) in {**places, LAND: (0.3, 0.2)}.items():
        row, col = (round(float(v)) for v in GRID.to_pixel(np.array(x), np.array(y)))
        assert code[row, col] == expected


def test_grain_has_unit_spread_joins_at_its_edges_and_is_smoothed_as_asked():
    noise = grain((256, 512), (3.0, 9.0), np.random.default_rng(0))
    assert noise.std() == pytest.approx(1, abs=1e-5)
    # a Gaussian filter of sigma leaves white noise with the correlation exp(-lag^2 / (4 sigma^2))
    for axis, sigma in ((0, 3.0), (1, 9.0)):
        lag = int(sigma)
        assert (noise * np.roll(noise, lag, axis)).mean() == pytest.approx(np.exp(-0.25), abs=0.05)
    assert np.abs(noise[0] - noise[-1]).max() < 2.0 * np.abs(np.diff(noise, axis=0)).max()


def test_marks_of_no_size_are_refused():
    for make in (
        lambda: EtchedLine(((0.0, 0.0), (1.0, 0.0)), 0.0, 10.0),
        lambda: EtchedLine(((0.0, 0.0),), 100.0, 10.0),
        lambda: Cut(((0.0, 0.0), (1.0, 0.0)), 100.0, float("nan"), SCRATCH, 0.5),
        lambda: Cut(((0.0, 0.0), (1.0, 0.0)), 100.0, 10.0, SCRATCH, removed_fraction=1.5),
    ):
        with pytest.raises(MarkError):
            make()


def test_signs_stay_in_their_box():
    for sign, strokes in SIGNS.items():
        for x, y in (point for stroke in strokes for point in stroke):
            assert -0.05 <= x <= 0.65, sign
            assert -0.05 <= y <= 1.05, sign
