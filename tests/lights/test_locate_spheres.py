"""From photographs of mirror spheres to lights/lamps.json, with and without faults."""

import json

import cv2
import imageio.v3 as iio
import numpy as np
import pytest
from captures import Folder
from scipy import ndimage
from sphere_pictures import Ball, as_numbers, mirror_point, picture, pixel_of, spot

from lightdome import store
from lightdome.errors import LampError
from lightdome.frames.steps import stack_frames
from lightdome.lights.lamps import LampSet
from lightdome.lights.steps import locate_lamps
from lightdome.session.steps import check_session

SHAPE, PITCH_MM = (150, 420), 0.25
MIDDLE_PX = np.array([209.5, 74.5])
BALLS = (Ball(-36.0, 1.3, 9.0), Ball(34.7, -2.1, 9.0))
PLACES = np.array(
    [
        (180 * np.cos(e) * np.cos(a), 180 * np.cos(e) * np.sin(a), 180 * np.sin(e))
        for a, e in zip(np.arange(8) * 2.4, np.radians(np.linspace(25, 72, 8)), strict=True)
    ]
)
NAMES = [f"L{index + 1}" for index in range(len(PLACES))]
SETTINGS = """\
format: 1
session: tern-point-2031-05
camera:
  pixel_pitch_mm: 0.25
  white_level: 65535
lamps:
  source: spheres
  model: near
spheres:
  - {diameter_mm: 18}
  - {diameter_mm: 18}
plates:
  TP-017: {}
"""


@pytest.fixture(scope="module")
def lights():
    """Light of the eight photographs, drawn once."""
    return [picture(SHAPE, PITCH_MM, BALLS, place) for place in PLACES]


@pytest.fixture
def session(tmp_path, lights):
    """A field of eight lit photographs in which two spheres lie left and right of the plate."""
    made = Folder(tmp_path / "capture", SETTINGS)
    made.path.mkdir()
    for index, (name, light) in enumerate(zip(NAMES, lights, strict=True)):
        made.picture(f"{name}.png", as_numbers(light, index))
        made.frames.append(f"{name}.png,TP-017,front,A,lit,{name}")
    return made


def write(made):
    made.write()
    if not made.lamps:
        (made.path / "lamps.csv").unlink()


def located(made):
    """The product, after the steps before it."""
    write(made)
    out, field = made.path.parent / "out", (made.path, "TP-017", "front", "A")
    check_session(*field, out / "quality.json", out / "lamp_layout.png", out / "check.html", threads=1)
    stack_frames(*field, out / "quality.json", out / "stack.zarr.zip")
    locate_lamps(*field, out / "stack.zarr.zip", out / "lamps.json", out / "spheres.png", threads=1)
    return json.loads((out / "lamps.json").read_text())


def places(facts):
    return np.array([[lamp[key] for key in ("x_mm", "y_mm", "z_mm")] for lamp in facts["lamps"]])


def direction_errors_deg(facts, truth=PLACES):
    found = LampSet.from_dict(facts).unit_vectors
    true = truth / np.linalg.norm(truth, axis=1, keepdims=True)
    return np.degrees(np.arccos(np.clip((found * true).sum(axis=1), -1, 1)))


def test_places_come_from_two_spheres_beside_the_plate(session):
    facts = located(session)
    lamps = LampSet.from_dict(facts)
    miss = places(facts) - PLACES
    assert [lamp["lamp"] for lamp in facts["lamps"]] == NAMES
    assert np.median(np.linalg.norm(miss, axis=1)) < 4
    assert np.median(direction_errors_deg(facts)) < 0.6
    assert (np.einsum("li,lij,lj->l", miss, np.linalg.inv(lamps.covariance), miss) < 16).all()
    assert facts["how_known"] == "spheres"
    assert facts["spheres"]["residual_rms_px"] < 0.5
    assert [rim["how_known"] for rim in facts["spheres"]["rims"]] == ["edge", "edge"]
    rim = facts["spheres"]["rims"][0]
    assert [rim["column_px"], rim["row_px"]] == pytest.approx(pixel_of(BALLS[0].centre_mm, SHAPE, PITCH_MM), abs=0.1)
    assert rim["radius_px"] == pytest.approx(36, abs=0.15)
    # the direction's doubt leaves out what lies along the ray
    assert (lamps.u_directions_rad < lamps.u_vectors / np.linalg.norm(lamps.vectors, axis=1)).all()
    drawn = iio.imread(session.path.parent / "out/spheres.png")
    assert (drawn[..., :3] != 255).any(axis=2).mean() > 0.05
    quality = json.loads((session.path.parent / "out/quality.json").read_text())
    assert quality["lamp_layout"]["condition_number"] is None


