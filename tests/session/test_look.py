"""Light of the patches that the photographs of a field are compared by."""

from pathlib import Path

import numpy as np
import pytest

from lightdome.session.look import Look
from lightdome.session.records import Camera, Frame


@pytest.mark.parametrize(
    ("dtype", "response", "black", "white", "number", "light"),
    [
        # half of the light is 188 of 255 in an sRGB picture (IEC 61966-2-1)
        (np.uint8, "srgb", 0, 255, 188, 0.503),
        (np.uint8, "linear", 5, 255, 130, 0.5),
        (np.uint16, "linear", 1024, 65535, 1024, 0.0),
        (np.uint16, "linear", 256, 16383, 16383, 1.0),
    ],
)
def test_patches_are_linear_light_whatever_the_numbers(dtype, response, black, white, number, light):
    look = Look(Camera("orthographic", 0.05, response, black, white), np.ones((80, 120), bool), [2])
    frame = Frame(2, Path("L1.tif"), "TP-001", "front", "A", "lit", "L1")
    look.add(frame, "L1.tif", np.full((80, 120), number, dtype))
    patch = look.patch_light(0)
    assert patch.dtype == np.float32
    np.testing.assert_allclose(patch, light, atol=5e-4)
