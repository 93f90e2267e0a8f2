"""The sample plate: a harbour view beside a tide table, 16 x 12 mm, with the marks of its making and of its later life.

An invented place. Positions are plate mm; everything drawn at random comes from one seed.
"""

import numpy as np

from lightdome.synthetic.drawing import (
    SCRATCH,
    TOOLED,
    Cut,
    Deposit,
    Drawing,
    EtchedArea,
    EtchedLine,
    Pit,
    Points,
    Print,
)
from lightdome.synthetic.lettering import letter

HORIZON = -0.6
LEFT, RIGHT, BOTTOM, TOP = -7.3, -0.7, -5.1, 5.1
"""Frame of the view."""
COLUMNS = (0.1, 1.55, 4.35, 6.1, 7.5)
OUTLINES: tuple[Points, ...] = (
    ((-5.95, 0.65), (-5.45, 0.65), (-5.55, 2.5), (-5.85, 2.5)),
    ((-5.98, 2.58), (-5.42, 2.58), (-5.5, 2.95), (-5.7, 3.2), (-5.9, 2.95)),
    ((-2.2, HORIZON + 0.5), (-1.0, HORIZON + 0.5), (-1.0, 0.75), (-1.6, 1.2), (-2.2, 0.75)),
    ((-5.1, -2.35), (-3.0, -2.35), (-2.75, -1.85), (-5.4, -1.85)),
)
"""Tower, lantern, shed, hull."""
RIGGING: tuple[tuple[Points, float, float], ...] = (
    (((-2.55, HORIZON + 0.45), (-2.55, 2.6)), 130.0, 28.0),
    (((-2.75, 2.2), (-1.15, 3.0)), 110.0, 26.0),
    (((-1.25, 2.95), (-1.25, 1.75)), 80.0, 20.0),
    (((-4.1, -1.85), (-4.1, 0.2)), 100.0, 26.0),
    (((-4.1, 0.15), (-3.15, -1.6), (-4.0, -1.65)), 85.0, 22.0),
    (((-4.2, 0.0), (-4.2, -1.6), (-4.95, -1.55), (-4.2, 0.0)), 85.0, 22.0),
)
"""Crane and boat: points, width, depth."""
CLOUDS = ((-4.6, 3.9, 1.7), (-4.3, 3.65, 2.2), (-3.9, 3.4, 1.4), (-3.2, 4.5, 1.9), (-2.9, 4.25, 1.5))
ROW_LINES = tuple(3.2 - 0.92 * row for row in range(10))


def tide_table(seed: int) -> Drawing:
    """The drawing."""
    rng = np.random.default_rng([seed, 1])
    return Drawing(
        etched=(*_view(rng), *_table(rng)),
        pits=_pits(rng),
        cuts=(*_burin_work(), *_scratches()),
        deposits=(Deposit(_blot(rng, (0.75, -4.1), 0.42)), Deposit(_blot(rng, (-5.0, 3.9), 0.24))),
        prints=(Print((4.9, -2.3), (2.0, 2.7)),),
        form_um=4.0,
    )


def _box(x0: float, y0: float, x1: float, y1: float) -> Points:
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))


def _wave(x0: float, x1: float, y: float, height: float, length: float, phase: float) -> Points:
    x = np.linspace(x0, x1, max(8, int((x1 - x0) / 0.08)))
    crest = np.abs(np.sin(np.pi * (x / length + phase)))
    return tuple((round(float(px), 4), round(float(y + height * c), 4)) for px, c in zip(x, crest, strict=True))


def _view(rng: np.random.Generator) -> list[EtchedLine | EtchedArea]:
    """Clouds, a headland with its lighthouse, a quay with a shed and a crane, a boat, and the sea."""
    left, right, bottom = LEFT + 0.15, RIGHT - 0.15, BOTTOM + 0.15
    sea = EtchedArea(_box(left, bottom, right, HORIZON)[:-1], 13.0, grain_mm=0.045, tops=0.85)
    x = np.linspace(left, -3.9, 24)
    rise = (1.55 * np.cos((x - LEFT) / 3.4 * np.pi / 2) ** 0.8).clip(0.04) + 0.05 * rng.standard_normal(24)
    slope = [(round(float(px), 4), round(float(HORIZON + h), 4)) for px, h in zip(x, rise, strict=True)]
    headland = EtchedArea(((left, HORIZON), *slope, (-3.85, HORIZON)), 20.0, grain_mm=0.035, tops=0.35)
    quay = _box(-2.9, HORIZON - 0.5, right, HORIZON + 0.45)[:-1]
    solid = [EtchedArea(outline, 26.0, grain_mm=0.03, tops=0.2) for outline in (quay, *OUTLINES)]
    frames = [
        EtchedLine(_box(LEFT, BOTTOM, RIGHT, TOP), 150.0, 30.0),
        EtchedLine(_box(LEFT - 0.3, BOTTOM - 0.3, RIGHT + 0.3, TOP + 0.3), 90.0, 24.0),
    ]
    rigging = [EtchedLine(points, width, depth) for points, width, depth in RIGGING]
    return [sea, headland, *solid, *frames, *rigging, *_waves(rng)]


def _waves(rng: np.random.Generator) -> list[EtchedLine]:
    """Crests on the sea, wider toward the viewer, and the edges of clouds."""
    lines = []
    for row, y in enumerate((-1.25, -2.75, -3.2, -3.7, -4.2, -4.7)):
        for part in range(3):
            x0 = LEFT + 0.3 + 2.1 * part + 0.3 * rng.random()
            x1 = x0 + 1.5 + 0.3 * rng.random()
            crest = _wave(x0, x1, y, 0.09 + 0.02 * row, 0.42 + 0.07 * row, rng.random())
            lines.append(EtchedLine(crest, 85.0 + 8 * row, 22.0))
    for x0, y, length in CLOUDS:
        lines.append(EtchedLine(_wave(x0, x0 + length, y, 0.12, 0.8, 0.2), 80.0, 18.0))
    return lines


