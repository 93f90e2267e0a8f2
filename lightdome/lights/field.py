"""Direction and irradiance of every lamp at every point of the plate."""

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
    x, y = x_mm.astype(np.float32)[None, None, :], y_mm.astype(np.float32)[None, :, None]
    vectors = lamps.vectors.astype(np.float32)[:, :, None, None]
    count, shape = len(lamps.names), (len(y_mm), len(x_mm))
    if lamps.model == "near":
        to_lamp = np.empty((count, 3, *shape), np.float32)
        to_lamp[:, 0] = vectors[:, 0] - x
        to_lamp[:, 1] = vectors[:, 1] - y
        to_lamp[:, 2] = vectors[:, 2]
        distance = np.sqrt((to_lamp**2).sum(axis=1))
        to_lamp /= distance[:, None]
    else:
        to_lamp = np.broadcast_to(vectors, (count, 3, *shape)).copy()
    if lamps.flat_divided:
        return to_lamp, 1 / to_lamp[:, 2]
    irradiance = np.broadcast_to(lamps.power.astype(np.float32)[:, None, None], (count, *shape)).copy()
    if lamps.model == "near":
        r0 = np.linalg.norm(lamps.vectors, axis=1).astype(np.float32)[:, None, None]
        irradiance *= (r0 / distance) ** 2
        if lamps.beam_exponent:
            axis = lamps.unit_vectors.astype(np.float32)[:, :, None, None]
            irradiance *= np.clip((to_lamp * axis).sum(axis=1), 0, None) ** np.float32(lamps.beam_exponent)
    return to_lamp, irradiance


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
