"""A capture session before it is photographed: the record of everything that decides it, and its tables."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from lightdome.errors import SessionError
from lightdome.raster import Grid, Window
from lightdome.synthetic.camera import View
from lightdome.synthetic.drawing import Drawing
from lightdome.synthetic.lamps import Rig, dome
from lightdome.synthetic.reflectance import ZINC, Material
from lightdome.synthetic.sensor import Sensor

SIDE, FIELD = "front", "A"
BOARD = Material(diffuse=0.9, specular=0.0, ink_specular=0.0, tint=(1.0, 1.0, 1.0))
"""The matt reference board."""
FRAME_COLUMNS = ("file", "plate", "side", "field", "role", "lamp", "exposure_s", "sha256")
EXPOSURE_S = 0.25


@dataclass(frozen=True)
class CaptureSpec:
    """Everything that decides a session: one field (front, A) of each plate, all under the same lamps."""

    session: str = "tern-point-test"
    plates: tuple[str, ...] = ("TP-001",)
    drawing: Drawing = field(default_factory=Drawing)
    """On every plate; each plate has its own grain."""
    shape: tuple[int, int] = (48, 64)
    pitch_mm: float = 0.025
    sub: int = 2
    """Facets along a pixel's side."""
    patch_px: tuple[int, int] | None = None
    """A patch that repeats over a large field; needs shadows=False."""
    rig: Rig = field(default_factory=lambda: dome(8))
    view: View = field(default_factory=View)
    material: Material = ZINC
    sensor: Sensor = field(default_factory=Sensor)
    gain: float = 0.9
    """Light on the sensor for a facing white matte point under a unit lamp."""
    shadows: bool = True
    """Cast shadows; attached ones are always there."""
    rgb: bool = False
    """Lit, flat, dark and ambient photographs in colour."""
    shifts_px: tuple[tuple[float, float], ...] = ()
    """How far each lamp's picture moved, (rows, columns); empty where nothing moved."""
    flat: bool = False
    """A matt reference board under each lamp."""
    dark: bool = True
    ambient: float = 0.0
    """Room light in every photograph, as irradiance over a unit lamp's; above 0 there is an ambient photograph."""
    colour: bool = False
    """One photograph in colour under all lamps at once."""
    u_position_mm: float = 0.0
    """Standard deviation of the errors of the lamp table's coordinates (near lamps)."""
    title: str = "tide table"
    faulty: bool = False
    """Plates named in `faults.FAULTS` carry their fault, and there is no truth."""
    seed: int = 0

    def __post_init__(self) -> None:
        if self.shifts_px and len(self.shifts_px) != len(self.rig.names):
            raise SessionError(f"{len(self.rig.names)} lamps need as many shifts, got {len(self.shifts_px)}")
        if self.patch_px is not None and self.shadows:
            raise SessionError("a repeating patch has no neighbours to cast shadows; set shadows=False")

    @property
    def grid(self) -> Grid:
        """The photograph's pixels."""
        return Grid(self.shape, self.pitch_mm)

    @property
    def channels(self) -> tuple[int | None, ...]:
        """Channels of a lit photograph."""
        return (0, 1, 2) if self.rgb else (None,)

    def grid_rows(self, rows: tuple[int, int]) -> Window:
        """Some rows of the photograph as a window."""
        return Window(*rows, 0, self.shape[1])

    def shift_of(self, index: int) -> tuple[float, float]:
        """How far one lamp's picture moved."""
        return self.shifts_px[index] if self.shifts_px else (0.0, 0.0)


def session_facts(spec: CaptureSpec) -> dict[str, Any]:
    """`session.yaml` as plain values."""
    rows, cols = spec.shape
    camera: dict[str, Any] = {"projection": "orthographic"}
    if spec.view.distance_mm is not None:
        camera = {"projection": "perspective", "distance_mm": spec.view.distance_mm}
    camera |= {
        "pixel_pitch_mm": spec.pitch_mm,
        "response": "linear",
        "black_level": spec.sensor.black_level,
        "white_level": spec.sensor.white_level,
    }
    lamps: dict[str, Any] = {"source": "table", "model": "near" if spec.rig.near else "distant"}
    if spec.rig.near and spec.rig.beam_exponent:
        lamps["beam_exponent"] = spec.rig.beam_exponent
    if spec.rig.near and spec.u_position_mm:
        lamps["u_position_mm"] = spec.u_position_mm
    plate = {
        "title": spec.title,
        "material": "zinc" if spec.material.specular else "matte",
        "size_mm": [round(cols * spec.pitch_mm, 3), round(rows * spec.pitch_mm, 3)],
        "most_light_sensitive": "none",
    }
    return {
        "format": 1,
        "session": spec.session,
        "date": "2031-05-14",
        "operator": "A. Example",
        "place": "Tern Point harbour office",
        "camera": camera,
        "lamps": lamps,
        "exposure": {"illuminance_lx": 900, "seconds": EXPOSURE_S},
        # a name that is no name for a folder stands in frames.csv alone: here it would spoil the whole session
        "plates": {name: dict(plate) for name in spec.plates if "/" not in name},
    }


def lamp_rows(spec: CaptureSpec) -> tuple[tuple[str, ...], list[dict[str, Any]]]:
    """Columns and rows of `lamps.csv`; positions carry the table's errors."""
    rig = spec.rig
    equal = bool((rig.power_rgb == rig.power_rgb[:, :1]).all())
    places = ("x_mm", "y_mm", "z_mm") if rig.near else ("azimuth_deg", "elevation_deg")
    columns = ("lamp", *places, *(("power",) if equal else ("power_r", "power_g", "power_b")))
    vectors = rig.vectors
    if rig.near and spec.u_position_mm:
        errors = np.random.default_rng([spec.seed, 2]).normal(0, spec.u_position_mm, vectors.shape)
        vectors = np.round(vectors + errors, 3)
    rows = []
    for name, vector, power in zip(rig.names, vectors, rig.power_rgb, strict=True):
        place = vector
        if not rig.near:
            place = np.degrees([np.arctan2(vector[1], vector[0]) % (2 * np.pi), np.arcsin(vector[2])])
        numbers = [*np.round(place, 4), *(power[:1] if equal else power)]
        rows.append({"lamp": name} | dict(zip(columns[1:], map(float, numbers), strict=True)))
    return columns, rows


def frame_row(file: str, role: str, plate: str = "", lamp: str = "") -> dict[str, Any]:
    """One row of `frames.csv`; rows without a plate serve the whole session."""
    side, view = (SIDE, FIELD) if plate else ("", "")
    return {
        "file": file,
        "plate": plate,
        "side": side,
        "field": view,
        "role": role,
        "lamp": lamp,
        "exposure_s": EXPOSURE_S,
    }
