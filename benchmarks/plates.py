"""Metal plates of known shape: height maps drawn from a seed, far finer than a pixel, and the truth at pixels.

A whole plate is photographed at 50 um a pixel, so that scratches and walls are thinner than a pixel; a macro plate at
5 um, so that every wall of a groove is many pixels wide. Lengths in this file are pixels, heights um; rows run down.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter
from scipy.spatial import cKDTree

LAND, AREA, ETCHED_LINE, OTHER_LINE, SCRATCH, GRAIN = range(6)
LABELS = ("land", "etched area", "etched line", "other line", "scratch", "grain")
GAP_PX = 2.5
"""Land that is left between marks, so that each has a ring of its own to measure its depth from."""
STEEPEST = 1.15
"""Slope no wall exceeds, but where marks meet."""
STEEPEST_LAND = 0.014
TRIES = 1500


@dataclass
class Plate:
    """One plate of rows x columns pixels, each of sub x sub cells whose corners have a height."""

    height_um: np.ndarray
    """(rows sub + 1, columns sub + 1): heights of the corners of the cells."""
    etched: np.ndarray
    """(rows sub, columns sub), bool: cells on the floor of a bitten mark, where the metal is rougher."""
    labels: np.ndarray
    """(rows, columns), uint8: an index of `LABELS`; a mark's whole footprint with its walls."""
    marks: np.ndarray
    """(rows, columns), int16: number of the etched area or wide etched line, from 1; 0 elsewhere."""
    floors: np.ndarray
    """(rows, columns), int16: the same numbers on their floors alone, without scratches."""
    pitch_mm: float
    sub: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return self.labels.shape

    @property
    def normals(self) -> np.ndarray:
        """(3, rows, columns), unit: normal of the mean slope of each pixel's facets, z toward the camera."""
        sub, across_um = self.sub, 1000 * self.pitch_mm
        columns, rows = self.height_um[:, ::sub], self.height_um[::sub]
        # the mean slope along one side is a difference of ends; facets make its mean along the other a trapezium rule
        slope_x = _mean_between(np.diff(columns, axis=1) / across_um, sub)
        slope_y = _mean_between(-np.diff(rows, axis=0).T / across_um, sub).T
        normals = np.stack([-slope_x, -slope_y, np.ones_like(slope_x)])
        return normals / np.sqrt((normals**2).sum(axis=0))

    @property
    def mean_height_um(self) -> np.ndarray:
        """(rows, columns): mean height of each pixel."""
        return _mean_between(_mean_between(self.height_um, self.sub).T, self.sub).T


def _mean_between(values: np.ndarray, sub: int) -> np.ndarray:
    """Trapezium mean over every run of sub + 1 rows: (rows sub + 1, n) to (rows, n)."""
    return ((values[:-1] + values[1:]) / 2).reshape(-1, sub, values.shape[1]).mean(axis=1)


