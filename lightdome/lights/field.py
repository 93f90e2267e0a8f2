"""Direction and irradiance of every lamp at every point of the plate."""

from typing import NamedTuple

import numba
import numpy as np

from lightdome.lights.lamps import LampSet


def lamp_field(lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Directions (L, 3, rows, columns) and irradiances (L, rows, columns), float32, on a grid of the plate.

    Directions are unit vectors from the plate surface (z = 0) toward the lamp. The irradiance is that of a surface
    facing the lamp, so that light = reflectance x irradiance x max(0, n.l) for a matte surface:

    - near: power (r0 / d)^2 cos^m, r0 the lamp's distance from the origin, d its distance from the point, m the beam
      exponent about the lamp's axis, which is aimed at the origin (physics; inverse-square law, cos^m lamp model);
    - distant: power;
    - divided by a flat board: 1 / l_z, since the board held the rest and its own cosine.

    x_mm : (columns,), mm.  y_mm : (rows,), mm.
    """
    to_lamp = np.empty((len(lamps.names), 3, len(y_mm), len(x_mm)), np.float32)
    irradiance = np.empty((len(lamps.names), len(y_mm), len(x_mm)), np.float32)
    _field(Lamps.of(lamps), x_mm.astype(np.float32), y_mm.astype(np.float32), to_lamp, irradiance)
    return to_lamp, irradiance


class Lamps(NamedTuple):
    """A lamp set as the inner loops want it, float32."""

    vectors: np.ndarray
    """(L, 3): positions in mm, or unit vectors toward the lamps."""
    axes: np.ndarray
    """(L, 3): unit vectors from the origin toward the lamps."""
    strength: np.ndarray
    """(L,): irradiance at a distance of 1 mm (near) or everywhere (distant)."""
    beam: np.float32
    near: bool
    flat_divided: bool

    @classmethod
    def of(cls, lamps: LampSet) -> "Lamps":
        """Single precision for the inner loops."""
        near = lamps.model == "near"
        reach2 = (lamps.vectors**2).sum(axis=1) if near else 1.0
        return cls(
            vectors=np.ascontiguousarray(lamps.vectors, np.float32),
            axes=np.ascontiguousarray(lamps.unit_vectors, np.float32),
            strength=np.ascontiguousarray(lamps.power * reach2, np.float32),
            beam=np.float32(lamps.beam_exponent if near else 0),
            near=near,
            flat_divided=lamps.flat_divided,
        )


@numba.njit(cache=True, nogil=True, error_model="numpy")
def ray_of(lamps: Lamps, k: int, x: np.float32, y: np.float32) -> tuple[np.float32, np.float32, np.float32, np.float32]:
    """Direction and irradiance of lamp k at a point x, y, mm; the beam's pattern is left out."""
    one = np.float32(1)
    dx, dy, dz = lamps.vectors[k, 0], lamps.vectors[k, 1], lamps.vectors[k, 2]
    if lamps.near:
        dx, dy = dx - x, dy - y
    inverse = one / np.sqrt(dx * dx + dy * dy + dz * dz)
    fall = inverse * inverse if lamps.near else one
    irradiance = one / (dz * inverse) if lamps.flat_divided else lamps.strength[k] * fall
    return dx * inverse, dy * inverse, dz * inverse, irradiance


@numba.njit(cache=True, nogil=True, error_model="numpy")
def beam_of(lamps: Lamps, k: int, dx: np.float32, dy: np.float32, dz: np.float32) -> np.float32:
    """What the beam's pattern leaves of lamp k in a direction."""
    along = dx * lamps.axes[k, 0] + dy * lamps.axes[k, 1] + dz * lamps.axes[k, 2]
    return max(along, np.float32(0)) ** lamps.beam


@numba.njit(cache=True, nogil=True, error_model="numpy")
def has_beam(lamps: Lamps) -> bool:
    """Whether there is a pattern: a flat board has taken it away."""
    return lamps.beam != np.float32(0) and not lamps.flat_divided


@numba.njit(cache=True, nogil=True, error_model="numpy")
def aim(lamps: Lamps, k: int, x: np.ndarray, y: np.ndarray, ray: np.ndarray) -> None:
    """Direction (3 rows) and irradiance (last row) of lamp k at points x, y (N,), mm: ray (4, N), written."""
    for p in range(len(x)):
        ray[0, p], ray[1, p], ray[2, p], ray[3, p] = ray_of(lamps, k, x[p], y[p])
    if has_beam(lamps):
        for p in range(len(x)):
            ray[3, p] *= beam_of(lamps, k, ray[0, p], ray[1, p], ray[2, p])


@numba.njit(cache=True, nogil=True, error_model="numpy")
def aim_all(lamps: Lamps, x: np.float32, y: np.float32, rays: np.ndarray) -> None:
    """The same of all lamps at one point: rays (4, L), written."""
    for k in range(rays.shape[1]):
        rays[0, k], rays[1, k], rays[2, k], rays[3, k] = ray_of(lamps, k, x, y)
    if has_beam(lamps):
        for k in range(rays.shape[1]):
            rays[3, k] *= beam_of(lamps, k, rays[0, k], rays[1, k], rays[2, k])


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _field(lamps: Lamps, x: np.ndarray, y: np.ndarray, to_lamp: np.ndarray, irradiance: np.ndarray) -> None:
    ray, here = np.empty((4, len(x)), np.float32), np.empty_like(x)
    for k in range(len(to_lamp)):
        for row in range(len(y)):
            here[:] = y[row]
            aim(lamps, k, x, here, ray)
            to_lamp[k, :, row] = ray[:3]
            irradiance[k, row] = ray[3]


def view_field(lamps: LampSet, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """Unit vectors (3, rows, columns), float32, from the plate surface toward the camera.

    (0, 0, 1) everywhere where the projection is orthographic; toward the entrance pupil above the origin otherwise.
    """
    view = np.zeros((3, len(y_mm), len(x_mm)), np.float32)
    view[2] = 1
    if lamps.camera_distance_mm is not None:
        view[0], view[1], view[2] = -x_mm[None, :], -y_mm[:, None], lamps.camera_distance_mm
        view /= np.sqrt((view**2).sum(axis=0))
    return view
