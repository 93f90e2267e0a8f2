"""Mirror spheres: reflection, outline and crossing rays against worked values and laws that need no formula of ours."""

import cv2
import numpy as np
import pytest
from skimage.measure import CircleModel
from sphere_pictures import Ball, mirror_point, pixel_of

from lightdome.lights.one_sphere import direction_covariance, mean_directions
from lightdome.lights.rim import circle_through, fit_outline, outline_px
from lightdome.lights.sphere_rays import balls, highlights, mirrored_rays
from lightdome.lights.triangulate import Sight, crossing, crossings, refine_together
from lightdome.lights.view import View

FAR = View((400, 600), 0.1, None)
PINHOLE = View((2000, 3000), 0.1, 700.0)


def far_circle(radius=100.0):
    return np.array([[*FAR.middle_px, radius]])


@pytest.mark.parametrize(
    ("elevation_deg", "share"),
    # rho = r sin(zenith / 2), tabulated independently of this code
    [(65, 0.216), (45, 0.383), (30, 0.500), (15, 0.609), (0, 0.707)],
)
def test_a_far_lamp_is_seen_at_the_sine_of_half_its_zenith_angle(elevation_deg, share):
    lamp = np.array([[np.cos(np.radians(elevation_deg)), 0, np.sin(np.radians(elevation_deg))]])
    centres, radii = balls(FAR, far_circle(), np.array([10.0]))
    seen = highlights(FAR, centres, radii, lamp, near=False)[0, 0]
    assert seen - FAR.middle_px == pytest.approx([100 * share, 0], abs=0.06)
    _, back = mirrored_rays(FAR, centres[0], radii[0], seen)
    assert back == pytest.approx(lamp[0], abs=1e-9)


@pytest.mark.parametrize(("elevation_deg", "turn_deg"), [(65, 1.17), (15, 1.44)])
def test_one_pixel_of_highlight_turns_the_direction_as_tabulated(elevation_deg, turn_deg):
    # 2 / (r cos(zenith / 2)) rad for r = 100 px, tabulated independently of this code
    lamp = np.array([[np.cos(np.radians(elevation_deg)), 0, np.sin(np.radians(elevation_deg))]])
    centres, radii = balls(FAR, far_circle(), np.array([10.0]))
    seen = highlights(FAR, centres, radii, lamp, near=False)
    sight = Sight(FAR, far_circle(), np.array([1e-9]), np.array([10.0]), seen, np.ones((1, 1)))
    u_deg = np.degrees(np.sqrt(np.linalg.eigvalsh(direction_covariance(sight)[0, 0])[-1]))
    assert u_deg == pytest.approx(turn_deg, abs=0.006)


@pytest.mark.parametrize("camera_mm", [None, 700.0])
def test_the_highlight_is_where_the_way_of_light_is_shortest(camera_mm):
    view = FAR if camera_mm is None else PINHOLE
    ball = Ball(-12.0, 7.0, 10.0) if camera_mm is None else Ball(-110.0, 60.0, 10.0, height_mm=4.0)
    for lamp in ([250.0, -120, 330], [-400, 30, 110], [5, 5, 500]):
        seen = highlights(view, ball.centre_mm[None], np.array([10.0]), np.array([lamp]), near=True)[0, 0]
        assert seen == pytest.approx(
            pixel_of(mirror_point(ball, lamp, camera_mm), view.shape, view.pitch_mm, camera_mm), abs=2e-3
        )
        point, toward = mirrored_rays(view, ball.centre_mm, np.array(10.0), seen)
        assert toward == pytest.approx((lamp - point) / np.linalg.norm(lamp - point), abs=1e-6)


@pytest.mark.parametrize("beta_deg", [2.0, 12.0, 25.0])
def test_in_perspective_the_outline_is_the_ellipse_of_projective_geometry(beta_deg):
    # W = cos^2 beta - sin^2 psi; semi-axes f sin psi cos psi / W, f sin psi / sqrt W; centre f sin beta cos beta / W
    focal, beta, psi = 5000.0, np.radians(beta_deg), np.radians(1.4)
    w = np.cos(beta) ** 2 - np.sin(psi) ** 2
    circle = np.array([focal * np.tan(beta), 0.0, focal * np.tan(psi)])
    azimuth = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    away = outline_px(circle, azimuth, np.zeros(2), focal)
    points = np.stack([circle[0] + away * np.cos(azimuth), away * np.sin(azimuth)], axis=1)
    (x, y), axes, _ = cv2.fitEllipse((points - [circle[0], 0]).astype(np.float32))
    assert x + circle[0] == pytest.approx(focal * np.sin(beta) * np.cos(beta) / w, abs=0.02)
    assert y == pytest.approx(0, abs=0.02)
    expected = [focal * np.sin(psi) / np.sqrt(w), focal * np.sin(psi) * np.cos(psi) / w]
    assert np.array(axes) / 2 == pytest.approx(expected, abs=0.02)


def test_a_pinholes_sphere_has_the_size_of_its_cone():
    ball = Ball(100.0, -50.0, 10.0)
    circle = np.array([[*pixel_of(ball.centre_mm, PINHOLE.shape, 0.1, 700.0), 0.0]])
    away = np.linalg.norm(ball.centre_mm - [0, 0, 700])
    circle[0, 2] = 7000 * np.tan(np.arcsin(10 / away))
    centres, radii = balls(PINHOLE, circle, np.array([10.0]))
    assert centres[0] == pytest.approx(ball.centre_mm, abs=1e-9)
    assert radii[0] == pytest.approx(10.0, rel=1e-12)


