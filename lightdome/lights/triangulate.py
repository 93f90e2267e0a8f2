"""Places of lamps from their highlights on spheres: crossing rays, then all lamps, spheres and the camera together."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from lightdome.lights.sphere_rays import balls, highlights, mirrored_rays
from lightdome.lights.view import View

LOOSE = 2.0
"""Residuals larger than a few standard uncertainties pull less (soft L1)."""
U_CAMERA = 0.02
"""Relative standard uncertainty of the camera's distance before the highlights are seen: the entrance pupil lies
somewhere inside the lens, and the distance is taken with a tape (from practice, no source)."""
STEP_MM, STEP_PX, STEP_RELATIVE = 1e-2, 1e-3, 1e-5
"""Of the differences that stand for derivatives."""


@dataclass(frozen=True)
class Sight:
    """What is known before the lamps are: spheres and the highlights on them."""

    view: View
    circles_px: np.ndarray
    """(M, 3): column, row, radius of each rim."""
    u_circles_px: np.ndarray
    """(M,): standard uncertainty of each of the three."""
    heights_mm: np.ndarray
    """(M,): of the spheres' centres above the plate."""
    highlights_px: np.ndarray
    """(L, M, 2): column, row; NaN where there is none."""
    u_highlights_px: np.ndarray
    """(L, M)."""

    @property
    def seen(self) -> np.ndarray:
        """True (L, M) where there is a highlight."""
        return np.isfinite(self.highlights_px).all(axis=2)

    def rays(self) -> tuple[np.ndarray, np.ndarray]:
        """Points (L, M, 3), mm, and directions (L, M, 3) from them toward the lamps."""
        centres, radii = balls(self.view, self.circles_px, self.heights_mm)
        return mirrored_rays(self.view, centres[None], radii[None], self.highlights_px)


@dataclass(frozen=True)
class Places:
    """Where the lamps stand."""

    lamps_mm: np.ndarray
    """(L, 3)"""
    covariance_mm2: np.ndarray
    """(L, 3, 3)"""
    residuals_px: np.ndarray
    """(L, M, 2): highlight seen less highlight computed; NaN where there is none."""
    sight: Sight
    """With circles and camera as refined."""
    widening: float
    """Residuals over what the uncertainties promised, where more than 1; the covariance holds it."""


def crossing(points: np.ndarray, toward: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, float]:
    """The place (3,) nearest to rays from points (M, 3) along unit vectors (M, 3), and how well it is fixed.

    s = [sum w (I - l l')]^-1 sum w (I - l l') P. The second number is the ratio of largest to smallest singular value
    of the matrix in brackets: infinite where the rays are parallel (least squares).
    """
    across = weight[:, None, None] * (np.eye(3) - toward[:, :, None] * toward[:, None, :])
    matrix = across.sum(axis=0)
    values = np.linalg.svd(matrix, compute_uv=False)
    place = np.linalg.lstsq(matrix, np.einsum("mij,mj->i", across, points), rcond=None)[0]
    return place, float(values[0] / values[-1]) if values[-1] > 0 else np.inf


def crossings(sight: Sight) -> np.ndarray:
    """First places (L, 3), mm, of lamps seen on two spheres or more; NaN for the others."""
    points, toward = sight.rays()
    usable = sight.seen & np.isfinite(toward).all(axis=2)
    places = np.full((len(points), 3), np.nan)
    for index in np.flatnonzero(usable.sum(axis=1) >= 2):
        use = usable[index]
        places[index] = crossing(points[index, use], toward[index, use], np.ones(int(use.sum())))[0]
    return places


