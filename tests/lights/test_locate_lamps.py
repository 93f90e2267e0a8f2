"""From lamps.csv to lights/lamps.json, in the order of the stack."""

import json

import numpy as np
import pytest
from captures import PLACES

from lightdome import store
from lightdome.errors import LampError, ProductError, SessionError
from lightdome.lights.lamps import LampSet
from lightdome.lights.steps import locate_lamps
from lightdome.provenance import Provenance
from lightdome.raster import Grid


def write_stack(path, names, flat_divided=False):
    grid = Grid((4, 5), 0.05)
    attrs = {"flat_divided": flat_divided}
    with store.stack_writer(path, grid, names, attrs, Provenance("stack-frames", {}, {})) as writer:
        writer.write(np.zeros((len(names), 4, 5)), np.zeros((3, 4, 5)), grid.window)
    return path


def located(folder, names=tuple(PLACES), **keys):
    folder.write()
    out = folder.path.parent / "out"
    stack = write_stack(out / "stack.zarr.zip", names, **keys)
    locate_lamps(folder.path, "TP-017", "front", "A", stack, out / "lamps.json", out / "spheres.png")
    return json.loads((out / "lamps.json").read_text())


def test_near_lamps_keep_their_place_in_the_order_of_the_stack(folder):
    folder.settings = folder.settings.replace("model: near", "model: near\n  u_position_mm: 1.5\n  beam_exponent: 1")
    facts = located(folder, ["L3", "L1"])
    assert [lamp["lamp"] for lamp in facts["lamps"]] == ["L3", "L1"]
    lamp = facts["lamps"][0]
    assert (lamp["x_mm"], lamp["y_mm"], lamp["z_mm"]) == PLACES["L3"]
    assert lamp["azimuth_deg"] == pytest.approx(180)
    assert lamp["elevation_deg"] == pytest.approx(np.degrees(np.arctan2(250, 300)))
    assert (lamp["u_position_mm"], lamp["power"], lamp["how_known"]) == (1.5, 1.0, "table")
    assert (facts["model"], facts["beam_exponent"], facts["camera_distance_mm"]) == ("near", 1, None)
    assert facts["provenance"]["step"] == "locate-lamps"
    assert LampSet.from_dict(facts).names == ("L3", "L1")


def test_an_uncertainty_that_is_not_known_is_null(folder):
    assert located(folder)["lamps"][0]["u_position_mm"] is None


def test_distant_lamps_and_coloured_powers(folder):
    folder.settings = folder.settings.replace("model: near", "model: distant")
    folder.settings = folder.settings.replace("projection: orthographic", "projection: perspective\n  distance_mm: 900")
    folder.write()
    rows = [f"{name},{40 * index},{30 + index},1,2,{3 + index}" for index, name in enumerate(PLACES)]
    table = "\n".join(["lamp,azimuth_deg,elevation_deg,power_r,power_g,power_b", *rows])
    (folder.path / "lamps.csv").write_text(table)
    stack = write_stack(folder.path.parent / "stack.zarr.zip", list(PLACES), flat_divided=True)
    locate_lamps(folder.path, "TP-017", "front", "A", stack, folder.path.parent / "lamps.json", folder.path / "s.png")
    facts = json.loads((folder.path.parent / "lamps.json").read_text())
    second = facts["lamps"][1]
    assert (second["azimuth_deg"], second["elevation_deg"]) == (pytest.approx(40), pytest.approx(31))
    assert second["power"] == pytest.approx((1 + 2 + 4) / 3)
    assert second["u_direction_deg"] is None
    assert (facts["model"], facts["flat_divided"], facts["camera_distance_mm"]) == ("distant", True, 900)


def test_a_lamp_of_the_stack_that_the_table_lost_is_named(folder):
    with pytest.raises(LampError, match=r"lamps\.csv: has no lamp 'L9' of the stack"):
        located(folder, ["L1", "L9"])


def test_a_damaged_stack_is_named(folder):
    (folder.path.parent / "s.zarr.zip").write_bytes(b"no stack")
    with pytest.raises(ProductError, match=r"s\.zarr\.zip: cannot be read as a stack"):
        field = (folder.write(), "TP-017", "front", "A")
        locate_lamps(*field, folder.path.parent / "s.zarr.zip", folder.path.parent / "l.json", folder.path / "s.png")
    assert not (folder.path.parent / "l.json").exists()


def test_a_field_that_is_not_there_is_named(folder):
    stack = write_stack(folder.path.parent / "stack.zarr.zip", ["L1"])
    with pytest.raises(SessionError, match="has no row of TP-099/front/A"):
        out = folder.path.parent
        locate_lamps(folder.write(), "TP-099", "front", "A", stack, out / "l.json", out / "s.png")
