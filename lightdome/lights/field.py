"""Direction and irradiance of every lamp at every point of the plate."""

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
    count, shape = len(lamps.names), (len(y_mm), len(x_mm))
    to_lamp = np.empty((count, 3, *shape), np.float32)
    irradiance = np.empty((count, *shape), np.float32)
    vectors, power = lamps.vectors.astype(np.float32), lamps.power.astype(np.float32)
    if lamps.model == "near":
        axes, beam = lamps.unit_vectors.astype(np.float32), np.float32(lamps.beam_exponent)
        x, y = x_mm.astype(np.float32), y_mm.astype(np.float32)
        _near(vectors, power, axes, beam, x, y, lamps.flat_divided, to_lamp, irradiance)
    else:
        to_lamp[:] = vectors[:, :, None, None]
        irradiance[:] = (1 / vectors[:, 2] if lamps.flat_divided else power)[:, None, None]
    return to_lamp, irradiance


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _near(
    vectors: np.ndarray,
    power: np.ndarray,
    axes: np.ndarray,
    beam: np.float32,
    x: np.ndarray,
    y: np.ndarray,
    flat_divided: bool,
    to_lamp: np.ndarray,
    irradiance: np.ndarray,
) -> None:
    zero, one = np.float32(0), np.float32(1)
    for k in range(vectors.shape[0]):
        vx, vy, vz = vectors[k, 0], vectors[k, 1], vectors[k, 2]
        ax, ay, az = axes[k, 0], axes[k, 1], axes[k, 2]
        strength = power[k] * (vx * vx + vy * vy + vz * vz)
        for row in range(len(y)):
            dy = vy - y[row]
            for col in range(len(x)):
                dx = vx - x[col]
                inverse = one / np.sqrt(dx * dx + dy * dy + vz * vz)
                to_lamp[k, 0, row, col] = dx * inverse
                to_lamp[k, 1, row, col] = dy * inverse
                to_lamp[k, 2, row, col] = vz * inverse
                irradiance[k, row, col] = one / (vz * inverse) if flat_divided else strength * inverse * inverse
            if beam != zero and not flat_divided:
                for col in range(len(x)):
                    along = to_lamp[k, 0, row, col] * ax + to_lamp[k, 1, row, col] * ay + to_lamp[k, 2, row, col] * az
                    irradiance[k, row, col] *= max(along, zero) ** beam


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
