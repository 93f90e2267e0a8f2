"""What was captured: frozen records of `session.yaml`, `frames.csv` and `lamps.csv` (input contract, format 1)."""

from dataclasses import dataclass
from pathlib import Path

from lightdome.session.lens import Lens

ROLES = ("lit", "sphere", "flat", "dark", "ambient", "mask", "sphere-mask", "colour", "checkerboard")
SHARED_ROLES = ("dark", "ambient", "flat", "sphere", "sphere-mask", "checkerboard")
"""Roles whose rows with an empty plate serve the whole session."""
FEWEST_LAMPS = 4
"""Under which a field can be measured: three unknowns of a matt surface, and one lamp to check them."""


@dataclass(frozen=True)
class FieldName:
    """One camera view of one side of one plate: the unit of work of the night."""

    plate: str
    side: str
    field: str

    def __str__(self) -> str:
        return f"{self.plate}/{self.side}/{self.field}"


@dataclass(frozen=True)
class Checkerboard:
    """The board from whose photographs the lens's distortion is found."""

    squares: tuple[int, int]
    """Across, down."""
    square_mm: float


@dataclass(frozen=True)
class Camera:
    """The camera over the plate."""

    projection: str
    """orthographic or perspective."""
    pixel_pitch_mm: float
    """On the plate."""
    response: str
    """linear or srgb."""
    black_level: float
    white_level: float
    distance_mm: float | None = None
    """Entrance pupil to plate; perspective only."""
    u_pixel_pitch: float = 0.0
    """Relative standard uncertainty of the pitch."""
    lens: Lens | None = None
    """Its distortion, where it was given."""
    checkerboard: Checkerboard | None = None


@dataclass(frozen=True)
class Lamp:
    """One row of `lamps.csv`: a place (near) or a direction (distant), and its relative power."""

    name: str
    position_mm: tuple[float, float, float] | None = None
    azimuth_deg: float | None = None
    elevation_deg: float | None = None
    power_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """Relative power in each channel; three equal numbers where one power was given."""

    @property
    def is_placed(self) -> bool:
        """Whether the table says where it stands; else it is to be located from spheres."""
        return self.position_mm is not None or self.azimuth_deg is not None


@dataclass(frozen=True)
class LampSetting:
    """The `lamps` section of `session.yaml`."""

    source: str
    """table or spheres."""
    model: str
    """near or distant."""
    beam_exponent: float = 0.0
    u_position_mm: float | None = None


@dataclass(frozen=True)
class Sphere:
    """A mirror sphere in the field; centre and radius are found when left out."""

    diameter_mm: float
    centre_px: tuple[float, float] | None = None
    """Column, row."""
    radius_px: float | None = None
    centre_height_mm: float | None = None
    """Of its centre above the plate's surface; None: it rests in the plate's plane, so half its diameter."""

    @property
    def height_mm(self) -> float:
        """Of its centre above the plate."""
        return self.diameter_mm / 2 if self.centre_height_mm is None else self.centre_height_mm


@dataclass(frozen=True)
class Plate:
    """The object on the table."""

    name: str
    title: str = ""
    material: str = ""
    size_mm: tuple[float, float] | None = None
    most_light_sensitive: str = "none"


@dataclass(frozen=True)
class Frame:
    """One row of `frames.csv`: a photograph."""

    row: int
    """Line of `frames.csv`, the header being line 1."""
    file: Path
    """Absolute; inside the session folder."""
    plate: str
    side: str
    field: str
    role: str
    lamp: str
    exposure_s: float | None = None
    sha256: str | None = None
    gain: float = 1.0
    """ISO over that of most lit photographs; check-session finds it."""


@dataclass(frozen=True)
class Session:
    """A whole capture session."""

    folder: Path
    name: str
    date: str
    operator: str
    place: str
    camera: Camera
    lamp_setting: LampSetting
    lamps: tuple[Lamp, ...]
    """Where they are located from spheres: those that are named in `frames.csv`, in order of appearance, no place."""
    spheres: tuple[Sphere, ...]
    plates: dict[str, Plate]
    frames: tuple[Frame, ...]
    illuminance_lx: float | None = None
    exposure_seconds: float | None = None


@dataclass(frozen=True)
class Plan:
    """What the night has to do."""

    session: str
    fields: tuple[FieldName, ...]
    """In the order of `frames.csv`."""
    refused: tuple[str, ...]
    """One sentence for each row that belongs to no field, or to no lamp."""
    frames: tuple[Frame, ...]
    """Rows that can be read, of every field."""
    pixel_counts: dict[FieldName, int]
    """Rows times columns of a field's photographs; 0 where none opens."""

    def photographs(self, name: FieldName) -> tuple[Path, ...]:
        """Files of a field, with the shared ones that serve it, as far as they exist."""
        return tuple(frame.file for frame in frames_of(self.frames, name) if frame.file.is_file())

    def pixels(self, name: FieldName) -> int:
        """Rows times columns of a field's photographs."""
        return self.pixel_counts[name]

    def lamps_of(self, name: FieldName) -> tuple[str, ...]:
        """Names of the lamps that a field was photographed under."""
        return tuple(frame.lamp for frame in frames_of(self.frames, name) if frame.role == "lit")

    def lamp_count(self, name: FieldName) -> int:
        """How many lamps a field was photographed under."""
        return len(self.lamps_of(name))


def frames_of(frames: tuple[Frame, ...], name: FieldName) -> tuple[Frame, ...]:
    """A field's own photographs, and the session's shared ones of those roles that the field has none of."""
    own = [frame for frame in frames if (frame.plate, frame.side, frame.field) == (name.plate, name.side, name.field)]
    roles = {frame.role for frame in own}
    shared = [frame for frame in frames if not frame.plate and frame.role not in roles]
    return (*own, *shared)
