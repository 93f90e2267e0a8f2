"""The named scenes of `make-capture`."""

from collections.abc import Callable

import numpy as np

from lightdome.errors import SessionError
from lightdome.synthetic.capture import CaptureSpec
from lightdome.synthetic.drawing import SCRATCH, Cut, Drawing, EtchedArea, EtchedLine
from lightdome.synthetic.faults import FAULTS
from lightdome.synthetic.lamps import dome
from lightdome.synthetic.mishaps import MISHAPS
from lightdome.synthetic.reflectance import Material
from lightdome.synthetic.sensor import Sensor
from lightdome.synthetic.tide_table import tide_table

PATCH_PX = (512, 512)


def tide_table_scene(seed: int, megapixels: float | None = None, lamps: int | None = None) -> CaptureSpec:
    """The sample: 24 near lamps over a field of 16 x 12 mm, dark, ambient and colour photographs."""
    _refuse_size(megapixels, lamps)
    return CaptureSpec(
        session="tern-point-2031-05",
        plates=("TP-017",),
        drawing=tide_table(seed),
        shape=(480, 640),
        sub=3,
        rig=dome(24, radius_mm=60.0, beam_exponent=1.0, power_spread=0.06, seed=seed),
        material=Material(diffuse=0.42, specular=0.32, roughness=0.38),
        sensor=Sensor(full_well_e=120_000.0, bits=10, offset=8),
        ambient=0.01,
        colour=True,
        u_position_mm=0.05,
        title="tide table and harbour view",
        seed=seed,
    )


def faults_scene(seed: int, megapixels: float | None = None, lamps: int | None = None) -> CaptureSpec:
    """Small plates, each with one fault; see `faults.FAULTS`."""
    _refuse_size(megapixels, lamps)
    half = Drawing(
        etched=(
            EtchedLine(((-1.0, -0.6), (-0.2, -0.6)), 130.0, 24.0),
            EtchedLine(((0.3, 0.5), (0.9, -0.4)), 130.0, 24.0),
        ),
        cuts=(Cut(((-1.1, 0.7), (1.1, -0.1)), 110.0, 12.0, SCRATCH, removed_fraction=0.1),),
    )
    return CaptureSpec(
        session="faults-2031-05",
        plates=tuple(FAULTS),
        faulty=True,
        drawing=half,
        shape=(72, 96),
        rig=dome(8, radius_mm=12.0, elevations_deg=(30.0, 55.0)),
        material=Material(diffuse=0.42, specular=0.32, roughness=0.38),
        sensor=Sensor(full_well_e=120_000.0, bits=10, offset=8),
        seed=seed,
    )


def mishaps_scene(seed: int, megapixels: float | None = None, lamps: int | None = None) -> CaptureSpec:
    """Small plates under 24 lamps, each with one mishap; see `mishaps.MISHAPS`."""
    _refuse_size(megapixels, lamps)
    some = Drawing(
        etched=(
            EtchedLine(((-1.8, -1.0), (-0.2, -1.0)), 130.0, 16.0),
            EtchedLine(((-1.4, 1.2), (-0.6, 0.1)), 130.0, 16.0),
            EtchedArea(((0.5, -1.2), (1.6, -1.2), (1.6, -0.2)), 12.0),
        ),
        cuts=(Cut(((-1.7, 0.9), (1.8, 0.2)), 110.0, 10.0, SCRATCH, removed_fraction=0.1),),
    )
    return CaptureSpec(
        session="mishaps-2031-05",
        plates=tuple(MISHAPS),
        faulty=True,
        drawing=some,
        shape=(120, 160),
        rig=dome(24, radius_mm=14.0, beam_exponent=1.0, power_spread=0.06, seed=seed),
        material=Material(diffuse=0.42, specular=0.32, roughness=0.38),
        sensor=Sensor(full_well_e=120_000.0, bits=12, offset=16),
        seed=seed,
    )


def large_scene(seed: int, megapixels: float | None = None, lamps: int | None = None) -> CaptureSpec:
    """A large field for measuring time and memory: a repeating patch, one facet a pixel, no cast shadows."""
    pixels = 1e6 * (24.0 if megapixels is None else megapixels)
    if not pixels >= 1e4:
        raise SessionError(f"--megapixels: must be at least 0.01, got {megapixels}")
    shape = (int(np.sqrt(pixels / 1.5)), int(np.sqrt(pixels * 1.5)))
    return CaptureSpec(
        session="tern-point-large",
        plates=("TP-900",),
        drawing=patch_drawing(),
        shape=shape,
        sub=1,
        patch_px=PATCH_PX,
        rig=dome(48 if lamps is None else lamps, radius_mm=3 * 0.025 * float(np.hypot(*shape))),
        shadows=False,
        title="large field",
        seed=seed,
    )


def patch_drawing() -> Drawing:
    """A little of everything within a patch of 12.8 x 12.8 mm."""
    area = EtchedArea(((-5.0, -5.0), (-1.0, -5.0), (-1.0, 0.0), (-5.0, 0.0)), 14.0)
    lines = tuple(EtchedLine(((1.0, y), (5.5, y)), 110.0, 24.0) for y in (-4.0, -3.0, -2.0, -1.0))
    cuts = tuple(Cut(((-6.0, y), (6.0, y - 2.0)), 120.0, 14.0, SCRATCH, removed_fraction=0.1) for y in (2.0, 2.6, 4.4))
    return Drawing(etched=(area, *lines), cuts=cuts)


def _refuse_size(megapixels: float | None, lamps: int | None) -> None:
    if megapixels is not None or lamps is not None:
        raise SessionError("--megapixels and --lamps belong to --scene large; leave them out")


SCENES: dict[str, Callable[..., CaptureSpec]] = {
    "tide-table": tide_table_scene,
    "faults": faults_scene,
    "mishaps": mishaps_scene,
    "large": large_scene,
}
