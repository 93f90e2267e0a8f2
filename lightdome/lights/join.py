"""The lamps of a field from what a table says and what the spheres show."""

import numpy as np

from lightdome.errors import LampError
from lightdome.lights.lamps import LampSet, directions
from lightdome.lights.spheres import Located
from lightdome.session.checks import LARGEST_CONDITION, condition_number
from lightdome.session.records import Session
from lightdome.session.verdict import WIDE_CONDITION


def lamps_of_table(session: Session, names: tuple[str, ...], flat_divided: bool) -> LampSet:
    """Named lamps of `lamps.csv`; LampError where one is not in the table."""
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


def joined(
    session: Session, names: tuple[str, ...], flat_divided: bool, table: LampSet | None, located: Located | None
) -> tuple[LampSet, np.ndarray | None]:
    """The lamps, and how far (L,) each stands from the table, mm or degrees; None where there is nothing to compare.

    A lamp of the table that no sphere shows keeps its row. Fails with LampError where a lamp is known from nowhere.
    """
    if located is None:
        if table is None:
            raise LampError("session.yaml: lists no spheres to locate the lamps from; add them, or give lamps.csv")
        return table, None
    near = session.lamp_setting.model == "near"
    vectors, covariance = located.vectors.copy(), located.covariance.copy()
    found = np.isfinite(vectors).all(axis=1)
    if table is None:
        _refuse_unseen(names, located, found, near)
    else:
        vectors[~found] = table.vectors[~found]
        size = covariance.shape[-1]
        covariance[~found] = (table.u_vectors[~found] ** 2)[:, None, None] * np.eye(size)
    under = [name for name, vector in zip(names, vectors, strict=True) if vector[2] <= 0]
    if under:
        raise LampError(
            f"lamp {under[0]}: the spheres put it below the plate; look at lights of the picture and at the spheres' "
            f"diameter_mm and centre_height_mm in session.yaml"
        )
    moved = None
    if table is not None:
        moved = np.linalg.norm(vectors - table.vectors, axis=1)
        if not near:
            moved = np.degrees(2 * np.arcsin(np.minimum(moved / 2, 1)))
        moved[~found] = np.nan
    lamps = LampSet(
        names=names,
        model=session.lamp_setting.model,
        vectors=vectors,
        power=np.ones(len(names)) if table is None else table.power,
        u_vectors=np.sqrt(np.trace(covariance, axis1=1, axis2=2) / covariance.shape[-1]),
        beam_exponent=float(session.lamp_setting.beam_exponent),
        flat_divided=flat_divided,
        camera_distance_mm=session.camera.distance_mm,
        how_known="spheres" if table is None else "table, refined by spheres" if found.any() else "table",
        covariance=covariance,
    )
    return lamps, moved


def _refuse_unseen(names: tuple[str, ...], located: Located, found: np.ndarray, near: bool) -> None:
    lost = [index for index in range(len(names)) if not found[index]]
    if not lost:
        return
    first = names[lost[0]]
    more = f" (and {len(lost) - 1} more)" if len(lost) > 1 else ""
    if near and located.sight.seen[lost[0]].any():
        raise LampError(
            f"lamp {first}{more}: its highlight is found on one sphere only, and a place needs two; photograph it "
            f"again, or delete its rows of frames.csv"
        )
    raise LampError(
        f"lamp {first}{more}: no sphere shows its highlight; did it fire, and is no arm before it? Photograph it "
        f"again, or delete its rows of frames.csv"
    )


def layout_warnings(lamps: LampSet) -> list[str]:
    """What is poor about the layout; LampError where it cannot fix the surface."""
    condition = condition_number(lamps.unit_vectors)
    if condition > LARGEST_CONDITION:
        raise LampError(
            f"the lamps stand in one plane through the plate (condition number {min(condition, 1e6):.0f}, at most "
            f"{LARGEST_CONDITION:.0f}); add lamps at other azimuths"
        )
    if condition > WIDE_CONDITION:
        return [f"the lamps stand close to one plane or one direction (condition number {condition:.0f})"]
    return []
