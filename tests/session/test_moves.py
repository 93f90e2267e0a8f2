"""Faults planted in computed photographs of a plate: nudged halfway, one frame bumped, one turned."""

import json
from dataclasses import replace

import numpy as np
import pytest
from captures import Folder
from scipy import ndimage

from lightdome.session.motion import moved_by
from lightdome.session.moves import movement_warnings
from lightdome.session.steps import check_session
from lightdome.synthetic.lamps import dome
from lightdome.synthetic.photographs import photographs_of, plate_surface
from lightdome.synthetic.reflectance import Material
from lightdome.synthetic.scenes import tide_table_scene

SHAPE, MARGIN = (400, 520), 20
LAMPS = 12
CORNERS = np.array([(-200, -260), (-200, 260), (200, -260), (200, 260)], float)


@pytest.fixture(scope="module")
def larger():
    """Photographs of a metal plate, larger than what is cut out of them; each lamp shades it anew."""
    shape = (SHAPE[0] + 2 * MARGIN, SHAPE[1] + 2 * MARGIN)
    spec = replace(
        tide_table_scene(3),
        shape=shape,
        sub=2,
        rig=dome(LAMPS, radius_mm=60, seed=3),
        shadows=False,
        ambient=0.0,
        colour=False,
        material=Material(diffuse=0.1, specular=0.6, roughness=0.3),
    )
    return [photograph.numbers() for photograph in photographs_of(spec, 0, plate_surface(spec, 0))]


def quality_of(tmp_path, pictures):
    folder = Folder(tmp_path / "capture")
    folder.path.mkdir()
    rig = dome(LAMPS, radius_mm=60)
    for name, place, picture in zip(rig.names, rig.vectors, pictures, strict=True):
        folder.lamps.append(f"{name},{','.join(map(str, place))}")
        folder.frames.append(f"frames/{name}.png,TP-017,front,A,lit,{name}")
        folder.picture(f"frames/{name}.png", picture)
    folder.settings = folder.settings.replace("0.05", "0.025").replace("65535", "65472")
    out = tmp_path / "out"
    check_session(
        folder.write(), "TP-017", "front", "A", out / "quality.json", out / "lamps.png", out / "check.html", threads=2
    )
    return json.loads((out / "quality.json").read_text())


def cut(picture, down=0, right=0):
    """The field, its content moved down and right by whole pixels."""
    rows, cols = MARGIN - down, MARGIN - right
    return picture[rows : rows + SHAPE[0], cols : cols + SHAPE[1]]


def test_a_plate_nudged_halfway_is_found_named_and_measured(tmp_path, larger):
    moved = [cut(picture, *((3, -3) if index >= LAMPS // 2 else (0, 0))) for index, picture in enumerate(larger)]
    quality = quality_of(tmp_path, moved)
    said = [text for text in quality["warnings"] if "nudged" in text]
    assert len(said) == 1
    assert said[0].startswith("frames/L07.png: from here on the plate stands 4.2 px further than in frames/L06.png")
    assert "(+3.0 rows, -3.0 columns in the middle)" in said[0]
    assert not any("moved by" in text for text in quality["warnings"])
    for index, frame in enumerate(quality["frames"]):
        expected = (3, -3) if index >= LAMPS // 2 else (0, 0)
        assert frame["shift_px"] == pytest.approx(expected, abs=0.15)
    assert quality["frames"][0]["shift_px"] == [0, 0]


def test_a_turned_frame_is_found_and_measured(tmp_path, larger):
    pictures = [cut(picture) for picture in larger]
    angle, scale, shift = np.radians(0.3), 1.002, np.array([1.3, -0.8])
    matrix = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = (np.array(larger[4].shape) - 1) / 2
    inverse = np.linalg.inv(matrix)
    turned = ndimage.affine_transform(
        larger[4].astype(float), inverse, middle - inverse @ (middle + shift), order=5, mode="nearest"
    )
    pictures[4] = cut(np.clip(turned, 0, 65472).astype(np.uint16))
    quality = quality_of(tmp_path, pictures)
    frame = quality["frames"][4]
    assert frame["rotation_deg"] == pytest.approx(0.3, abs=3 * frame["u_rotation_deg"])
    assert frame["scale"] == pytest.approx(scale, abs=3 * frame["u_scale"])
    assert frame["u_rotation_deg"] < 0.05
    assert frame["shift_px"] == pytest.approx(shift, abs=0.15)
    true = moved_by(np.array([[*shift, matrix[0, 0] - 1, matrix[1, 0]]]), CORNERS)
    assert frame["moved_px"] == pytest.approx(np.hypot(*true[0].T).max(), abs=0.3)
    assert [text.split(":")[0] for text in quality["warnings"] if "turned by" in text] == ["frames/L05.png"]
    others = [other for index, other in enumerate(quality["frames"]) if index != 4]
    assert all(other["rotation_deg"] == 0 and other["moved_px"] == 0 for other in others)


def facts(moved):
    return [
        {"file": f"{index}.png", "shift_px": list(place), "rotation_deg": 0.0, "scale": 1.0,
         "moved_px": float(np.hypot(*place))}
        for index, place in enumerate(moved)
    ]  # fmt: skip


def said_of(moved):
    places = np.repeat(np.array(moved, float)[:, None], 4, axis=1)
    return movement_warnings(places, facts(moved))


def test_one_bumped_frame_is_no_nudge():
    said = said_of([(0, 0)] * 4 + [(2, 1)] + [(0, 0)] * 4)
    assert said[4].startswith("moved by 2.00 rows and 1.00 columns")
    assert [index for index, text in enumerate(said) if text] == [4]


def test_a_drift_is_no_nudge():
    said = said_of([(0.15 * index, 0) for index in range(12)])
    assert not any("nudged" in text for text in said if text)


def test_two_nudges_are_told_apart_with_a_bumped_frame_between():
    said = said_of([(0, 0)] * 3 + [(4, 0)] * 3 + [(9, 9)] + [(4, 0)] * 2 + [(4, 3)] * 3)
    assert "4.0 px further than in 2.png" in said[3]
    assert "moved by 9.00 rows" in said[6]
    assert "3.0 px further than in 8.png" in said[9]
    assert sum(text is not None for text in said) == 3
