"""Does a lamp table agree with what mirror spheres show? Turned, mirrored and swapped tables are named."""

from dataclasses import dataclass

import numpy as np

AGREES_DEG = 3.0
"""A table whose lamps lie closer than this to what the spheres show, in the median, is taken as meant so: positions off
by 2 cm at 40 cm (no source; a hand-measured dome is better)."""
MUCH_BETTER = 3.0
"""Times closer: a turned or mirrored table is then what explains the difference."""
TURNS = {
    "mirrored left to right": np.diag([-1.0, 1, 1]),
    "mirrored top to bottom": np.diag([1.0, -1, 1]),
    "turned by 180 degrees": np.diag([-1.0, -1, 1]),
    "turned by 90 degrees": np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]]),
    "turned by 270 degrees": np.array([[0.0, 1, 0], [-1, 0, 0], [0, 0, 1]]),
    "with x and y exchanged": np.array([[0.0, 1, 0], [1, 0, 0], [0, 0, 1]]),
    "with x and y exchanged and both turned round": np.array([[0.0, -1, 0], [-1, 0, 0], [0, 0, 1]]),
}


@dataclass(frozen=True)
class Comparison:
    """A table against the spheres."""

    angles_deg: np.ndarray
    """(L,): between the two directions of each lamp; NaN where a lamp was not seen."""
    consistent: bool
    warnings: tuple[str, ...]


def compare(names: tuple[str, ...], table: np.ndarray, found: np.ndarray) -> Comparison:
    """Directions (L, 3) of a table against those found from spheres, NaN where not found; lengths do not matter."""
    angles = _angles_deg(table, found)
    seen = np.isfinite(angles)
    if not seen.any():
        return Comparison(angles, True, ())
    usual = float(np.median(angles[seen]))
    if usual > AGREES_DEG:
        turned = {name: float(np.median(_angles_deg(table @ turn.T, found)[seen])) for name, turn in TURNS.items()}
        name = min(turned, key=lambda key: turned[key])
        text = f"lamps.csv disagrees with the spheres by {usual:.1f} degrees in the median"
        if turned[name] * MUCH_BETTER < usual:
            text += f"; {name} it would be {turned[name]:.1f} degrees, so the table looks {name}"
        return Comparison(angles, False, (f"{text}; correct the table or the spheres",))
    return Comparison(angles, True, tuple(_odd_lamps(names, table, found, angles)))


def _odd_lamps(names: tuple[str, ...], table: np.ndarray, found: np.ndarray, angles: np.ndarray) -> list[str]:
    """Single lamps that stand elsewhere than the table says; pairs that have changed places."""
    odd = [int(index) for index in np.flatnonzero(np.nan_to_num(angles) > 2 * AGREES_DEG)]
    texts, told = [], set[int]()
    for one in odd:
        for other in odd:
            if other > one and not told & {one, other}:
                crossed = _angles_deg(table[[other, one]], found[[one, other]])
                if crossed.max() < AGREES_DEG:
                    texts.append(
                        f"lamps {names[one]} and {names[other]} look swapped: the spheres show each where lamps.csv "
                        f"has the other; check the order of their photographs"
                    )
                    told |= {one, other}
    texts += [
        f"lamp {names[one]} stands {angles[one]:.1f} degrees from where lamps.csv has it"
        for one in odd
        if one not in told
    ]
    return texts


def _angles_deg(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    turn = np.linalg.norm(np.cross(one, other), axis=1)
    return np.asarray(np.degrees(np.arctan2(turn, (one * other).sum(axis=1))))
