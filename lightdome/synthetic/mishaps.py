"""One mishap in each plate of a session, as cameras, arms and switches make them: all files whole, the set is not."""

import dataclasses
from collections.abc import Callable, Sequence

import numpy as np
from scipy import ndimage

from lightdome.synthetic.photographs import Photograph

MISHAPS = {
    "TP-201": "none: the good plate",
    "TP-202": "an arm stands before lamp L05",
    "TP-203": "the photographs under L03 and L10 are exchanged",
    "TP-204": "the photograph under L07 is blurred by motion over three pixels",
    "TP-205": "the photograph under L12 was exposed by the camera's own choice, a third of a stop longer",
    "TP-206": "the room's light was left on, and no ambient photograph taken",
    "TP-207": "lamp L09 did not fire",
    "TP-208": "the photograph under L14 was taken under L13 once more",
    "TP-209": "the photograph under L16 is a copy of that under L15",
    "TP-210": "all photographs were developed with a tone curve",
}
"""Plate and what is wrong with it."""
ARM_SHARE = (0.4, 0.52)
"""Columns that the arm shadows, over the width."""
LEFT_IN_SHADOW = 0.05
PENUMBRA_PX = 2.0
MOTION_PX = 3
THIRD_OF_A_STOP = 2 ** (1 / 3)
ROOM = 0.08
"""Light of the room over the sensor's white."""


def mishap(plate: str, photographs: Sequence[Photograph], black_level: float, white_level: float) -> list[Photograph]:
    """The photographs of one plate with its mishap."""
    changed = list(photographs)
    at = {photograph.row["lamp"]: index for index, photograph in enumerate(changed)}

    def change(lamp: str, how: Callable[[np.ndarray], np.ndarray]) -> None:
        changed[at[lamp]] = _light(changed[at[lamp]], how, black_level, white_level)

    if plate == "TP-202":
        change("L05", behind_arm)
    elif plate == "TP-203":
        one, other = changed[at["L03"]], changed[at["L10"]]
        changed[at["L03"]] = dataclasses.replace(one, numbers=other.numbers)
        changed[at["L10"]] = dataclasses.replace(other, numbers=one.numbers)
    elif plate == "TP-204":
        change("L07", moving)
    elif plate == "TP-205":
        change("L12", lambda light: light * THIRD_OF_A_STOP)
    elif plate == "TP-206":
        for lamp in [name for name in at if name]:
            change(lamp, lambda light: light + ROOM)
    elif plate == "TP-207":
        change("L09", lambda light: np.random.default_rng(9).normal(0, 1e-4, light.shape))
    elif plate == "TP-208":
        noise = np.random.default_rng(8)
        again = _light(
            changed[at["L13"]], lambda light: light + noise.normal(0, 2e-3, light.shape), black_level, white_level
        )
        changed[at["L14"]] = dataclasses.replace(changed[at["L14"]], numbers=again.numbers)
    elif plate == "TP-209":
        changed[at["L16"]] = dataclasses.replace(changed[at["L16"]], numbers=changed[at["L15"]].numbers)
    elif plate == "TP-210":
        for lamp in [name for name in at if name]:
            change(lamp, behind_curve)
    return changed


def behind_arm(light: np.ndarray) -> np.ndarray:
    """Light (rows, columns) with the shadow of an arm from edge to edge."""
    first, last = (round(share * light.shape[1]) for share in ARM_SHARE)
    left = np.ones(light.shape[1])
    left[first:last] = LEFT_IN_SHADOW
    return np.asarray(light * ndimage.gaussian_filter1d(left, PENUMBRA_PX))


def behind_curve(light: np.ndarray) -> np.ndarray:
    """The curve of sRGB pictures (IEC 61966-2-1:1999), as developers of raw files apply it."""
    bright = 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(light > 0.0031308, bright, 12.92 * light)


def moving(light: np.ndarray) -> np.ndarray:
    """Light (rows, columns) of a plate that moved along the columns while the shutter was open; its noise is new."""
    still = ndimage.uniform_filter1d(light, MOTION_PX, axis=1)
    noise = float(np.median(np.abs(np.diff(light, axis=1)))) / 2
    return np.asarray(still + np.random.default_rng(4).normal(0, noise, light.shape))


def _light(photograph: Photograph, how: Callable[[np.ndarray], np.ndarray], black: float, white: float) -> Photograph:
    take = photograph.numbers

    def taken() -> np.ndarray:
        numbers = take()
        light = how((numbers - black) / (white - black))
        return np.clip(np.rint(light * (white - black) + black), 0, white).astype(numbers.dtype)

    return dataclasses.replace(photograph, numbers=taken)