def test_a_series_of_its_own_wins_and_gives_directions(session):
    balls = (Ball(0.5, -0.3, 9.0),)
    for index, (name, place) in enumerate(zip(NAMES, PLACES, strict=True)):
        unit = place / np.linalg.norm(place)
        session.picture(f"s{name}.png", as_numbers(picture((120, 130), 0.25, balls, unit, near=False), index))
        session.frames.append(f"s{name}.png,,,,sphere,{name}")
    session.settings = session.settings.replace("near", "distant").replace("  - {diameter_mm: 18}\n", "", 1)
    facts = located(session)
    assert np.median(direction_errors_deg(facts)) < 0.5
    assert facts["spheres"]["with_the_plate"] is False
    assert np.array(facts["lamps"][0]["covariance_deg2"]).shape == (2, 2)
    assert facts["spheres"]["residual_rms_px"] is None
    session.settings = session.settings.replace("distant", "near")
    with pytest.raises(
        LampError, match="not photographed with the plate, so that only directions are known; set model"
    ):
        located(session)


def distorted(light, focal_px, k1):
    """The picture as a lens of this distortion shows it; OpenCV tells where each of its pixels comes from."""
    rows, cols = light.shape
    places = np.stack(np.meshgrid(np.arange(cols), np.arange(rows)), axis=-1).reshape(-1, 1, 2).astype(float)
    matrix = np.array([[focal_px, 0, (cols - 1) / 2], [0, focal_px, (rows - 1) / 2], [0, 0, 1]])
    came_from = cv2.undistortPoints(places, matrix, np.array([k1, 0, 0, 0]), P=matrix).reshape(rows, cols, 2)
    return ndimage.map_coordinates(light, [came_from[..., 1], came_from[..., 0]], order=1, mode="nearest")


@pytest.mark.parametrize("given", [True, False])
def test_the_lens_is_taken_out_of_the_spheres_too(session, lights, given):
    for index, (name, light) in enumerate(zip(NAMES, lights, strict=True)):
        session.picture(f"{name}.png", as_numbers(distorted(light, 400.0, -0.25), index))
    if given:
        for ball in BALLS:
            # where the lens shows the sphere, a few tenths of a pixel off
            at = np.array(pixel_of(ball.centre_mm, SHAPE, PITCH_MM)) - MIDDLE_PX
            column, row = MIDDLE_PX + at * (1 - 0.25 * (at @ at) / 400**2)
            session.settings = session.settings.replace(
                "{diameter_mm: 18}", f"{{diameter_mm: 18.0, centre_px: [{column:.1f}, {row:.1f}], radius_px: 34}}", 1
            )
    bent = located(session)
    lens = "camera:\n  distortion: {k1: -0.25, focal_px: 400, centre_px: [209.5, 74.5]}\n"
    session.settings = session.settings.replace("camera:\n", lens)
    facts = located(session)
    assert np.median(direction_errors_deg(facts)) < 0.6 < np.median(direction_errors_deg(bent))
    assert np.median(np.linalg.norm(places(facts) - PLACES, axis=1)) < 4
    assert facts["warnings"] == []
    rim = facts["spheres"]["rims"][0]
    assert [rim["column_px"], rim["row_px"]] == pytest.approx(pixel_of(BALLS[0].centre_mm, SHAPE, PITCH_MM), abs=0.2)
    assert rim["radius_px"] == pytest.approx(36, abs=0.2)


