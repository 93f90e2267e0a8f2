"""Crest pixels joined into traces: skeleton, branches, and branches that continue one another."""

import numpy as np
from scipy.ndimage import binary_dilation, convolve, gaussian_filter1d, label
from scipy.spatial import cKDTree
from skimage.measure import approximate_polygon
from skimage.morphology import skeletonize

from lightdome.marks.lines import LineMaps
from lightdome.marks.records import Trace

WEAK = 0.6
"""Weaker crests, down to this share of the threshold, continue a line that passes it somewhere."""
DIRECTION_REACH_PX = 15
HOOK_PX = 4
"""The last pixels of a piece may bend into what cut it off; its direction is taken before them."""
TURN_DEG = 30.0
NEAR_GAP_PX = 4.0
GAP_SHARE = 0.6
"""A gap is at most this share of the shorter of the two pieces."""
HIDDEN_SHARE, HIDDEN_GAP_SHARE = 0.4, 1.0
"""The same where at least this share of the gap lies in other marks, which hide the line."""
ROUNDS = 3
ENDS_AT_ONCE = 4096
SMOOTH_PX = 2.0
SIMPLIFY_PX = 0.2
NEIGHBOURS = np.ones((3, 3), bool)


def skeleton(strength: np.ndarray, threshold: float) -> np.ndarray:
    """One-pixel-wide lines where connected crests pass the threshold; (rows, columns) bool.

    strength : (rows, columns), zero off the crests. Method: two thresholds as of Canny 1986, gaps of one pixel closed.
    """
    crest = strength > WEAK * threshold
    pieces, count = label(crest, NEIGHBOURS)
    if count == 0:
        return crest
    strong = np.zeros(count + 1, bool)
    strong[pieces[strength > threshold]] = True
    crest = strong[pieces]
    del pieces
    return skeletonize(binary_dilation(crest, NEIGHBOURS))


def branches(lines: np.ndarray) -> list[np.ndarray]:
    """Ordered pixels, (n, 2) row and column, of every stretch of a skeleton between its ends and junctions."""
    degree = convolve(lines.astype(np.uint8), np.ones((3, 3), np.uint8), mode="constant") - 1
    paths = lines & (degree <= 2)
    cols = lines.shape[1]
    left = set(np.flatnonzero(paths).tolist())
    steps = [(row, col) for row in (-1, 0, 1) for col in (-1, 0, 1) if row or col]

    def beside(pixel: int) -> list[int]:
        row, col = divmod(pixel, cols)
        around = ((row + r, col + c) for r, c in steps if 0 <= col + c < cols)
        return [r * cols + c for r, c in around if r * cols + c in left]

    found = []
    # ends first, so that a stretch is walked once and whole; what is left then are closed loops
    for start in sorted(left, key=lambda pixel: (len(beside(pixel)) > 1, pixel)):
        if start not in left:
            continue
        left.discard(start)
        path = [start]
        while onward := beside(path[-1]):
            left.discard(onward[0])
            path.append(onward[0])
        found.append(np.stack(np.divmod(np.array(path), cols), axis=1).astype(float))
    return found


def join(pieces: list[np.ndarray], gap_px: float, below: np.ndarray) -> list[np.ndarray]:
    """Pieces that continue one another, joined end to end.

    Ends are paired, best first, where neither the pieces nor the gap turn by more than 30 degrees, and the gap is short
    against the pieces or lies in another mark (below : (rows, columns) bool); a line that crosses another therefore
    runs through.
    """
    for _ in range(ROUNDS):
        joined = _join_once(pieces, gap_px, below)
        if len(joined) == len(pieces):
            break
        pieces = joined
    return pieces


