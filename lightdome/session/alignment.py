"""Movement of a frame against its own picture as the other frames predict it, shading and all.

Under another lamp a plate looks another way, and its edges alone cannot quite tell a moved groove from one lit from its
other side. But the light of a pixel under one lamp is close to a sum, with weights that all pixels share, of its light
under the others: exactly so for three lamps and a matte plate out of shadow (Shashua 1997, from memory), nearly so for
a shining one under many. So a frame's patches are mixed from those of all others, and where the frame then differs from
the mixture along the mixture's slopes, it stands elsewhere: steps of Gauss and Newton towards the place where it fits
best (Lucas and Kanade 1981, from memory). Frames that stand still stay where they are and hold the rest.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy import ndimage

from lightdome.session.mixture import mixtures
from lightdome.session.motion import FEW_PATCHES, SURE_AT, Motion, moved_by, rules_at

SUSPECT_PX = 0.1
"""Frames that the edges place nearer to the others than this are left alone."""
SIGMA_PX, TAPS = 1.0, 4
"""Pictures are smoothed: noise counts less, and a step is nearly straight."""
DERIVATIVE = np.array([1, -8, 0, 8, -1], np.float32) / 12
FEWEST_OTHERS = 6
FARTHEST_SHARE = 0.1
"""Of a patch's side: frames that moved farther share too little of it with the others."""
WITHIN_PATCH_PX = 0.05
"""Movements that differ less than this within a patch are taken as one shift."""
DARK_SHARE = 0.02
"""Of the mean light, added to a pixel's before it becomes a weight."""
RIDGE = 1e-6
OUTLIER = 3.0
"""In units of the scatter of what is left: a shadow or a glint beyond it counts less (Cauchy weights, from memory)."""
ROUNDS, CLOSE_PX = 6, 0.01
LEFT_PX, ALIKE = 0.01, 2.5
"""Least standard uncertainty of a shift, and what the spread of the patches is multiplied with: what no mixture of the
others shows, such as glints, pulls at all patches alike. Both from the plates of benchmarks/register.py."""


@dataclass(frozen=True)
class Pulls:
    """What each patch says of the movement still left in some frames: information @ left = pull."""

    information: np.ndarray
    """(frames, patch, 2, 2), 1/px^2."""
    pull: np.ndarray
    """(frames, patch, 2), 1/px."""


@dataclass(frozen=True)
class Place:
    """Where a frame stands, by (4,) parameters as in `Motion`, and how sure that is."""

    moved: np.ndarray
    u_px: float
    u_turn: float

    @property
    def sure(self) -> bool:
        """True where it moved for sure."""
        return bool(self.moved[2:].any() or np.hypot(*self.moved[:2]) >= SURE_AT * self.u_px)


def aligned(
    motion: Motion, patch_light: Callable[[int], np.ndarray], weight: np.ndarray, places_px: np.ndarray, threads: int
) -> Motion:
    """The movements anew of frames that do not stand still, where the other frames can predict them.

    patch_light : gives the light (frames, P, P), float32, of one patch of every frame.  weight : (patch, P, P), 0-1, on
    the plate.  places_px : (patch, 2), see `edges.middles_px`.
    """
    far = FARTHEST_SHARE * weight.shape[1]
    known = np.hstack([motion.shift_px, motion.turn])
    near = np.flatnonzero(motion.reliable & (np.abs(moved_by(known, places_px)).max(axis=(1, 2)) <= far))
    suspect = (np.hypot(*motion.measured_px.T) >= SUSPECT_PX) | motion.turn.any(axis=1)
    wanted = np.flatnonzero(suspect[near])
    if len(places_px) < FEW_PATCHES or len(near) <= FEWEST_OTHERS or not wanted.size:
        return motion
    turning = bool(np.isfinite(motion.u_turn).any())
    moved = known[near]
    for _ in range(ROUNDS):
        pulls = _pulls(patch_light, near, weight, places_px, moved, wanted, threads)
        before = moved.copy()
        stand = []
        for index, information, pull in zip(wanted, pulls.information, pulls.pull, strict=True):
            place, free = _stands(information, pull, moved[index], places_px, turning)
            stand.append(place)
            moved[index] = free if place.sure else 0  # those that stand still hold the others
        if np.abs(moved_by(moved - before, places_px)).max() < CLOSE_PX:
            break
    return _replaced(motion, dict(zip(near[wanted], stand, strict=True)))


