import numpy as np
import pytest

from lightdome.marks.profile import groove_depth_a1, measure
from lightdome.marks.records import Trace
from lightdome.marks.sections import measure_trace, sample_sections, stations

PITCH_MM = 0.05
SHAPE = (160, 240)
THROUGH = (80.3, 119.6)


def line_through(angle_deg, reach_px=60, width_px=6.0, kind="valley"):
    angle = np.radians(angle_deg)
    way = np.array([-np.sin(angle), np.cos(angle)]) * reach_px
    return Trace(np.array([THROUGH - way, THROUGH + way]), width_px, kind)


def section_of(height, trace, u_um=0.1, rough_um=0.1):
    section = measure_trace(height, (u_um, rough_um), trace, PITCH_MM)
    assert section is not None
    return section


@pytest.mark.parametrize("angle_deg", [0, 25, 45, 80])
@pytest.mark.parametrize("mouth_px", [12, 20])
def test_depth_of_a_v_groove_is_right_within_5_percent_and_its_width_within_a_pixel(
    angle_deg, mouth_px, away, v_with_ridges
):
    # analytic: a V is half as wide at half depth
    height = v_with_ridges(away(SHAPE, THROUGH, angle_deg), mouth_px, 20.0, 1.0)
    section = section_of(height, line_through(angle_deg))
    assert section.depth_um == pytest.approx(20.0, rel=0.05)
    assert section.width_px == pytest.approx(mouth_px / 2, abs=1.0)
    assert section.full_width_px == pytest.approx(mouth_px, abs=2.5)


@pytest.mark.parametrize("removed", [0.0, 0.5, 0.9])
def test_ridge_over_depth_of_a_ploughed_v_is_the_root_of_half_of_what_stayed(removed, away, v_with_ridges):
    # geometry: ridge / depth = sqrt((1 - f) / 2) = 0.71, 0.50, 0.22; the analytic ridges have the walls' slope
    height = v_with_ridges(away(SHAPE, THROUGH, 20), 14, 20.0, removed)
    section = section_of(height, line_through(20))
    ratio = (section.burr_left_um + section.burr_right_um) / 2 / section.depth_um
    assert ratio == pytest.approx(np.sqrt((1 - removed) / 2), abs=0.05)
    assert section.removed_fraction == pytest.approx(removed, abs=0.06)


def test_walls_of_a_groove_lean_as_drawn(away, v_with_ridges):
    section = section_of(v_with_ridges(away(SHAPE, THROUGH, 20), 14, 20.0, 1.0), line_through(20))
    assert section.wall_angle_deg == pytest.approx(np.degrees(np.arctan(20.0 / (7 * PITCH_MM * 1000))), abs=0.3)


def test_floor_tells_a_v_from_a_flat_groove(away, v_with_ridges, flat_floor):
    off = away(SHAPE, THROUGH, 0)
    pointed = section_of(v_with_ridges(off, 16, 20.0, 1.0), line_through(0))
    flat = section_of(flat_floor(off, 14, 20.0, 2.0), line_through(0))
    assert pointed.floor_ratio == pytest.approx(0.25, abs=0.07)
    assert flat.floor_ratio == pytest.approx(12.8 / 15.2, abs=0.05)


def test_left_is_the_left_hand_along_the_line(away):
    row, _ = np.mgrid[: SHAPE[0], : SHAPE[1]]
    off = away(SHAPE, THROUGH, 0)
    height = -20.0 * np.clip(1 - off / 6, 0, None)
    height += np.where(row < THROUGH[0], 8.0, 2.0) * np.clip(1 - np.abs(off - 9) / 3, 0, None)
    eastward = section_of(height, line_through(0))
    assert eastward.burr_left_um == pytest.approx(8.0, abs=0.8)  # y is up: left of +x is the upper side
    assert eastward.burr_right_um == pytest.approx(2.0, abs=0.8)
    trace = line_through(0)
    westward = section_of(height, Trace(trace.points_px[::-1], trace.width_px, trace.kind))
    assert westward.burr_left_um == pytest.approx(eastward.burr_right_um, abs=0.01)


def test_a_raised_line_is_measured_as_a_groove_upside_down(away, flat_floor):
    height = -flat_floor(away(SHAPE, THROUGH, 30), 8, 5.0, 2.0)
    section = section_of(height, line_through(30, kind="ridge"))
    assert section.depth_um == pytest.approx(5.0, rel=0.05)
    assert section.width_px == pytest.approx(8.0, abs=0.5)


@pytest.mark.parametrize("tilt", [0.0, 0.05])
def test_a1_depth_ignores_rounded_edges_and_tilt(tilt):
    # ISO 5436-1 type A1 by the analytic groove: flat floor, rounded edges and corners, and a tilted surface
    x = np.arange(-60, 60.25, 0.25)
    wall = np.clip((20 - np.abs(x)) / 6 + 0.5, 0, 1)
    rounded = wall * wall * (3 - 2 * wall)
    assert groove_depth_a1(x, -12.0 * rounded + tilt * x + 3, 40.0) == pytest.approx(12.0, abs=1e-9)


