"""Series of photographs in memory, computed by `lightdome.synthetic`, and what check-session finds in them."""

import dataclasses
from functools import cache
from pathlib import Path

import numpy as np

from lightdome.session.assess import Assessment, QuickLook, assess
from lightdome.session.look import Look
from lightdome.session.motion import measure_motion
from lightdome.session.records import Camera, Frame, Lamp, LampSetting, Plate, Session
from lightdome.synthetic.capture import CaptureSpec
from lightdome.synthetic.drawing import SCRATCH, Cut, Drawing, EtchedArea, EtchedLine
from lightdome.synthetic.lamps import dome
from lightdome.synthetic.photographs import Photograph, photographs_of, plate_surface, shared_photographs
from lightdome.synthetic.reflectance import MATTE, Material

MATERIALS = {
    "matt": MATTE,
    "metal": Material(diffuse=0.42, specular=0.32, roughness=0.38),
    "bright metal": Material(diffuse=0.15, specular=0.6, roughness=0.2),
}


def plate(seed: int, material: str = "metal", lamps: int = 24, *, near: bool = True, **more: object) -> CaptureSpec:
    """A plate of 4 x 3 mm with a random drawing."""
    rng = np.random.default_rng(seed)

    def point(share: float = 0.9) -> tuple[float, float]:
        return float(rng.uniform(-2, 2) * share), float(rng.uniform(-1.5, 1.5) * share)

    lines = [EtchedLine((point(), point()), float(rng.uniform(60, 180)), float(rng.uniform(8, 25))) for _ in range(8)]
    x, y = point(0.5)
    area = EtchedArea(((x - 0.4, y - 0.4), (x + 0.4, y - 0.4), (x + 0.4, y + 0.4)), float(rng.uniform(8, 20)))
    cuts = [Cut((point(), point()), float(rng.uniform(60, 140)), 10.0, SCRATCH, removed_fraction=0.1) for _ in range(5)]
    rings = (15.0, 40.0, 65.0) if lamps >= 12 else (30.0, 55.0)
    rig = dome(lamps, near=near, radius_mm=14.0, elevations_deg=rings, beam_exponent=1.0, power_spread=0.06, seed=seed)
    drawing = Drawing(etched=(*lines, area), cuts=tuple(cuts))
    return CaptureSpec(
        shape=(120, 160), drawing=drawing, rig=rig, material=MATERIALS[material], dark=False, seed=seed, **more
    )


def taken(spec: CaptureSpec) -> list[Photograph]:
    """All photographs of the plate, computed once."""
    made = [*photographs_of(spec, 0, plate_surface(spec, 0)), *shared_photographs(spec)]
    return [dataclasses.replace(photograph, numbers=cache(photograph.numbers)) for photograph in made]


def lamps_of(spec: CaptureSpec) -> tuple[Lamp, ...]:
    """The lamp table."""
    made = []
    for name, vector, power in zip(spec.rig.names, spec.rig.vectors, spec.rig.power_rgb, strict=True):
        place = {"position_mm": tuple(vector)}
        if not spec.rig.near:
            azimuth, elevation = np.degrees([np.arctan2(vector[1], vector[0]), np.arcsin(vector[2])])
            place = {"azimuth_deg": float(azimuth), "elevation_deg": float(elevation)}
        made.append(Lamp(name, power_rgb=tuple(power), **place))
    return tuple(made)


def seen(
    spec: CaptureSpec, photographs: list[Photograph], lamps: tuple[Lamp, ...] | None = None, response: str = "linear"
) -> tuple[Look, Session, list[Frame], np.ndarray]:
    """The photographs looked at one by one, the session, its frames, and the plate."""
    camera = Camera("orthographic", spec.pitch_mm, response, spec.sensor.black_level, spec.sensor.white_level)
    setting = LampSetting("table", "near" if spec.rig.near else "distant", spec.rig.beam_exponent)
    frames = [
        Frame(row, Path(one.row["file"]), "TP-001", "front", "A", one.row["role"], one.row["lamp"])
        for row, one in enumerate(photographs, 2)
    ]
    table = lamps_of(spec) if lamps is None else lamps
    plates = {"TP-001": Plate("TP-001")}
    session = Session(Path(), "s", "", "", "", camera, setting, table, (), plates, tuple(frames))
    inside = np.ones(spec.shape, bool)
    look = Look(camera, inside, [frame.row for frame in frames if frame.role == "lit"])
    for frame, photograph in zip(frames, photographs, strict=True):
        look.add(frame, str(frame.file), photograph.numbers())
    return look, session, frames, inside


def assessed(
    spec: CaptureSpec, photographs: list[Photograph], lamps: tuple[Lamp, ...] | None = None, response: str = "linear"
) -> Assessment:
    """What check-session makes of the photographs."""
    look, session, frames, inside = seen(spec, photographs, lamps, response)
    motion = measure_motion(look.spectra, look.patch_px)
    return assess(look, session, frames, motion, QuickLook.of(look, session, frames, inside))


def named(found: Assessment) -> dict[str, list[str]]:
    """Lamps of the findings by their kind; coverage is none of the photographs' fault."""
    kinds: dict[str, list[str]] = {}
    for one in found.findings:
        if one.kind != "coverage":
            kinds.setdefault(one.kind, []).extend(one.lamps)
    return kinds