def _join_once(pieces: list[np.ndarray], gap_px: float, below: np.ndarray) -> list[np.ndarray]:
    if len(pieces) < 2:
        return pieces
    lengths = np.array([len(piece) for piece in pieces], float)
    ends = np.array([piece[index] for piece in pieces for index in (0, -1)])
    anchors, headings = (
        np.array(values)
        for values in zip(*(_heading(piece, index) for piece in pieces for index in (0, -1)), strict=True)
    )
    one, other = _pairs_in_reach(
        ends, np.repeat(np.clip(HIDDEN_GAP_SHARE * lengths, NEAR_GAP_PX, max(gap_px, NEAR_GAP_PX)), 2)
    )
    turn = _angle_deg(headings[one], -headings[other])
    one, other, turn = (values[turn <= TURN_DEG] for values in (one, other, turn))
    gap = anchors[other] - anchors[one]
    unit = gap / np.maximum(np.linalg.norm(gap, axis=1), 1e-9)[:, None]
    bend = np.maximum(_angle_deg(headings[one], unit), _angle_deg(-headings[other], unit))
    distance = np.linalg.norm(ends[other] - ends[one], axis=1)
    near = distance <= NEAR_GAP_PX
    straight = near | (bend <= TURN_DEG / 2)
    one, other, turn, bend, distance, near = (values[straight] for values in (one, other, turn, bend, distance, near))
    hidden = _share_inside(below, ends[one], ends[other]) > HIDDEN_SHARE
    shorter = np.minimum(lengths[one // 2], lengths[other // 2])
    fits = near | (distance <= np.minimum(gap_px, np.where(hidden, HIDDEN_GAP_SHARE, GAP_SHARE) * shorter))
    # across a junction the heading over the gap is known to a pixel only, so it weighs little
    cost = turn / TURN_DEG + np.where(near, bend / 180, bend / TURN_DEG) + distance / max(gap_px, NEAR_GAP_PX)
    order = np.lexsort((other, one, cost))
    partner: dict[int, int] = {}
    for index in order[fits[order]]:
        a, b = int(one[index]), int(other[index])
        if a not in partner and b not in partner:
            partner[a], partner[b] = b, a
    return _chains(pieces, partner)


def _pairs_in_reach(ends: np.ndarray, reach_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of ends of different pieces that lie within the reach (n,) of both; some ends at a time, for memory."""
    tree = cKDTree(ends)
    found = [np.zeros((2, 0), int)]
    for start in range(0, len(ends), ENDS_AT_ONCE):
        some = np.arange(start, min(start + ENDS_AT_ONCE, len(ends)))
        around = tree.query_ball_point(ends[some], reach_px[some])
        one = np.repeat(some, [len(others) for others in around])
        other = np.concatenate([np.array(others, int) for others in around])
        apart = (one < other) & (one // 2 != other // 2)
        one, other = one[apart], other[apart]
        mutual = np.linalg.norm(ends[other] - ends[one], axis=1) <= reach_px[other]
        found.append(np.stack([one[mutual], other[mutual]]))
    one, other = np.concatenate(found, axis=1)
    return one, other


def _share_inside(mask: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Share of the way between points (n, 2) that lies inside a mask."""
    shares = np.linspace(0, 1, 9)[:, None, None]
    at = np.rint(starts + shares * (ends - starts)).astype(int)
    return mask[at[..., 0], at[..., 1]].mean(axis=0)


def _heading(piece: np.ndarray, index: int) -> tuple[np.ndarray, np.ndarray]:
    """Place shortly before one of a piece's ends, and the unit direction in which the piece leaves through it."""
    part = piece[:DIRECTION_REACH_PX] if index == 0 else piece[: -DIRECTION_REACH_PX - 1 : -1]
    part = part[min(HOOK_PX, len(part) // 3) :]
    away = part[0] - part[1:].mean(axis=0) if len(part) > 1 else np.zeros(2)
    return part[0], away / max(float(np.linalg.norm(away)), 1e-9)


def _angle_deg(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.degrees(np.arccos(np.clip((a * b).sum(axis=1), -1, 1)))


def _chains(pieces: list[np.ndarray], partner: dict[int, int]) -> list[np.ndarray]:
    """Follow paired ends; a closed ring of pieces is opened at its first."""
    done: set[int] = set()
    chains = []
    starts = [end for end in range(2 * len(pieces)) if end not in partner] + list(range(2 * len(pieces)))
    for start in starts:
        if start // 2 in done:
            continue
        parts, end = [], start
        while end // 2 not in done:
            done.add(end // 2)
            parts.append(pieces[end // 2] if end % 2 == 0 else pieces[end // 2][::-1])
            onward = partner.get(end ^ 1)
            if onward is None:
                break
            end = onward
        chains.append(np.concatenate(parts))
    return chains


def smooth_line(points: np.ndarray) -> np.ndarray:
    """A pixel path without its stairs, and with few points: steps of a pixel grid make a slanted line 8 % too long."""
    if len(points) < 3:
        return points
    # beyond the ends the path is continued point-symmetrically, so that the ends stay where they are
    reach = min(len(points) - 1, int(4 * SMOOTH_PX))
    before = 2 * points[0] - points[reach:0:-1]
    after = 2 * points[-1] - points[-2 : -2 - reach : -1]
    smooth = gaussian_filter1d(np.concatenate([before, points, after]), SMOOTH_PX, axis=0)[reach : reach + len(points)]
    return approximate_polygon(smooth, SIMPLIFY_PX)


def traces(
    maps: LineMaps,
    below: np.ndarray,
    widths_px: tuple[float, ...],
    kind: str,
    limits: tuple[float, float, float],
) -> list[Trace]:
    """All traces of one kind.

    maps : from `lines.line_maps`. below : (rows, columns) bool, what lies below the land. limits : threshold of the
    strength, longest gap bridged and shortest trace kept, the last two in pixels; a trace is also at least three times
    as long as wide.
    """
    threshold, gap_px, shortest_px = limits
    strength, scale = maps.strength, maps.scale
    found = []
    for path in join(branches(skeleton(strength, threshold)), gap_px, below):
        index = path.astype(int)
        answered = strength[index[:, 0], index[:, 1]] > 0
        at = scale[index[:, 0], index[:, 1]][answered]
        width_px = widths_px[int(np.median(at))] if at.size else widths_px[0]
        if len(path) < max(3, shortest_px, 3 * width_px):
            continue
        line = smooth_line(path)
        if len(line) >= 2 and np.ptp(line, axis=0).max() > 0:
            found.append(Trace(line, width_px, kind))
    return found
