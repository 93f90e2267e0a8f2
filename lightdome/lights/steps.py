"""Step of the word lights: `locate-lamps`. Paths in, paths out."""

from pathlib import Path

import numpy as np

from lightdome import store
from lightdome.errors import LampError
from lightdome.lights.lamps import LampSet, directions
from lightdome.provenance import Provenance
from lightdome.session.records import FieldName, Session
from lightdome.session.sheet import read_field


def locate_lamps(session: Path, plate: str, side: str, field: str, stack: Path, lamps: Path) -> None:
    """Write `lights/lamps.json`: place or direction, power and uncertainty of each lamp of the stack, in its order.

    Fails with SessionError, LampError or ProductError.
    """
    facts, _ = read_field(session, FieldName(plate, side, field))
    with store.open_stack(stack) as planes:
        names, flat_divided = planes.lamps, bool(planes.attrs["flat_divided"])
    lamp_set = lamps_of_table(facts, names, flat_divided)
    files = [facts.folder / "session.yaml", facts.folder / "lamps.csv"]
    origin = Provenance.of("locate-lamps", files, {})
    store.write_json(lamps, {**lamp_set.as_dict(), "provenance": origin.as_dict()})


def lamps_of_table(session: Session, names: tuple[str, ...], flat_divided: bool) -> LampSet:
    """Named lamps of `lamps.csv`; LampError where one is not in the table."""
    if session.lamp_setting.source != "table":
        raise LampError(
            "session.yaml, lamps.source: locating lamps from spheres is not available in version 0.1; give lamps.csv "
            "and source: table"
        )
    known = {lamp.name: lamp for lamp in session.lamps}
    missing = [name for name in names if name not in known]
    if missing:
        raise LampError(f"lamps.csv: has no lamp {missing[0]!r} of the stack; add its row, or make the stack again")
    chosen = [known[name] for name in names]
    near = session.lamp_setting.model == "near"
    if near:
        vectors = np.array([lamp.position_mm for lamp in chosen], float)
    else:
        angles = np.array([(lamp.azimuth_deg, lamp.elevation_deg) for lamp in chosen], float)
        vectors = directions(angles[:, 0], angles[:, 1])
    u_position = session.lamp_setting.u_position_mm
    return LampSet(
        names=names,
        model=session.lamp_setting.model,
        vectors=vectors,
        power=np.array([np.mean(lamp.power_rgb) for lamp in chosen]),
        u_vectors=np.full(len(chosen), np.nan if u_position is None or not near else u_position),
        beam_exponent=float(session.lamp_setting.beam_exponent),
        flat_divided=flat_divided,
        camera_distance_mm=session.camera.distance_mm,
        how_known="table",
    )