def _table(rng: np.random.Generator) -> list[EtchedLine]:
    """Title, ruled lines, and tides that rise by some fifty minutes a day; some numerals hold ink."""
    lines = [EtchedLine(stroke, 130.0, 28.0, ink=1.0) for stroke in letter("TERN POINT", 0.25, 4.3, 0.85)]
    lines.append(EtchedLine(_box(COLUMNS[0], ROW_LINES[-1], COLUMNS[-1], ROW_LINES[0]), 130.0, 28.0))
    lines += [EtchedLine(((COLUMNS[0], y), (COLUMNS[-1], y)), 80.0, 20.0) for y in ROW_LINES[1:-1]]
    lines += [EtchedLine(((x, ROW_LINES[0]), (x, ROW_LINES[-1])), 95.0, 22.0) for x in COLUMNS[1:-1]]
    minutes = 187
    for row, top in enumerate(ROW_LINES[:-1]):
        high = 3.1 + 0.9 * np.cos(row / 2.3) + 0.1 * rng.random()
        cells = (f"{row + 11:02d}", f"{minutes // 60:02d}.{minutes % 60:02d}", f"{high:.1f}", f"{4.4 - high:.0f}")
        minutes += 48 + int(rng.integers(0, 6))
        ink = 1.0 if row in (1, 2, 5) else 0.0
        for left, text in zip(COLUMNS[:-1], cells, strict=True):
            lines += [EtchedLine(stroke, 95.0, 22.0, ink=ink) for stroke in letter(text, left + 0.3, top - 0.73, 0.55)]
    return lines


def _burin_work() -> list[Cut]:
    """Rays of the light, and hatching that strengthens the shed's shade and the swell."""
    cuts = []
    for angle in (14.0, 27.0, 40.0, 140.0, 153.0):
        a = np.radians(angle)
        start, end = (-5.7 + 0.65 * np.cos(a), 2.8 + 0.65 * np.sin(a)), (-5.7 + 1.5 * np.cos(a), 2.8 + 1.5 * np.sin(a))
        cuts.append(_burin((start, end), 95.0, 20.0))
    cuts += [
        _burin(((-0.98 + 0.02 * k, 1.55 + 0.17 * k), (-2.1 + 0.02 * k, 1.3 + 0.17 * k)), 80.0, 15.0) for k in range(7)
    ]
    for k in range(8):
        x0 = -6.9 + 0.72 * k
        cuts.append(_burin(((x0, -4.88 + 0.03 * (k % 3)), (x0 + 0.35, -4.8), (x0 + 0.7, -4.9)), 110.0, 24.0))
    return cuts


def _burin(points: Points, width_um: float, depth_um: float) -> Cut:
    rounded = tuple((round(float(x), 4), round(float(y), 4)) for x, y in points)
    return Cut(rounded, width_um, depth_um, TOOLED, removed_fraction=0.96, taper=0.35)


def _scratches() -> list[Cut]:
    """A bundle from one event across view and table, an arc, short single ones, and one narrower than three pixels."""
    bundle = [(0.0, 85.0, 9.0), (0.32, 110.0, 13.0), (0.63, 80.0, 7.0), (1.0, 120.0, 15.0), (1.36, 90.0, 8.0)]
    cuts = [
        Cut(
            ((-7.6, round(0.7 + off, 3)), (-1.0, round(-0.9 + 1.05 * off, 3)), (7.7, round(-3.2 + 1.1 * off, 3))),
            width,
            depth,
            SCRATCH,
            removed_fraction=0.15,
            taper=0.02,
            lean=0.2,
        )
        for off, width, depth in bundle
    ]
    bend = np.radians(np.linspace(-28, 32, 25))
    arc = tuple((round(float(-3.4 + 9.6 * np.cos(a)), 4), round(float(0.3 + 9.6 * np.sin(a)), 4)) for a in bend)
    cuts.append(Cut(arc, 130.0, 17.0, SCRATCH, removed_fraction=0.1, lean=-0.4))
    cuts.append(Cut(((-6.6, -1.2), (-2.2, -4.4)), 100.0, 12.0, SCRATCH, removed_fraction=0.2, lean=0.3))
    cuts.append(Cut(((2.3, 3.6), (3.6, 5.4)), 140.0, 20.0, SCRATCH, removed_fraction=0.1))
    cuts.append(Cut(((0.5, -5.5), (7.3, -4.0)), 50.0, 6.0, SCRATCH, removed_fraction=0.1, taper=0.02))
    return cuts


def _pits(rng: np.random.Generator) -> tuple[Pit, ...]:
    """Foul biting, where the ground failed: denser toward one corner."""
    pits = []
    for _ in range(60):
        centre = (round(float(7.8 - 15.6 * rng.random() ** 1.6), 3), round(float(5.8 - 11.6 * rng.random() ** 1.6), 3))
        diameter = round(float(rng.uniform(90, 200)), 1)
        pits.append(Pit(centre, diameter, round(diameter * float(rng.uniform(0.06, 0.12)), 1)))
    return tuple(pits)


def _blot(rng: np.random.Generator, centre: tuple[float, float], radius: float) -> Points:
    angles = 2 * np.pi * np.arange(20) / 20
    reach = radius * (1 + 0.22 * rng.standard_normal(20).clip(-1.5, 1.5))
    x, y = centre[0] + reach * np.cos(angles), centre[1] + 0.7 * reach * np.sin(angles)
    return tuple((round(float(px), 4), round(float(py), 4)) for px, py in zip(x, y, strict=True))
