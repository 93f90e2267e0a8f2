"""Pieces of lines that continue one another, joined end to end; pieces that turn a corner, split there."""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

Look = Callable[[np.ndarray], np.ndarray]
DIRECTION_REACH_PX = 15
HOOK_PX = 4
"""The last pixels of a piece may bend into what cut it off; its direction is taken before them."""
TURN_DEG = 30.0
OPEN_DEG = 8.0
NEAR_GAP_PX = 4.0
GAP_SHARE = 0.6
"""A gap is at most this share of the shorter of the two pieces."""
HIDDEN_SHARE, HIDDEN_GAP_SHARE = 0.4, 1.0
"""The same where at least this share of the gap lies in other marks, which hide the line."""
ALIGNED_DEG, ALIGNED_GAP_SHARE = 6.0, 0.5
"""A hidden gap between pieces that point at each other so well may be this share of the longer of them."""
UNLIKE = 0.3
"""Cost of one natural logarithm between the widths of two pieces; a turn of 30 degrees costs 2."""
ROUNDS = 3
ENDS_AT_ONCE = 1024
CORNER_DEG = 40.0
"""A path that turns by more within CORNER_REACH_PX has run from one line into another."""
CORNER_REACH_PX = 6
LEAST_PIECE_PX = 5


def split_at_corners(piece: np.ndarray) -> list[np.ndarray]:
    """A path (n, 2) cut where it turns sharply; a bend that goes on alike before and after is no corner."""
    reach = CORNER_REACH_PX
    if len(piece) < 2 * (reach + LEAST_PIECE_PX):
        return [piece]
    path = gaussian_filter1d(piece, 1.0, axis=0, mode="nearest")
    near, far = _turn_deg(path, reach), _turn_deg(path, 2 * reach)
    excess = np.abs(2 * near - far)
    excess[: reach + 1] = excess[-reach - 1 :] = 0
    cuts = [0]
    for index in np.argsort(-excess):
        if excess[index] <= CORNER_DEG:
            break
        if min(abs(index - other) for other in (*cuts, len(piece) - 1)) >= LEAST_PIECE_PX + 1:
            cuts.append(int(index))
    cuts = [*sorted(cuts), len(piece)]
    # the pixel at the corner belongs to neither
    return [piece[start + (start > 0) : end] for start, end in pairwise(cuts)]


def _turn_deg(path: np.ndarray, reach: int) -> np.ndarray:
    """Angle (n,), degrees, signed, between the chords before and after each point; both are cut short at the ends."""
    index = np.arange(len(path))
    before = path - path[np.maximum(index - reach, 0)]
    after = path[np.minimum(index + reach, len(path) - 1)] - path
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return np.degrees(np.arctan2(cross, (before * after).sum(axis=1)))


def rejoin_corners(pieces: list[np.ndarray], kinds: list[int]) -> list[np.ndarray]:
    """Pieces of one kind whose ends meet, joined although they turn: one line with a corner.

    kinds : what each piece looks like; pieces of different kinds stay apart.
    """
    if len(pieces) < 2:
        return pieces
    ends = np.array([piece[index] for piece in pieces for index in (0, -1)])
    found = cKDTree(ends).query_pairs(NEAR_GAP_PX, output_type="ndarray")
    count = np.bincount(found.ravel(), minlength=len(ends))
    partner: dict[int, int] = {}
    for one, other in found:
        # where three ends meet nothing says which two belong together
        alone = count[one] == 1 and count[other] == 1
        if alone and one // 2 != other // 2 and kinds[one // 2] == kinds[other // 2]:
            partner[int(one)], partner[int(other)] = int(other), int(one)
    return _chains(pieces, partner)


def join(pieces: list[np.ndarray], gap_px: float, below: np.ndarray, look: Look) -> list[np.ndarray]:
    """Pieces that continue one another, joined end to end.

    look : logarithms of the line's width at those of some pixels (n, 2) that know it: of several pieces that could go
    on, the most alike does.

    Ends are paired, best first, where neither the pieces nor the gap turn by more than 30 degrees, and the gap is short
    against the pieces or lies in another mark (below : (rows, columns) bool); a line that crosses another therefore
    runs through.
    """
    for _ in range(ROUNDS):
        joined = _join_once(pieces, gap_px, below, look)
        if len(joined) == len(pieces):
            break
        pieces = joined
    return pieces