def _replaced(motion: Motion, found: dict[int, Place]) -> Motion:
    """The motion with the places found, where they are surer than the edges and do not contradict them."""
    shift, measured, turn = motion.shift_px.copy(), motion.measured_px.copy(), motion.turn.copy()
    u_px, u_turn = motion.u_px.copy(), motion.u_turn.copy()
    for index, place in found.items():
        apart_px = np.hypot(*(place.moved[:2] - motion.measured_px[index]))
        if not place.u_px < motion.u_px[index] or apart_px > SURE_AT * motion.u_px[index]:
            continue
        measured[index], u_px[index], u_turn[index] = place.moved[:2], place.u_px, place.u_turn
        shift[index], turn[index] = (place.moved[:2], place.moved[2:]) if place.sure else (0, 0)
    return replace(motion, shift_px=shift, measured_px=measured, turn=turn, u_px=u_px, u_turn=u_turn)


def _stands(
    information: np.ndarray, pull: np.ndarray, moved: np.ndarray, places_px: np.ndarray, turning: bool
) -> tuple[Place, np.ndarray]:
    """Where a frame stands, turned only where that is sure, and its parameters (4,) with rotation and scale left free.

    information, pull : of its patches, at parameters `moved` (4,).
    """
    rules = rules_at(places_px)
    free, u_turn = None, np.nan
    if turning:
        radius_px = np.hypot(*(places_px - places_px.mean(axis=0)).T)
        step, covariance = _solved(information, pull, rules)
        free = moved + step
        u_turn = float(np.hypot(np.sqrt(np.trace(covariance[2:, 2:]) / 2), LEFT_PX / np.sqrt((radius_px**2).sum())))
        if np.hypot(*free[2:]) >= SURE_AT * u_turn:
            u_px = float(np.hypot(np.sqrt(np.trace(covariance[:2, :2])), LEFT_PX))
            return Place(free, u_px, u_turn), free
    # it was not turned: what it was turned by so far comes back as shifts of its patches
    back = np.einsum("pin,n->pi", rules[:, :, 2:], moved[2:])
    step, covariance = _solved(information, pull + np.einsum("pij,pj->pi", information, back), rules[:, :, :2])
    place = Place(
        np.append(moved[:2] + step, (0.0, 0.0)), float(np.hypot(np.sqrt(np.trace(covariance)), LEFT_PX)), u_turn
    )
    return place, place.moved if free is None else free