def test_one_sphere_gives_no_places(session):
    session.settings = session.settings.replace("  - {diameter_mm: 18}\n", "", 1)
    with pytest.raises(LampError, match="near needs highlights on two spheres"):
        located(session)
    session.settings = session.settings.replace("near", "distant")
    assert len(located(session)["lamps"]) == 8


def test_given_circles_and_a_mask_are_used(session):
    centres = [pixel_of(ball.centre_mm, SHAPE, PITCH_MM) for ball in BALLS]
    for column, row in centres:
        session.settings = session.settings.replace(
            "{diameter_mm: 18}", f"{{diameter_mm: 18.0, centre_px: [{column:.0f}, {row:.0f}], radius_px: 36}}", 1
        )
    assert np.median(direction_errors_deg(located(session))) < 0.6
    rows, columns = np.ogrid[: SHAPE[0], : SHAPE[1]]
    mask = np.any([np.hypot(columns - c, rows - r) <= 36 for c, r in centres], axis=0)
    session.settings = SETTINGS
    session.picture("m.png", mask.astype(np.uint8) * 255)
    session.frames.append("m.png,TP-017,front,A,sphere-mask,")
    assert np.median(direction_errors_deg(located(session))) < 0.6


@pytest.mark.parametrize(
    ("paint", "says"),
    [
        (lambda r, c: np.hypot(c - 66, r - 78) <= 36, "shows 1 discs where session.yaml lists 2 spheres"),
        (lambda r, c: (abs(c - 66) < 40) & (abs(r - 78) < 30), "is not round"),
        (lambda r, c: np.hypot(c + 20, r - 78) <= 36, "less than half of its rim is seen"),
    ],
)
def test_a_wrong_mask_is_named(session, paint, says):
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    session.picture("m.png", paint(rows, columns).astype(np.uint8) * 255)
    session.frames.append("m.png,TP-017,front,A,sphere-mask,")
    with pytest.raises(LampError, match=says):
        located(session)


def test_spheres_that_are_not_there_are_missed(session):
    for index, name in enumerate(NAMES):
        session.picture(f"{name}.png", as_numbers(np.full(SHAPE, 0.3), index))
    with pytest.raises(LampError, match=r"0 of 2 spheres are found.*sphere-mask"):
        located(session)


def test_a_missing_highlight_is_named_and_a_single_one_leans_on_the_other_lamps(session, lights):
    def cover(balls):
        light = lights[2].copy()
        for ball in balls:
            column, row = pixel_of(mirror_point(ball, PLACES[2]), SHAPE, PITCH_MM).round().astype(int)
            light[row - 6 : row + 7, column - 6 : column + 7] = 0.002
        session.picture("L3.png", as_numbers(light, 2))

    cover(BALLS[:1])
    facts = located(session)
    assert any("lamp L3 is seen on sphere 2 alone" in text for text in facts["warnings"])
    assert direction_errors_deg(facts)[2] < 4
    assert facts["lamps"][2]["u_position_mm"] > 1.3 * facts["lamps"][1]["u_position_mm"]
    cover(BALLS)
    with pytest.raises(LampError, match="lamp L3: no sphere shows its highlight; did it fire"):
        located(session)


def test_a_second_highlight_is_told_by_the_other_sphere_or_reported(session, lights):
    light = lights[4].copy()
    light += spot(SHAPE, pixel_of(BALLS[0].centre_mm, SHAPE, PITCH_MM) + np.array([-14, 12]))
    session.picture("L5.png", as_numbers(light, 4))
    facts = located(session)
    assert any("lamp L5: two highlights on sphere 1; the one was taken that fits" in text for text in facts["warnings"])
    assert direction_errors_deg(facts)[4] < 1.5
    # on a single sphere nothing tells which it is
    centre = "{diameter_mm: 18, centre_px: [66, 69], radius_px: 36}"
    session.settings = SETTINGS.replace("  - {diameter_mm: 18}\n", "", 1).replace("{diameter_mm: 18}", centre)
    session.settings = session.settings.replace("near", "distant")
    assert any("the brighter one was taken, which may be wrong" in text for text in located(session)["warnings"])