def refine_together(
    sight: Sight, start_mm: np.ndarray, prior_mm: np.ndarray | None = None, u_prior_mm: np.ndarray | None = None
) -> Places:
    """All lamps, the spheres' circles and the camera's distance, by the highlights they make together.

    Least squares, robust (soft L1), of what is seen less what is computed, each over its standard uncertainty: the
    highlights, the rims, in perspective the camera's distance, and the places of a lamp table where there are some
    (prior_mm (L, 3), NaN where none, with standard uncertainties u_prior_mm (L,) of each coordinate). The covariance
    is the inverse of J'J (JCGM 100 annex H.3 for the linear case), widened where residuals are larger than promised.
    """
    problem = _Problem(sight, prior_mm, u_prior_mm)
    x0 = np.concatenate([start_mm.ravel(), sight.circles_px.ravel(), np.zeros(problem.cameras)])
    found = least_squares(
        problem.residuals, x0, jac=problem.jacobian, loss="soft_l1", f_scale=LOOSE, x_scale="jac", max_nfev=60
    )
    lamps, refined = problem.parts(found.x)
    jacobian = problem.jacobian(found.x)
    residuals = problem.residuals(found.x)
    # the same reweighting as the loss: a highlight that no place explains says nothing of the place's uncertainty
    weight = 1 / np.sqrt(1 + (residuals / LOOSE) ** 2)
    covariance = np.linalg.pinv((jacobian * weight[:, None]).T @ jacobian, hermitian=True)
    free = max(len(residuals) - len(found.x), 1)
    widening = max(1.0, float(np.sqrt((weight * residuals**2).sum() / free)))
    count = 3 * len(lamps)
    blocks = covariance[:count, :count].reshape(len(lamps), 3, len(lamps), 3)
    own = blocks[np.arange(len(lamps)), :, np.arange(len(lamps))]
    centres, radii = balls(refined.view, refined.circles_px, refined.heights_mm)
    misses = sight.highlights_px - highlights(refined.view, centres, radii, lamps, near=True)
    return Places(lamps, own * widening**2, misses, refined, widening)


class _Problem:
    """Residuals and their derivatives; a lamp's residuals depend on that lamp, the spheres and the camera alone."""

    def __init__(self, sight: Sight, prior_mm: np.ndarray | None, u_prior_mm: np.ndarray | None) -> None:
        self.sight, self.seen = sight, sight.seen
        self.lamps, self.spheres = self.seen.shape
        self.cameras = int(sight.view.distance_mm is not None)
        self.prior_mm, self.u_prior_mm = prior_mm, u_prior_mm
        self.known = np.zeros((self.lamps, 3), bool) if prior_mm is None else np.isfinite(prior_mm)
        self.lamp_of_row = np.concatenate(
            [
                np.nonzero(self.seen)[0].repeat(2),
                np.full(3 * self.spheres + self.cameras, -1),
                np.nonzero(self.known)[0],
            ]
        )

    def parts(self, x: np.ndarray) -> tuple[np.ndarray, Sight]:
        """Lamps (L, 3), and the sight with circles and camera as in the unknowns."""
        lamps = x[: 3 * self.lamps].reshape(-1, 3)
        circles = x[3 * self.lamps : 3 * (self.lamps + self.spheres)].reshape(-1, 3)
        view = self.sight.view
        if view.distance_mm is not None:
            view = replace(view, distance_mm=view.distance_mm * float(np.exp(x[-1])))
        return lamps, replace(self.sight, view=view, circles_px=circles)

    def residuals(self, x: np.ndarray) -> np.ndarray:
        lamps, sight = self.parts(x)
        centres, radii = balls(sight.view, sight.circles_px, sight.heights_mm)
        miss = sight.highlights_px - highlights(sight.view, centres, radii, lamps, near=True)
        rims = (sight.circles_px - self.sight.circles_px) / self.sight.u_circles_px[:, None]
        parts = [(miss / sight.u_highlights_px[..., None])[self.seen].ravel(), rims.ravel()]
        if self.cameras:
            parts.append(x[-1:] / U_CAMERA)
        if self.prior_mm is not None and self.u_prior_mm is not None:
            parts.append(((lamps - self.prior_mm) / self.u_prior_mm[:, None])[self.known])
        return np.concatenate(parts)

    def jacobian(self, x: np.ndarray) -> np.ndarray:
        """Differences; the same coordinate of all lamps is moved at once."""
        rows = self.lamp_of_row
        result = np.zeros((len(rows), len(x)))
        of_lamp = np.flatnonzero(rows >= 0)
        for axis in range(3):
            step = np.zeros(len(x))
            step[axis : 3 * self.lamps : 3] = STEP_MM
            change = _difference(self.residuals, x, step) / (2 * STEP_MM)
            result[of_lamp, 3 * rows[of_lamp] + axis] = change[of_lamp]
        for column in range(3 * self.lamps, len(x)):
            size = STEP_PX if column < 3 * (self.lamps + self.spheres) else STEP_RELATIVE
            step = np.zeros(len(x))
            step[column] = size
            result[:, column] = _difference(self.residuals, x, step) / (2 * size)
        return result


def _difference(function: Callable[[np.ndarray], np.ndarray], x: np.ndarray, step: np.ndarray) -> np.ndarray:
    return function(x + step) - function(x - step)
