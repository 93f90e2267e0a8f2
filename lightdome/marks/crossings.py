"""Which marks cross, and which of two came later where the metal says so."""

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree

from lightdome.marks.records import Section

NEAR_PX = 1.5
LEAST_ANGLE_DEG = 15.0
RIDGE_SEEN = 3.0
"""A ridge must stand this many standard uncertainties high before its breaks mean anything."""


def dense(points_px: np.ndarray) -> np.ndarray:
    """The polyline (n, 2) with a point at least every pixel."""
    lengths = np.linalg.norm(np.diff(points_px, axis=0), axis=1)
    along = np.concatenate([[0], np.cumsum(lengths)])
    at = np.linspace(0, along[-1], max(2, int(np.ceil(along[-1])) + 1))
    return np.stack([np.interp(at, along, points_px[:, axis]) for axis in (0, 1)], axis=1)


def crossings(lines: Sequence[np.ndarray]) -> list[tuple[int, int, np.ndarray]]:
    """Pairs of polylines (n, 2) that meet at an angle of 15 degrees or more: first, second, place (row, column)."""
    if len(lines) < 2:
        return []
    points = [dense(line) for line in lines]
    owner = np.repeat(np.arange(len(lines)), [len(part) for part in points])
    ahead = np.concatenate([_ahead(part) for part in points])
    place = np.concatenate(points)
    pairs = cKDTree(place).query_pairs(NEAR_PX, output_type="ndarray")
    pairs = pairs[owner[pairs[:, 0]] != owner[pairs[:, 1]]]
    angle = np.degrees(np.arccos(np.clip(np.abs((ahead[pairs[:, 0]] * ahead[pairs[:, 1]]).sum(axis=1)), 0, 1)))
    pairs = pairs[angle >= LEAST_ANGLE_DEG]
    apart = np.linalg.norm(place[pairs[:, 0]] - place[pairs[:, 1]], axis=1)
    found: dict[tuple[int, int], np.ndarray] = {}
    for index in np.argsort(apart, kind="stable"):
        a, b = pairs[index]
        key = (int(min(owner[a], owner[b])), int(max(owner[a], owner[b])))
        found.setdefault(key, (place[a] + place[b]) / 2)
    return [(first, second, found[first, second]) for first, second in sorted(found)]


def _ahead(points: np.ndarray) -> np.ndarray:
    """Unit direction at each point, over five points."""
    padded = np.pad(points, ((2, 2), (0, 0)), mode="edge")
    way = padded[4:] - padded[:-4]
    return way / np.maximum(np.linalg.norm(way, axis=1), 1e-9)[:, None]


def later_of(
    height_um: np.ndarray, lines: tuple[np.ndarray, np.ndarray], sections: tuple[Section, Section], place: np.ndarray
) -> int | None:
    """0 or 1: which of two crossing grooves came later; None where the ridges do not say.

    Rule: the ridges of the deeper groove run whole over the shallower one if the deeper is later, and are cut to the
    shallower one's floor if it is earlier (methods.md 4: the later one runs through with its floor and ridges whole).
    The floors alone say nothing, since the deeper floor runs through in both cases.
    """
    deep = 0 if sections[0].depth_um >= sections[1].depth_um else 1
    section, shallow = sections[deep], sections[1 - deep]
    if min(section.burr_left_um, section.burr_right_um) < RIDGE_SEEN * section.u_burr_um:
        return None
    points = dense(lines[deep])
    nearest = int(np.argmin(np.linalg.norm(points - place, axis=1)))
    reach = max(2, round(shallow.width_px))
    ahead = _ahead(points)
    right = np.stack([ahead[:, 1], -ahead[:, 0]], axis=1)
    votes = []
    for side, burr in ((-1, section.burr_left_um), (1, section.burr_right_um)):
        crest = points + side * right * (section.mouth_px + section.reach_px) / 4
        crest_um = map_coordinates(np.nan_to_num(_crop(height_um, crest)[0]), _crop(height_um, crest)[1].T, order=1)
        at = crest_um[max(nearest - 1, 0) : nearest + 2].mean()
        beside = np.concatenate(
            [
                crest_um[max(nearest - 4 * reach, 0) : max(nearest - 2 * reach, 0)],
                crest_um[nearest + 2 * reach : nearest + 4 * reach],
            ]
        )
        if not beside.size:
            return None
        drop = float(np.median(beside) - at)
        if drop < 0.3 * burr:
            votes.append(deep)
        elif drop > burr + 0.5 * shallow.depth_um:
            votes.append(1 - deep)
    return votes[0] if len(votes) == 2 and votes[0] == votes[1] else None


def _crop(height_um: np.ndarray, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    low = np.maximum(np.floor(points.min(axis=0)).astype(int) - 2, 0)
    high = np.ceil(points.max(axis=0)).astype(int) + 3
    return height_um[low[0] : high[0], low[1] : high[1]], points - low