def test_a1_depth_is_the_difference_of_two_parallel_lines():
    # two separate fits with a common slope, by numpy.polyfit on centred groups, are an independent way to the answer
    rng = np.random.default_rng(1)
    x = np.arange(-60, 60.25, 0.25)
    z = -9.0 * (np.abs(x) < 20) + 0.02 * x + rng.normal(0, 0.5, x.size)
    beside = (np.abs(x) >= 40 * 5 / 6) & (np.abs(x) <= 60)
    floor = np.abs(x) <= 40 / 6
    xc = np.concatenate([x[beside] - x[beside].mean(), x[floor] - x[floor].mean()])
    zc = np.concatenate([z[beside] - z[beside].mean(), z[floor] - z[floor].mean()])
    slope = float(np.polyfit(xc, zc, 1)[0])
    apart = (z[beside].mean() - slope * x[beside].mean()) - (z[floor].mean() - slope * x[floor].mean())
    assert groove_depth_a1(x, z, 40.0) == pytest.approx(apart, abs=1e-6)


def test_a1_needs_samples_on_both_sides():
    x = np.arange(-10, 10.5, 0.5)
    assert np.isnan(groove_depth_a1(x, np.zeros(x.size), 40.0))


def test_a_wide_floor_is_measured_by_a1_and_a_narrow_one_to_its_bottom(away, flat_floor):
    off = away(SHAPE, THROUGH, 0)
    wide = section_of(flat_floor(off, 16, 20.0, 2.0), line_through(0, width_px=12.0))
    narrow = section_of(flat_floor(off, 7, 20.0, 2.0), line_through(0))
    assert (wide.depth_rule, narrow.depth_rule) == ("A1", "bottom")
    assert wide.depth_um == pytest.approx(20.0, abs=0.1)
    assert narrow.depth_um == pytest.approx(20.0, rel=0.03)


def test_another_groove_nearby_does_not_shift_the_surface_beside(away, v_with_ridges):
    height = v_with_ridges(away(SHAPE, THROUGH, 0), 12, 20.0, 1.0)
    height += v_with_ridges(away(SHAPE, (THROUGH[0] + 14, THROUGH[1]), 0), 12, 20.0, 1.0)
    assert section_of(height, line_through(0)).depth_um == pytest.approx(20.0, rel=0.06)


def test_uncertainty_of_depth_covers_the_scatter_of_noisy_plates(away, flat_floor):
    # Monte Carlo, JCGM 101: errors over stated standard uncertainties
    clean = flat_floor(away(SHAPE, THROUGH, 15), 14, 20.0, 3.0)
    errors = []
    for seed in range(20):
        noisy = clean + np.random.default_rng(seed).normal(0, 1.0, SHAPE)
        section = section_of(noisy, line_through(15), u_um=1.0, rough_um=1.0)
        errors.append((section.depth_um - 20.0) / section.u_depth_um)
    assert np.mean(np.abs(errors) < 2) >= 0.85
    assert 0.1 < np.sqrt(np.mean(np.square(errors))) < 1.5


def test_narrow_groove_is_seen_as_narrower_than_three_pixels(away, v_with_ridges):
    height = v_with_ridges(away(SHAPE, THROUGH, 35), 2.0, 20.0, 1.0)
    assert section_of(height, line_through(35, width_px=2.0)).full_width_px < 3.0


def test_no_groove_no_section():
    assert measure_trace(np.zeros(SHAPE), (0.1, 0.1), line_through(0), PITCH_MM) is None
    assert measure_trace(np.full(SHAPE, np.nan), (0.1, 0.1), line_through(0), PITCH_MM) is None


def test_unknown_pixels_stay_unknown_in_sections():
    height = np.zeros((40, 40))
    height[:, 25:] = np.nan
    places, right = np.array([[20.0, 20.0]]), np.array([[0.0, 1.0]])
    values = sample_sections(height, places, right, np.arange(-10.0, 11.0))
    assert np.isfinite(values[0, :14]).all()
    assert np.isnan(values[0, 16:]).all()


def test_sections_outside_the_field_are_unknown():
    values = sample_sections(np.zeros((10, 10)), np.array([[5.0, 5.0]]), np.array([[0.0, 1.0]]), np.arange(-9.0, 10.0))
    assert np.isnan(values[0, [0, -1]]).all()
    assert np.isfinite(values[0, 6:12]).all()


def test_stations_stand_a_pixel_apart_with_the_right_hand_to_the_right():
    places, right = stations(np.array([[50.0, 10.0], [50.0, 60.0]]), 4.0)
    np.testing.assert_allclose(np.diff(places, axis=0), [[0, 1]] * (len(places) - 1), atol=0.03)
    np.testing.assert_allclose(right, [[1, 0]] * len(places), atol=1e-9)  # right of +x is down the rows


def test_tapering_shows_in_the_end_share(away):
    _, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    swell = np.sqrt(np.clip((60 - np.abs(col - THROUGH[1])) / 42, 0, 1))
    off = away(SHAPE, THROUGH, 0)
    tapered = -20 * swell * np.clip(1 - off / np.maximum(5 * swell, 1e-6), 0, None)
    even = -20 * np.clip(1 - off / 5, 0, None) * (swell > 0)
    assert section_of(tapered, line_through(0)).end_share < 0.5
    assert section_of(even, line_through(0)).end_share == pytest.approx(1.0, abs=0.1)


def test_profile_of_too_many_unknowns_has_no_shape():
    x = np.arange(-20, 20.25, 0.25)
    z = np.where(np.abs(x) < 15, np.nan, 0.0)
    assert measure(z, x, 4.0, 0.1) is None