@dataclass
class _Canvas:
    """What is being drawn; all maps but `taken` stand on the corners of the cells."""

    size: int
    sub: int
    pitch_um: float
    rng: np.random.Generator
    depth: np.ndarray = field(init=False)
    scratch: np.ndarray = field(init=False)
    labels: np.ndarray = field(init=False)
    marks: np.ndarray = field(init=False)
    floors: np.ndarray = field(init=False)
    taken: np.ndarray = field(init=False)
    count: int = 0

    def __post_init__(self) -> None:
        points = self.size * self.sub + 1
        self.depth, self.scratch = np.zeros((points, points)), np.zeros((points, points))
        self.labels = np.zeros((points, points), np.uint8)
        self.marks, self.floors = (np.zeros((points, points), np.int16) for _ in range(2))
        self.taken = np.zeros((self.size, self.size), bool)

    def clearance(self) -> np.ndarray:
        """Pixels from each pixel to the next mark or to the edge of the plate."""
        return distance_transform_edt(np.pad(~self.taken, 1))[1:-1, 1:-1]

    def window(self, low: np.ndarray, high: np.ndarray) -> tuple[tuple[slice, slice], np.ndarray]:
        """Slices of the corners between two (row, column) and their places (rows, columns, 2), pixels."""
        first = np.maximum(np.floor(low * self.sub).astype(int), 0)
        last = np.minimum(np.ceil(high * self.sub).astype(int) + 1, self.depth.shape[0])
        places = np.stack(np.meshgrid(*(np.arange(a, b) for a, b in zip(first, last, strict=True)), indexing="ij"), -1)
        return (slice(first[0], last[0]), slice(first[1], last[1])), places / self.sub

    def dig(self, where: tuple[slice, slice], depth: np.ndarray, label: int, deepest: float = 0.0) -> None:
        """Lower the plate to a depth (um) and label it; where a deepest value is given, number mark and floor."""
        inside = depth > 0
        self.depth[where] = np.maximum(self.depth[where], depth)
        self.labels[where][inside] = label
        if deepest:
            self.count += 1
            self.marks[where][inside] = self.count
            self.floors[where][depth > 0.9 * deepest] = self.count
        rows, cols = np.nonzero(inside)
        edge = self.size - 1
        row = np.minimum((rows + where[0].start) // self.sub, edge)
        col = np.minimum((cols + where[1].start) // self.sub, edge)
        self.taken[row, col] = True

    def noise(self, sigma_px: float) -> np.ndarray:
        """Smooth noise of standard deviation 1 on all corners."""
        values = gaussian_filter(self.rng.standard_normal(self.depth.shape), sigma_px * self.sub, mode="wrap")
        return values / values.std()

    def waves(self, sigma_px: float) -> np.ndarray:
        """Heights (um) of land that is not quite flat: slopes up to `STEEPEST_LAND` along either axis."""
        values = self.noise(sigma_px)
        steepest = max(np.abs(np.diff(values, axis=axis)).max() for axis in (0, 1)) * self.sub / self.pitch_um
        return values * STEEPEST_LAND / steepest

    def plate(self, rough_um: np.ndarray, wavy_um: np.ndarray) -> Plate:
        """The drawn plate, its land waved and the floors of its etched marks rough."""
        deepest = np.zeros(self.count + 1)
        np.maximum.at(deepest, self.marks.ravel(), self.depth.ravel())
        share = np.where(self.marks > 0, self.depth / np.maximum(deepest[self.marks], 1e-9), 0)
        height = wavy_um - self.depth + rough_um * share + self.scratch
        bitten = np.isin(self.labels, (AREA, ETCHED_LINE)) & (share > 0.9)
        labels = _most(self.labels, self.sub)
        labels[_most(self.labels == SCRATCH, self.sub) > 0] = SCRATCH
        cells = self.floors[:-1, :-1].reshape(self.size, self.sub, self.size, self.sub).swapaxes(1, 2)
        floors = _most(self.floors, self.sub)
        floors[((cells > 0).mean(axis=(2, 3)) < 0.75) | (labels == SCRATCH)] = 0
        return Plate(
            height, bitten[:-1, :-1], labels, _most(self.marks, self.sub), floors, self.pitch_um / 1000, self.sub
        )


def _most(values: np.ndarray, sub: int) -> np.ndarray:
    """Largest value at any corner of each pixel's cells: (rows, columns)."""
    side = (values.shape[0] - 1) // sub
    rows = np.maximum(values[:-1], values[1:]).reshape(side, sub, -1).max(axis=1)
    return np.maximum(rows[:, :-1], rows[:, 1:]).reshape(side, side, sub).max(axis=2)


def _ramp(share: np.ndarray) -> np.ndarray:
    """A wall from 0 to 1 with rounded ends; its slope reaches 1.25."""
    s, end = np.clip(share, 0, 1), 0.2
    low, high = s**2 / (2 * end), 1 - end - (1 - s) ** 2 / (2 * end)
    return np.where(s < end, low, np.where(s > 1 - end, high, s - end / 2)) / (1 - end)


def _curve(start: np.ndarray, angle: float, length: float, turn: float) -> np.ndarray:
    """Dense points (n, 2), row and column, of a curve that turns by so many radians in all."""
    count = int(length * 40)
    along = np.linspace(-0.5, 0.5, count)
    angles = angle + turn * along + 0.1 * turn * np.sin(9 * along)
    steps = np.stack([-np.sin(angles), np.cos(angles)], axis=1) * length / count
    points = np.cumsum(steps, axis=0)
    return start + points - points[count // 2]


def _near(canvas: _Canvas, curve: np.ndarray, reach: float) -> tuple[tuple[slice, slice], np.ndarray, np.ndarray]:
    """Where a curve reaches, the distance to it (inf beyond) and the place along it, 0 to 1."""
    where, places = canvas.window(curve.min(axis=0) - reach, curve.max(axis=0) + reach)
    distance, index = cKDTree(curve).query(places, distance_upper_bound=reach)
    return where, distance, np.minimum(index, len(curve) - 1) / (len(curve) - 1)


def _place_curve(canvas: _Canvas, half_px: float, longest_px: float) -> np.ndarray:
    """A curve that keeps clear of all marks, shorter where there is no room for a long one."""
    clear = canvas.clearance()
    for attempt in range(TRIES):
        length = longest_px * (1 - 0.7 * attempt / TRIES)
        start = canvas.rng.uniform(0, canvas.size, 2)
        curve = _curve(start, canvas.rng.uniform(0, np.pi), length, canvas.rng.uniform(-1.2, 1.2))
        row, col = np.floor(curve.T).astype(int)
        if min(row.min(), col.min()) < 0 or max(row.max(), col.max()) >= canvas.size:
            continue
        if clear[row, col].min() > half_px + GAP_PX + 1:
            return curve
    raise ValueError(f"no room for a line of {2 * half_px:.1f} px; take another seed")


def _place_disc(canvas: _Canvas, radius_px: float) -> np.ndarray:
    """Centre (row, column) of a disc that keeps clear of all marks."""
    row, col = np.nonzero(canvas.clearance() > radius_px + GAP_PX)
    if not len(row):
        raise ValueError(f"no room for a mark of {2 * radius_px:.0f} px; take another seed")
    chosen = canvas.rng.integers(len(row))
    return np.array([row[chosen], col[chosen]]) + 0.5


def _area(canvas: _Canvas, width_px: float, rectangle: bool) -> None:
    """An etched area of a least width, closed and irregular, or a turned rectangle."""
    rng = canvas.rng
    long_px = min(width_px * rng.uniform(1, 1.8), 24.0)
    radius = np.hypot(width_px, long_px) / 2 if rectangle else 1.25 * long_px / 2
    centre = _place_disc(canvas, radius)
    where, places = canvas.window(centre - radius - 1, centre + radius + 1)
    angle = rng.uniform(0, np.pi)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    local = (places - centre) @ turn
    if rectangle:
        beyond = np.abs(local) - np.array([width_px, long_px]) / 2 + 0.5
        inward = 0.5 - np.hypot(*np.moveaxis(np.maximum(beyond, 0), -1, 0)) - np.minimum(beyond.max(axis=-1), 0)
    else:
        theta = np.linspace(0, 2 * np.pi, 4000)
        waves = sum(rng.uniform(-0.12, 0.12) * np.cos(k * theta + rng.uniform(0, 2 * np.pi)) for k in (2, 3, 4))
        outline = (1 + waves)[:, None] * np.stack([np.cos(theta) * width_px, np.sin(theta) * long_px], axis=1) / 2
        distance, _ = cKDTree(outline).query(local)
        scaled = local / np.array([width_px, long_px]) * 2
        limit = np.interp(np.arctan2(scaled[..., 1], scaled[..., 0]) % (2 * np.pi), theta, 1 + waves)
        inward = np.where(np.hypot(scaled[..., 0], scaled[..., 1]) < limit, distance, -distance)
    deepest = rng.uniform(15, 40)
    wall = rng.uniform(max(0.5, 1.25 * deepest / canvas.pitch_um / STEEPEST), 1.5)
    canvas.dig(where, deepest * _ramp(inward / wall), AREA, deepest)


def _etched_line(canvas: _Canvas, width_px: float, rounded: bool) -> None:
    """A bitten line: flat floor, walls steep or rounded; too thin a line is shallower."""
    rng, half = canvas.rng, width_px / 2
    gain = np.pi / 2 if rounded else 1.25
    deepest = min(rng.uniform(15, 40), STEEPEST / gain * half * canvas.pitch_um)
    least = gain * deepest / canvas.pitch_um / STEEPEST
    wall = max(least, min(rng.uniform(0.5, 1.5), half - 0.6))
    where, distance, _ = _near(canvas, _place_curve(canvas, half, rng.uniform(30, 50)), half)
    share = np.clip((half - distance) / wall, 0, 1)
    depth = deepest * (np.sin(np.pi / 2 * share) if rounded else _ramp(share))
    wide = width_px >= 3
    canvas.dig(where, depth, ETCHED_LINE if wide else OTHER_LINE, deepest if wide else 0.0)


def _tooled_line(canvas: _Canvas, width_px: float) -> None:
    """A V that swells and tapers."""
    rng = canvas.rng
    where, distance, along = _near(canvas, _place_curve(canvas, width_px / 2, rng.uniform(35, 60)), width_px / 2)
    half = width_px / 2 * (0.15 + 0.85 * np.sin(np.pi * along) ** rng.uniform(0.5, 1.2))
    canvas.dig(where, rng.uniform(0.3, 1) * canvas.pitch_um * np.maximum(half - distance, 0), OTHER_LINE)


def _groove(canvas: _Canvas, curve: np.ndarray, width_px: float, slope: float, ridge_um: float, label: int) -> None:
    """A V with a ridge along both sides, a quarter as wide as the V, through whatever is there."""
    half, ridge_px = width_px / 2, width_px / 4
    where, distance, _ = _near(canvas, curve, half + ridge_px)
    canvas.labels[where][np.isfinite(distance)] = label
    ridge = ridge_um * np.sin(np.pi * np.clip((distance - half) / ridge_px, 0, 1)) ** 2
    # the walls are planes that also cut through older ridges above the plate
    walls = slope * canvas.pitch_um * (distance - half)
    canvas.scratch[where] = np.minimum(canvas.scratch[where] + ridge, walls)


def _grain(canvas: _Canvas, radius_px: float) -> None:
    """A patch of pits that overlap in part."""
    rng = canvas.rng
    centre = _place_disc(canvas, radius_px + 1.5)
    for _ in range(int(0.35 * np.pi * radius_px**2)):
        away, angle = radius_px * np.sqrt(rng.uniform()), rng.uniform(0, 2 * np.pi)
        pit, half = centre + away * np.array([np.sin(angle), np.cos(angle)]), rng.uniform(0.5, 1.5)
        where, places = canvas.window(pit - half, pit + half)
        share = np.minimum(((places - pit) ** 2).sum(axis=-1) / half**2, 1)
        deepest = min(rng.uniform(5, 15), STEEPEST / 2 * half * canvas.pitch_um)
        canvas.dig(where, deepest * (1 - share), GRAIN)


def whole_plate(seed: int) -> Plate:
    """Every kind of mark on 160 x 160 pixels of 50 um, 8 x 8 cells each; more than half of it is land."""
    canvas = _Canvas(160, 8, 50.0, np.random.default_rng(seed))
    rng, size = canvas.rng, canvas.size
    _grain(canvas, 13.0)
    for index, width in enumerate(np.linspace(20, 6, 9)):
        _area(canvas, width, rectangle=index % 2 == 1)
    for index, width in enumerate(np.linspace(6, 3, 9)):
        _etched_line(canvas, width, rounded=index % 2 == 1)
    for width in np.linspace(6, 0.5, 10):
        _tooled_line(canvas, width)
    for index, width in enumerate(np.linspace(2.9, 1, 6)):
        _etched_line(canvas, width, rounded=index % 2 == 1)
    for width_um in np.linspace(30, 8, 5):
        curve = _curve(rng.uniform(0.3, 0.7, 2) * size, rng.uniform(0, np.pi), 0.8 * size, rng.uniform(-1, 1))
        slope = rng.uniform(0.5, 0.9)
        _groove(canvas, curve, width_um / 50, slope, 0.1 * slope * width_um, SCRATCH)
    waves = canvas.waves(20.0)
    # every second floor is gently rough, the others are flat
    return canvas.plate(np.where(canvas.marks % 2, canvas.noise(0.4) * 1.2, 0.0), waves)


def macro_plate(seed: int) -> Plate:
    """A straight and a curved tooled groove that cross, on land: 128 x 128 pixels of 5 um, 4 x 4 cells each."""
    canvas = _Canvas(128, 4, 5.0, np.random.default_rng(seed))
    rng, size = canvas.rng, canvas.size
    first, middle = rng.uniform(0, np.pi), rng.uniform(0.4, 0.6, 2)
    plan = ((first, 0.0, rng.uniform(30, 40)), (first + rng.uniform(1.1, 1.9), 2.4, rng.uniform(15, 20)))
    for angle, turn, width in plan:
        slope = np.tan(np.radians(rng.uniform(27, 45)))
        curve = _curve(middle * size, angle, 3 * size, turn)
        _groove(canvas, curve, width, slope, 0.06 * width * canvas.pitch_um, OTHER_LINE)
    waves = canvas.waves(size / 6)
    return canvas.plate(np.zeros_like(waves), waves)