def _join_once(pieces: list[np.ndarray], gap_px: float, below: np.ndarray, look: Look) -> list[np.ndarray]:
    if len(pieces) < 2:
        return pieces
    lengths = np.array([len(piece) for piece in pieces], float)
    ends = np.array([piece[index] for piece in pieces for index in (0, -1)])
    anchors, headings = (
        np.array(values)
        for values in zip(*(_heading(piece, index) for piece in pieces for index in (0, -1)), strict=True)
    )
    looks = np.array([_look_at_end(piece, index, look) for piece in pieces for index in (0, -1)])
    one, other = _pairs_in_reach(ends, lengths, gap_px)
    turn = _angle_deg(headings[one], -headings[other])
    one, other, turn = (values[turn <= TURN_DEG] for values in (one, other, turn))
    gap = anchors[other] - anchors[one]
    unit = gap / np.maximum(np.linalg.norm(gap, axis=1), 1e-9)[:, None]
    bend = np.maximum(_angle_deg(headings[one], unit), _angle_deg(-headings[other], unit))
    distance = np.linalg.norm(ends[other] - ends[one], axis=1)
    near = distance <= NEAR_GAP_PX
    hidden = _share_inside(below, ends[one], ends[other]) > HIDDEN_SHARE
    # over an open gap, where nothing hides the line, only what points straight at the other goes on
    bound = np.where(hidden, TURN_DEG / 2, OPEN_DEG)
    straight = near | ((bend <= bound) & (turn <= 2 * bound))
    one, other, turn, bend, distance, near, hidden = (
        values[straight] for values in (one, other, turn, bend, distance, near, hidden)
    )
    shorter = np.minimum(lengths[one // 2], lengths[other // 2])
    fits = near | (distance <= np.minimum(gap_px, np.where(hidden, HIDDEN_GAP_SHARE, GAP_SHARE) * shorter))
    longer = np.maximum(lengths[one // 2], lengths[other // 2])
    aligned = hidden & (np.maximum(turn, bend) <= ALIGNED_DEG)
    fits |= aligned & (distance <= np.minimum(gap_px, ALIGNED_GAP_SHARE * longer))
    # across a junction the heading over the gap is known to a pixel only, so it weighs little
    cost = 2 * turn / TURN_DEG + np.where(near, bend / 180, 2 * bend / TURN_DEG) + distance / max(gap_px, NEAR_GAP_PX)
    cost += UNLIKE * np.abs(looks[one] - looks[other])
    order = np.lexsort((other, one, cost))
    partner: dict[int, int] = {}
    for index in order[fits[order]]:
        a, b = int(one[index]), int(other[index])
        if a not in partner and b not in partner:
            partner[a], partner[b] = b, a
    return _chains(pieces, partner)


def _pairs_in_reach(ends: np.ndarray, lengths: np.ndarray, gap_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of ends of different pieces that any rule could join; some ends at a time, for memory.

    ends : (2 n, 2), two a piece. lengths : (n,). No rule bridges more than the longer of two pieces, so that the longer
    one looks for the shorter.
    """
    tree = cKDTree(ends)
    length = np.repeat(lengths, 2)
    rank = np.empty(len(ends), int)
    rank[np.lexsort((np.arange(len(ends)), length))] = np.arange(len(ends))
    found = [np.zeros((2, 0), int)]
    for start in range(0, len(ends), ENDS_AT_ONCE):
        some = np.arange(start, min(start + ENDS_AT_ONCE, len(ends)))
        around = tree.query_ball_point(ends[some], np.clip(length[some], NEAR_GAP_PX, max(gap_px, NEAR_GAP_PX)))
        one = np.repeat(some, [len(others) for others in around])
        other = np.concatenate([np.array(others, int) for others in around])
        wanted = (rank[other] < rank[one]) & (one // 2 != other // 2)
        one, other = one[wanted], other[wanted]
        most = np.maximum(HIDDEN_GAP_SHARE * length[other], ALIGNED_GAP_SHARE * length[one])
        within = np.linalg.norm(ends[other] - ends[one], axis=1) <= np.maximum(most, NEAR_GAP_PX)
        pairs = np.stack([one[within], other[within]])
        found.append(np.sort(pairs, axis=0))
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


def _look_at_end(piece: np.ndarray, index: int, look: Look) -> float:
    """Median of what is known of a piece's look near one of its ends; 0 where nothing is."""
    part = piece[:DIRECTION_REACH_PX] if index == 0 else piece[-DIRECTION_REACH_PX:]
    values = look(part.astype(int))
    return float(np.median(values)) if values.size else 0.0


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
