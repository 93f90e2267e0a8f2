"""Photographs of mirror spheres on a matt table, drawn by formulas of their own, without the lights package."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

TABLE, MIRROR = 0.25, 0.6
BLUR_PX, BRIGHT = 1.3, 40.0


@dataclass(frozen=True)
class Ball:
    """A mirror sphere."""

    x_mm: float
    y_mm: float
    radius_mm: float
    height_mm: float | None = None
    """Of its centre; None: it lies on the table."""

    @property
    def centre_mm(self):
        return np.array([self.x_mm, self.y_mm, self.radius_mm if self.height_mm is None else self.height_mm])


def mirror_point(ball: Ball, lamp, camera_mm=None, near=True):
    """The point of a sphere that mirrors a lamp into the camera: of shortest way (Fermat's principle).

    lamp : place, mm, or direction.  camera_mm : height of a pinhole over the origin, or None for a far camera.
    """
    lamp = np.asarray(lamp, float)

    def way(angles):
        slant, azimuth = angles
        n = np.array([np.sin(slant) * np.cos(azimuth), np.sin(slant) * np.sin(azimuth), np.cos(slant)])
        point = ball.centre_mm + ball.radius_mm * n
        to_camera = -point[2] if camera_mm is None else np.linalg.norm([0, 0, camera_mm] - point)
        return to_camera + (np.linalg.norm(lamp - point) if near else -point @ lamp)

    toward = lamp - ball.centre_mm if near else lamp
    first = [np.arccos(toward[2] / np.linalg.norm(toward)) / 2, np.arctan2(toward[1], toward[0])]
    slant, azimuth = minimize(way, first, method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-13}).x
    n = np.array([np.sin(slant) * np.cos(azimuth), np.sin(slant) * np.sin(azimuth), np.cos(slant)])
    return ball.centre_mm + ball.radius_mm * n


def pixel_of(point_mm, shape, pitch_mm, camera_mm=None):
    """Column and row at which a point is seen: x to the right, y up, the origin in the picture's middle."""
    scale = 1.0 if camera_mm is None else camera_mm / (camera_mm - point_mm[2])
    column = point_mm[0] * scale / pitch_mm + (shape[1] - 1) / 2
    return np.array([column, (shape[0] - 1) / 2 - point_mm[1] * scale / pitch_mm])


def spot(shape, place_px, blur_px=BLUR_PX, bright=BRIGHT):
    """Light of a blurred point."""
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    away2 = (columns - place_px[0]) ** 2 + (rows - place_px[1]) ** 2
    return bright * np.exp(-away2 / (2 * blur_px**2))


def picture(shape, pitch_mm, balls, lamp, near=True, fine=3):
    """Light (rows, columns) under one lamp, a far camera: table, mirrored table, black room, and the highlights."""
    lamp = np.asarray(lamp, float)
    rows, columns = np.mgrid[: shape[0] * fine, : shape[1] * fine] / fine - (fine - 1) / (2 * fine)
    x = (columns - (shape[1] - 1) / 2) * pitch_mm
    y = ((shape[0] - 1) / 2 - rows) * pitch_mm
    if near:
        away = np.stack([lamp[0] - x, lamp[1] - y, np.full_like(x, lamp[2])])
        light = TABLE * (lamp @ lamp) * lamp[2] / (away**2).sum(axis=0) ** 1.5
    else:
        light = np.full_like(x, TABLE * lamp[2])
    for ball in balls:
        across2 = ((x - ball.x_mm) ** 2 + (y - ball.y_mm) ** 2) / ball.radius_mm**2
        inside = across2 < 1
        # the mirrored ray of a normal (a, b, c) has height 2 c^2 - 1: it meets the table outside 0.707 of the radius
        light[inside] = np.where(across2[inside] > 0.5, MIRROR * np.median(light) * 0.7, 0.002)
    light = light.reshape(shape[0], fine, shape[1], fine).mean(axis=(1, 3))
    for ball in balls:
        light += spot(shape, pixel_of(mirror_point(ball, lamp, near=near), shape, pitch_mm))
    return light


def as_numbers(light, seed=0):
    """16-bit sensor numbers with a little noise; white is 65535."""
    noise = 0.001 * np.random.default_rng(seed).standard_normal(light.shape)
    return np.round(np.clip(light + noise, 0, 1) * 65535).astype(np.uint16)