def test_a_lamp_left_on_is_told_from_those_that_change(session, lights):
    window = spot(SHAPE, pixel_of(BALLS[0].centre_mm, SHAPE, PITCH_MM) + np.array([5, 16]), 2.0)
    for index, (name, light) in enumerate(zip(NAMES, lights, strict=True)):
        session.picture(f"{name}.png", as_numbers(light + window, index))
    facts = located(session)
    assert any("a light stands on sphere 1" in text for text in facts["warnings"])
    assert np.median(direction_errors_deg(facts)) < 0.8


def test_spheres_that_disagree_are_named(session):
    session.settings = session.settings.replace("{diameter_mm: 18}", "{diameter_mm: 18, centre_height_mm: 25}", 1)
    facts = located(session)
    assert any("the spheres disagree: highlights lie" in text for text in facts["warnings"])
    assert facts["spheres"]["uncertainties_widened_by"] > 3


def test_a_sphere_cut_by_the_frame_is_named(session):
    for index, (name, place) in enumerate(zip(NAMES, PLACES, strict=True)):
        light = picture(SHAPE, PITCH_MM, (Ball(-36.0, -12.6, 9.0), BALLS[1]), place)
        session.picture(f"{name}.png", as_numbers(light, index))
    warnings = located(session)["warnings"]
    assert any("sphere 1 is cut by the picture's edge" in text for text in warnings), warnings


def table(session, vectors):
    session.lamps = [f"{name},{x:.2f},{y:.2f},{z:.2f}" for name, (x, y, z) in zip(NAMES, vectors, strict=True)]
    session.settings = SETTINGS.replace("source: spheres", "source: table\n  u_position_mm: 3")


def test_a_table_is_refined_and_says_how_far_lamps_moved(session):
    moved = PLACES + np.random.default_rng(3).normal(0, 3, PLACES.shape)
    table(session, moved)
    facts = located(session)
    before = np.linalg.norm(moved - PLACES, axis=1)
    after = np.linalg.norm(places(facts) - PLACES, axis=1)
    assert np.median(after) < 0.6 * np.median(before)
    assert facts["how_known"] == "table, refined by spheres"
    by = [entry["by"] for entry in facts["spheres"]["moved_from_table"]]
    assert by == pytest.approx(np.linalg.norm(places(facts) - np.round(moved, 2), axis=1), abs=0.01)
    assert facts["warnings"] == []


def test_a_mirrored_table_and_swapped_lamps_are_named(session):
    table(session, PLACES * [-1, 1, 1])
    facts = located(session)
    assert any("so the table looks mirrored left to right" in text for text in facts["warnings"])
    assert np.median(direction_errors_deg(facts)) < 0.6
    table(session, PLACES[[0, 1, 2, 6, 4, 5, 3, 7]])
    assert any("lamps L4 and L7 look swapped" in text for text in located(session)["warnings"])


def test_a_lamp_without_its_sphere_photograph_is_named(session):
    session.frames += [f"L1.png,,,,sphere,{name}" if name == "L1" else f"{name}.png,,,,sphere,{name}" for name in NAMES]
    session.frames.pop()
    write(session)
    out = session.path.parent / "out"
    with pytest.raises(LampError, match="lamp 'L8' of TP-017/front/A has no sphere photograph while others have"):
        check_session(
            session.path, "TP-017", "front", "A", out / "q.json", out / "p.png", out / "check.html", threads=1
        )


def test_the_stack_follows_frames_csv_where_there_is_no_table(session):
    session.frames = session.frames[::-1]
    located(session)
    with store.open_stack(session.path.parent / "out/stack.zarr.zip") as stack:
        assert stack.lamps == tuple(NAMES[::-1])
