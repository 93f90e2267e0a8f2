"""Small real sessions, written into a folder by each test."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from dng import write_dng
from scipy import ndimage

RAW_BLACK, RAW_WHITE = 512, 50000
"""Levels of the raw files written here, in their own numbers."""
SETTINGS = """\
format: 1
session: tern-point-2031-05
date: 2031-05-14
operator: A. Example
place: harbour office
camera:
  projection: orthographic
  pixel_pitch_mm: 0.05
  response: linear
  black_level: 0
  white_level: 65535
lamps:
  source: table
  model: near
plates:
  TP-017:
    title: tide table, upper half
    material: zinc
    size_mm: [240, 160]
    most_light_sensitive: none
  TP-018:
    title: harbour chart
    material: copper
"""
PLACES = {"L1": (300, 0, 200), "L2": (0, 300, 200), "L3": (-300, 0, 250), "L4": (0, -300, 250), "L5": (60, 40, 400)}
HEADER = "file,plate,side,field,role,lamp"


def grain(seed: int, shape: tuple[int, int] = (64, 80)) -> np.ndarray:
    """A grey 16-bit picture of noise, below white."""
    return np.random.default_rng(seed).integers(2000, 40000, shape, dtype=np.uint16)


@dataclass
class Folder:
    """A session folder that a test can spoil."""

    path: Path
    settings: str = SETTINGS
    lamps: list[str] = field(default_factory=list)
    frames: list[str] = field(default_factory=list)

    def picture(self, name: str, image: np.ndarray, **raw: Any) -> Path:
        """Write a photograph in the form that its ending says; `raw` goes to `write_dng`."""
        file = self.path / name
        file.parent.mkdir(parents=True, exist_ok=True)
        if file.suffix == ".png":
            file.write_bytes(imagecodecs.png_encode(image, level=1))
        elif file.suffix == ".jpg":
            file.write_bytes(imagecodecs.jpeg_encode(image, level=95))
        elif file.suffix == ".dng":
            write_dng(file, image, white=RAW_WHITE, black=(RAW_BLACK,), **raw)
        else:
            tifffile.imwrite(file, image, photometric="rgb" if image.ndim == 3 else "minisblack")
        return file

    def write(self) -> Path:
        (self.path / "session.yaml").write_text(self.settings, encoding="utf-8")
        (self.path / "lamps.csv").write_text("\n".join(["lamp,x_mm,y_mm,z_mm", *self.lamps]) + "\n", encoding="utf-8")
        (self.path / "frames.csv").write_text("\n".join([HEADER, *self.frames]) + "\n", encoding="utf-8")
        return self.path


def five_lamps(path: Path) -> Folder:
    """Five near lamps, one field of plate TP-017 with five lit photographs, and two of TP-018."""
    made = Folder(path)
    made.path.mkdir()
    made.lamps = [f"{name},{x},{y},{z}" for name, (x, y, z) in PLACES.items()]
    for index, name in enumerate(PLACES):
        made.picture(f"frames/{name}.png", grain(index))
        made.frames.append(f"frames/{name}.png,TP-017,front,A,lit,{name}")
    for index, name in enumerate(("L1", "L2")):
        made.picture(f"frames/18-{name}.png", grain(20 + index))
        made.frames.append(f"frames/18-{name}.png,TP-018,front,A,lit,{name}")
    return made


def five_raw_lamps(path: Path) -> Folder:
    """As `five_lamps`, in raw files and without levels in session.yaml; TP-017 alone, all its pictures of one grain."""
    made = five_lamps(path)
    made.settings = made.settings.replace("  black_level: 0\n", "").replace("  white_level: 65535\n", "")
    made.frames = [f"frames/{name}.dng,TP-017,front,A,lit,{name}" for name in PLACES]
    for index, name in enumerate(PLACES):
        made.picture(f"frames/{name}.dng", raw_grain(0.5 + 0.1 * index))
    return made


def raw_grain(strength: float) -> np.ndarray:
    """A mosaic (64, 80) of smooth grain, in the raw numbers of `five_raw_lamps`."""
    grainy = ndimage.gaussian_filter(grain(99) / 40000.0, 1.5)
    return np.rint(RAW_BLACK + strength * grainy * (RAW_WHITE - RAW_BLACK)).astype(np.uint16)
