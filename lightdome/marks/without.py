"""A height map as it was before some marks: their sections taken off, what they destroyed continued from beside."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lightdome.marks.beside import Beside, beside
from lightdome.marks.crossings import dense
from lightdome.marks.fill import fill
from lightdome.marks.lift import Lift, lift_of
from lightdome.tiles import progress

MEASURED, TAKEN_OFF, CONTINUED = range(3)
"""How a height was found: as measured; measured less the mark's own section; continued from what lies beside."""
ROWS_AT_ONCE = 1024


@dataclass(frozen=True)
class _Known:
    """A trace whose section is known."""

    points_px: np.ndarray
    reach_px: float
    lift: Lift


def without(
    height_um: np.ndarray, mask: np.ndarray, traces: Sequence[np.ndarray], rough_um: float
) -> tuple[np.ndarray, np.ndarray]:
    """Height (rows, columns) float32 without the marks of a mask, and how it was found, uint8.

    height_um : (rows, columns), um; NaN stays NaN. mask : bool, the marks with their ridges. traces : centre lines
    (n, 2), row and column, of the long ones; where none runs, all is continued from beside, and stays as measured where
    nothing beside is known. rough_um : rise a pixel that is no structure.
    """
    found = height_um.astype(np.float32, copy=True)
    how = np.zeros(mask.shape, np.uint8)
    mask = mask & np.isfinite(height_um)
    if not mask.any():
        return found, how
    lifts = _lifts(height_um, mask, traces)
    strips = [_strip_taken_off(mask, start, lifts) for start in range(0, len(mask), ROWS_AT_ONCE)]
    pixels, lift_um, half_px = (np.concatenate(part) for part in zip(*strips, strict=True))
    del strips
    lost = (half_px > 0) | np.isnan(lift_um)
    ridge = pixels[~lost]
    found.ravel()[ridge] -= lift_um[~lost]
    how.ravel()[ridge] = TAKEN_OFF
    pixels = pixels[lost]
    values = fill(found, pixels, lift_um[lost], half_px[lost], rough_um)
    kept = np.isfinite(values)
    found.ravel()[pixels[kept]] = values[kept]
    how.ravel()[pixels[kept]] = CONTINUED
    return found, how


def reach_beside(mask: np.ndarray, traces: Sequence[np.ndarray]) -> list[float]:
    """How far a mask (rows, columns) goes beside each trace: the median distance from trace to edge, pixels, from 1."""
    import cv2

    edge_px = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    reaches = []
    for points in traces:
        at = np.rint(dense(points)).astype(int)
        inside = ((at >= 0) & (at < edge_px.shape)).all(axis=1)
        found = np.minimum(edge_px[at[inside, 0], at[inside, 1]], max(mask.shape))  # without any edge it has no end
        found = found[found > 0]
        reaches.append(max(float(np.median(found)) if found.size else 0.0, 1.0))
    return reaches


def _lifts(height_um: np.ndarray, mask: np.ndarray, traces: Sequence[np.ndarray]) -> list[_Known]:
    """The traces whose section is known."""
    reaches = reach_beside(mask, traces)
    found = []
    for points, reach_px in zip(progress(traces, "sections taken off"), reaches, strict=True):
        lift = lift_of(height_um, points, reach_px)
        if lift is not None:
            # the mask's rim belongs to its trace, with nothing to take off
            found.append(_Known(points, reach_px + 1.0, lift))
    return found


def _strip_taken_off(
    mask: np.ndarray, start: int, known: Sequence[_Known]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Masked pixels of some rows (flat index into the field), and what `_taken_off` says of them."""
    strip = mask[start : start + ROWS_AT_ONCE]
    here = [
        one
        for one in known
        if one.points_px[:, 0].max() + one.reach_px >= start
        and one.points_px[:, 0].min() - one.reach_px < start + len(strip)
    ]
    near = beside(strip, [one.points_px - (start, 0) for one in here], [one.reach_px for one in here])
    return near.pixels + start * mask.shape[1], *_taken_off(near, [one.lift for one in here])


def _taken_off(near: Beside, lifts: Sequence[Lift]) -> tuple[np.ndarray, np.ndarray]:
    """Of each pixel: what the marks there added, um, NaN where no trace runs; half width of the groove, 0 beside it.

    Two marks that cross have added both.
    """
    lift_um = np.full(len(near.pixels), np.nan, np.float32)
    half_px = np.zeros(len(near.pixels), np.float32)
    for trace, along_px, offset_px in zip(near.trace, near.along_px, near.offset_px, strict=True):
        order = np.argsort(trace, kind="stable")
        edges = np.searchsorted(trace[order], np.arange(len(lifts) + 1))
        for lift, start, stop in zip(lifts, edges[:-1], edges[1:], strict=True):
            here = order[start:stop]
            added = lift.at(along_px[here], offset_px[here])
            lift_um[here] = np.where(np.isnan(lift_um[here]), added, lift_um[here] + added)
            low, high = lift.groove_px
            groove = (offset_px[here] >= low) & (offset_px[here] <= high)
            half_px[here] = np.maximum(half_px[here], np.where(groove, (high - low) / 2, 0))
    return lift_um, half_px