def _solved(information: np.ndarray, pull: np.ndarray, rules: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Step (n,) of the parameters that move patches by `rules` (patch, 2, n), and its covariance from the spread of the
    patches (see `correlation.climb`); infinite where they do not tell."""
    total = np.einsum("pin,pij,pjm->nm", rules, information, rules)
    unknown = rules.shape[2]
    left = len(rules) - unknown / 2
    scale = np.sqrt(np.diag(total))
    if not (scale > 0).all() or np.linalg.cond(total / np.outer(scale, scale)) > 1e9:
        return np.zeros(unknown), np.full((unknown, unknown), np.inf)
    inverse = np.linalg.inv(total)
    step = inverse @ np.einsum("pin,pi->n", rules, pull)
    still = np.einsum("pin,pi->pn", rules, pull - np.einsum("pij,pjn,n->pi", information, rules, step))
    return step, ALIKE**2 * len(rules) / left * inverse @ (still.T @ still) @ inverse


def _pulls(
    patch_light: Callable[[int], np.ndarray],
    near: np.ndarray,
    weight: np.ndarray,
    places_px: np.ndarray,
    moved: np.ndarray,
    wanted: np.ndarray,
    threads: int,
) -> Pulls:
    turns = np.array([[[1 + a, -b], [b, 1 + a]] for a, b in moved[:, 2:]])
    shifts = moved_by(moved, places_px)

    def one(patch: int) -> tuple[np.ndarray, np.ndarray]:
        return patch_pulls(patch_light(patch)[near], weight[patch], turns, shifts[:, patch], wanted)

    with ThreadPoolExecutor(threads) as pool:
        parts = list(pool.map(one, range(len(weight))))
    return Pulls(np.stack([part[0] for part in parts], axis=1), np.stack([part[1] for part in parts], axis=1))


def patch_pulls(
    light: np.ndarray, weight: np.ndarray, turns: np.ndarray, shifts_px: np.ndarray, wanted: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Information (wanted, 2, 2) and pull (wanted, 2) of one patch; see `Pulls`.

    light : (frames, P, P), of the frames that predict one another.  weight : (P, P), 0-1, on the plate.
    turns : (frames, 2, 2) and shifts_px : (frames, 2): a place q from the patch's middle is seen at shift + turn q.
    wanted : numbers of the frames asked for.
    """
    side = light.shape[1]
    moved = np.abs(shifts_px).max() + np.abs(turns - np.eye(2)).sum(axis=2).max() * side / 2
    margin = int(np.ceil(moved)) + TAPS + 1
    inner = slice(margin, side - margin)
    back = np.stack([_brought_back(*one, inner) for one in zip(light, turns, shifts_px, strict=True)])
    plate = cv2.erode(weight, np.ones((2 * margin + 1, 2 * margin + 1)), borderValue=0)[inner, inner]
    mean = back.mean(axis=0)
    root = (plate / (np.maximum(mean, 0) + DARK_SHARE * mean.mean() + 1e-6)).ravel()
    flat = back.reshape(len(back), -1)
    weighted = flat * root
    mixing, inverse = mixtures(weighted @ weighted.T, RIDGE)
    information, pull = np.zeros((len(wanted), 2, 2)), np.zeros((len(wanted), 2))
    for place, index in enumerate(wanted):
        mixture = (mixing[index] @ flat).reshape(mean.shape)
        left = root * (flat[index] - mixture.ravel())
        slopes = root * np.stack([_slope(mixture, axis).ravel() for axis in (0, 1)])
        # of the slopes, what no mixture of the others can imitate
        others = inverse - np.outer(inverse[:, index], inverse[index]) / inverse[index, index]
        slopes -= ((slopes @ weighted.T) @ others).astype(np.float32) @ weighted
        scatter = 1.4826 * float(np.median(np.abs(left[root > 0]))) if root.any() else 0.0
        if scatter > 0:
            trusted = slopes / (1 + (left / (OUTLIER * scatter)) ** 2) / scatter**2
            information[place], pull[place] = trusted @ slopes.T, -trusted @ left
    return information, pull


def _brought_back(picture: np.ndarray, turn: np.ndarray, shift_px: np.ndarray, inner: slice) -> np.ndarray:
    """Part of a smoothed picture (P, P), float32, moved back to where the others stand."""
    side = len(picture)
    if np.abs(turn - np.eye(2)).sum(axis=1).max() * side / 2 > WITHIN_PATCH_PX:
        middle = np.full(2, (side - 1) / 2)
        picture = ndimage.affine_transform(picture, turn, shift_px + middle - turn @ middle, order=3, mode="nearest")
        shift_px = np.zeros(2)
    whole = np.rint(shift_px).astype(int)
    rows, cols = (slice(inner.start - TAPS + at, inner.stop + TAPS + at) for at in whole)
    down, right = (_gaussian(part) for part in shift_px - whole)
    smooth = cv2.sepFilter2D(np.ascontiguousarray(picture[rows, cols]), -1, right, down)
    return np.asarray(smooth[TAPS:-TAPS, TAPS:-TAPS])


def _gaussian(part_px: float) -> np.ndarray:
    """Taps of a Gaussian that smooths and looks `part_px` farther on at once."""
    taps = np.exp(-0.5 * ((np.arange(-TAPS, TAPS + 1) - part_px) / SIGMA_PX) ** 2)
    return (taps / taps.sum()).astype(np.float32)


def _slope(picture: np.ndarray, axis: int) -> np.ndarray:
    kernel = DERIVATIVE[:, None] if axis == 0 else DERIVATIVE[None]
    return np.asarray(cv2.filter2D(picture, -1, kernel, borderType=cv2.BORDER_REPLICATE))