def test_circles_agree_with_another_library_and_outliers_do_not_pull():
    rng = np.random.default_rng(4)
    azimuth = rng.uniform(0, 1.3 * np.pi, 300)
    points = [200, 150] + 80 * np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1) + rng.normal(0, 0.1, (300, 2))
    found, rms, _ = fit_outline(points, np.zeros(2), None)
    other = CircleModel.from_estimate(points)
    assert found == pytest.approx([*other.center, other.radius], abs=0.03)
    assert rms == pytest.approx(0.1, abs=0.02)
    points[:60] += 6  # a shadow's edge
    assert fit_outline(points, np.zeros(2), None)[0] == pytest.approx([200, 150, 80], abs=0.1)
    assert np.abs(circle_through(points) - [200, 150, 80]).max() > 1


def test_exact_rays_cross_at_the_lamp():
    lamp = np.array([120.0, -80, 400])
    points = np.array([[-100.0, 0, 10], [100, 0, 12], [0, 90, 8]])
    toward = (lamp - points) / np.linalg.norm(lamp - points, axis=1, keepdims=True)
    place, condition = crossing(points, toward, np.ones(3))
    assert place == pytest.approx(lamp, abs=1e-9)
    assert condition < 30
    assert crossing(points[:1], toward[:1], np.ones(1))[1] > 1e12


def sight_of(view, spheres, lamps, u_px, seed):
    camera = view.distance_mm
    circles = []
    for ball in spheres:
        away = np.linalg.norm(ball.centre_mm - [0, 0, camera]) if camera else None
        radius = ball.radius_mm / view.pitch_mm if camera is None else 7000 * np.tan(np.arcsin(ball.radius_mm / away))
        circles.append([*pixel_of(ball.centre_mm, view.shape, view.pitch_mm, camera), radius])
    seen = [
        [pixel_of(mirror_point(ball, lamp, camera), view.shape, view.pitch_mm, camera) for ball in spheres]
        for lamp in lamps
    ]
    rng = np.random.default_rng(seed)
    seen = np.array(seen) + rng.normal(0, u_px, (len(lamps), len(spheres), 2))
    circles = np.array(circles) + rng.normal(0, u_px / 2, (len(spheres), 3))
    heights = np.array([ball.centre_mm[2] for ball in spheres])
    return Sight(view, circles, np.full(len(spheres), u_px / 2), heights, seen, np.full(seen.shape[:2], u_px))


LAMPS = [
    (500 * np.cos(e) * np.cos(a), 500 * np.cos(e) * np.sin(a), 500 * np.sin(e))
    for a, e in zip(np.arange(10) * 2.4, np.radians(np.linspace(20, 75, 10)), strict=True)
]


@pytest.mark.parametrize("view", [View((2000, 3000), 0.1, None), PINHOLE])
def test_lamps_spheres_and_camera_are_refined_together_and_the_covariance_holds_the_error(view):
    spheres = [Ball(-100, 0, 10), Ball(100, 5, 10), Ball(3, 80, 8, height_mm=3)]
    held, errors, first = [], [], []
    for seed in range(3):
        sight = sight_of(view, spheres, LAMPS, 0.1, seed)
        start = crossings(sight)
        found = refine_together(sight, start)
        miss = found.lamps_mm - LAMPS
        first.append(np.linalg.norm(start - LAMPS, axis=1))
        errors.append(np.linalg.norm(miss, axis=1))
        held.append(np.einsum("li,lij,lj->l", miss, np.linalg.inv(found.covariance_mm2), miss))
        assert np.nanmax(np.abs(found.residuals_px)) < 0.5
        assert (found.sight.view.distance_mm or 1) == pytest.approx(view.distance_mm or 1, rel=0.03)
    assert np.median(errors) < 4  # 500 mm squared over 200 mm, times 2 px / 100 px of turn for a pixel, 0.1 px
    assert np.median(errors) <= np.median(first)
    # a chi-square of three degrees of freedom is below 7.81 in 95 of 100 cases
    assert (np.array(held) < 7.81).mean() > 0.8


def test_a_table_draws_lamps_as_far_as_its_uncertainty_says():
    sight = sight_of(FAR, [Ball(-12, 0, 5), Ball(12, 0, 5)], LAMPS[:4], 0.3, 5)
    truth = np.array(LAMPS[:4])
    alone = refine_together(sight, crossings(sight))
    table = truth + np.random.default_rng(1).normal(0, 1.0, truth.shape)
    both = refine_together(sight, crossings(sight), table, np.full(4, 1.0))
    assert np.linalg.norm(both.lamps_mm - truth, axis=1).max() < 4
    assert np.linalg.norm(alone.lamps_mm - truth, axis=1).max() > 8
    assert np.trace(both.covariance_mm2, axis1=1, axis2=2).max() < 3.1


def test_the_mean_of_two_spheres_is_surer_than_one_and_disagreement_widens_it():
    lamp = np.array([[0.5, 0.2, np.sqrt(1 - 0.29)]])
    circles = np.array([[200.0, 200, 50], [400, 200, 50]])
    centres, radii = balls(FAR, circles, np.full(2, 5.0))
    seen = highlights(FAR, centres, radii, lamp, near=False)
    sight = Sight(FAR, circles, np.full(2, 0.1), np.full(2, 5.0), seen, np.full((1, 2), 0.1))
    one = Sight(FAR, circles[:1], np.full(1, 0.1), np.full(1, 5.0), seen[:, :1], np.full((1, 1), 0.1))
    both, covariance, apart, widening = mean_directions(sight)
    assert both == pytest.approx(lamp, abs=1e-6)
    assert np.trace(covariance[0]) == pytest.approx(np.trace(mean_directions(one)[1][0]) / 2, rel=0.02)
    assert (widening, apart.max()) == (1.0, pytest.approx(0, abs=1e-4))
    seen[0, 1, 0] += 3
    assert mean_directions(sight)[3] > 5
