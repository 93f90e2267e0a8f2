"""Crest pixels joined into traces: skeleton, branches, and branches that continue one another."""

import numpy as np
from scipy.ndimage import binary_dilation, convolve, gaussian_filter1d, label
from skimage.measure import approximate_polygon
from skimage.morphology import skeletonize

from lightdome.marks.joins import join, rejoin_corners, split_at_corners
from lightdome.marks.lines import LineMaps
from lightdome.marks.records import Trace

WEAK = 0.6
"""Weaker crests, down to this share of the threshold, continue a line that passes it somewhere."""
SMOOTH_PX = 2.0
SIMPLIFY_PX = 0.2
NEIGHBOURS = np.ones((3, 3), bool)


def skeleton(strength: np.ndarray, threshold: float, glints: np.ndarray | None = None) -> np.ndarray:
    """One-pixel-wide lines where connected crests pass the threshold; (rows, columns) bool.

    strength, glints : (rows, columns), zero off the crests. Method: two thresholds as of Canny 1986, gaps of one pixel
    closed.
    """

    def above(level: float) -> np.ndarray:
        return strength > level if glints is None else (strength > level) | (glints > level)

    crest = above(WEAK * threshold)
    pieces, count = label(crest, NEIGHBOURS)
    if count == 0:
        return crest
    strong = np.zeros(count + 1, bool)
    strong[pieces[above(threshold)]] = True
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


def _kind(strength: np.ndarray, path: np.ndarray) -> int:
    """Whether the height shows most of a path (1), or only the light of its pixels (0)."""
    index = path.astype(int)
    return int((strength[index[:, 0], index[:, 1]] > 0).mean() > 0.5)


def _shine(glints: np.ndarray, least: float, path: np.ndarray) -> tuple[float, float]:
    """Share of a path's pixels (n, 2) that lie within a pixel of a shining crest, and the median strength there."""
    rows, cols = glints.shape
    strongest = np.zeros(len(path), np.float32)
    for row in (-1, 0, 1):
        for col in (-1, 0, 1):
            at = np.clip(path[:, 0] + row, 0, rows - 1), np.clip(path[:, 1] + col, 0, cols - 1)
            np.maximum(strongest, glints[at], out=strongest)
    seen = strongest > least
    return float(seen.mean()), float(np.median(strongest[seen])) if seen.any() else 0.0


def traces(
    maps: LineMaps,
    below: np.ndarray,
    widths_px: tuple[float, ...],
    kind: str,
    limits: tuple[float, float, float],
    glints: np.ndarray | None = None,
) -> list[Trace]:
    """All traces of one kind.

    maps : from `lines.line_maps`. below : (rows, columns) bool, what lies below the land. limits : threshold of the
    strength, longest gap bridged and shortest trace kept, the last two in pixels; a trace is also at least three times
    as long as wide.
    """
    threshold, gap_px, shortest_px = limits
    strength, scale = maps.strength, maps.scale
    found = []
    pieces = [part for path in branches(skeleton(strength, threshold, glints)) for part in split_at_corners(path)]
    log_width = np.log(np.array(widths_px))

    def look(at: np.ndarray) -> np.ndarray:
        seen = strength[at[:, 0], at[:, 1]] > 0
        return log_width[scale[at[:, 0], at[:, 1]][seen]]

    pieces = join(pieces, gap_px, below, look)
    for path in rejoin_corners(pieces, [_kind(strength, path) for path in pieces]):
        index = path.astype(int)
        answered = strength[index[:, 0], index[:, 1]] > 0
        at = scale[index[:, 0], index[:, 1]][answered]
        width_px = widths_px[int(np.median(at))] if at.size else widths_px[0]
        if len(path) < max(3, shortest_px, 3 * width_px):
            continue
        line = smooth_line(path)
        if len(line) >= 2 and np.ptp(line, axis=0).max() > 0:
            shine = (0.0, 0.0) if glints is None else _shine(glints, WEAK * threshold, index)
            found.append(Trace(line, width_px, kind, *shine, float(answered.mean())))
    return found
