"""From a drawing to a surface: heights at the corners of small facets, and what covers each facet.

Each pixel is divided into sub x sub square facets. Heights belong to the facets' corners, so that the mean slope of a
pixel is exactly the difference of the heights along its edges, and truth adds up.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter

from lightdome.errors import GridError
from lightdome.raster import Grid, Window
from lightdome.synthetic import drawing as d
from lightdome.synthetic.shapes import (
    grain,
    inside_polygon,
    nearest_on_polyline,
    ridge_section,
    smooth_step,
    v_section,
)
from lightdome.units import UM_PER_MM

BITE_MM, BITE_SIGMA_MM = 0.004, 0.02
"""How far bitten edges wander, and over what length (chosen by eye)."""
FLOOR_UM, FLOOR_SIGMA_MM = 0.5, 0.015
ROLL_SIGMA_MM = (0.03, 0.8)
"""Across and along the rolling direction, which is x."""
GRAIN_EDGE = 0.35
CORE = (-0.2, -0.9)
RIDGE_ENDS = ((0.3, 0.25, 1), (-0.4, -0.1, -1), (0.1, -0.45, 1))
"""Where the arcs of a print have their centre, and where a ridge ends (and which way), in half axes of the patch."""


@dataclass(frozen=True)
class Facets:
    """Some rows of facets. Arrays are (facet rows, facet columns)."""

    x_mm: np.ndarray
    """(columns,) centres."""
    y_mm: np.ndarray
    """(rows,) centres."""
    height_um: np.ndarray
    slope_x: np.ndarray
    """dz/dx, the mean over the facet."""
    slope_y: np.ndarray
    class_code: np.ndarray
    ink: np.ndarray
    film: np.ndarray


@dataclass(frozen=True)
class Surface:
    """A plate's field as small facets; a patch smaller than the field repeats."""

    grid: Grid
    """The photograph's pixels."""
    sub: int
    """Facets along a pixel's side."""
    corner_um: np.ndarray
    """(n + 1, m + 1) heights at the facets' corners."""
    class_code: np.ndarray
    """(n, m) uint8."""
    ink: np.ndarray
    """(n, m) share covered by residue, 0-1."""
    film: np.ndarray
    """(n, m) share covered by a print's film, 0-1."""

    @property
    def facet_mm(self) -> float:
        """Side of a facet."""
        return self.grid.pitch_mm / self.sub

    @property
    def repeats(self) -> bool:
        """True where the patch is smaller than the field."""
        return self.class_code.shape != tuple(self.sub * side for side in self.grid.shape)

    def facets(self, row0: int, row1: int) -> Facets:
        """The facets of pixel rows row0 to row1."""
        n, m = self.class_code.shape
        rows = np.arange(row0 * self.sub, row1 * self.sub) % n
        cols = np.arange(self.grid.shape[1] * self.sub) % m
        at = np.ix_(rows, cols)
        north_west, north_east = self.corner_um[at], self.corner_um[np.ix_(rows, cols + 1)]
        south_west, south_east = self.corner_um[np.ix_(rows + 1, cols)], self.corner_um[np.ix_(rows + 1, cols + 1)]
        per_facet = np.float32(0.5 / (UM_PER_MM * self.facet_mm))
        fine = Grid(tuple(self.sub * side for side in self.grid.shape), self.facet_mm)  # type: ignore[arg-type]
        window = Window(row0 * self.sub, row1 * self.sub, 0, fine.shape[1])
        return Facets(
            x_mm=fine.x_mm(window),
            y_mm=fine.y_mm(window),
            height_um=(north_west + north_east + south_west + south_east) / 4,
            slope_x=(north_east - north_west + south_east - south_west) * per_facet,
            slope_y=(north_west - south_west + north_east - south_east) * per_facet,
            class_code=self.class_code[at],
            ink=self.ink[at],
            film=self.film[at],
        )

    def pixel_mean(self, values: np.ndarray) -> np.ndarray:
        """Mean of each pixel's facets: (rows x sub, columns x sub) to (rows, columns)."""
        rows, cols = values.shape[0] // self.sub, values.shape[1] // self.sub
        return values.reshape(rows, self.sub, cols, self.sub).mean(axis=(1, 3))


def make_surface(
    drawing: d.Drawing, grid: Grid, sub: int, seed: int, patch_px: tuple[int, int] | None = None
) -> Surface:
    """Cut a drawing into metal; the same seed gives the same surface.

    patch_px : rows and columns of a patch that repeats over the field (default: the whole field).
    Class and cover of a facet are those of its north-west corner, within half a facet of its centre.
    """
    if sub < 1 or sub != int(sub):
        raise GridError(f"sub must be a whole number of facets from 1, got {sub}")
    patch = Grid(patch_px or grid.shape, grid.pitch_mm)
    work = _Metal(patch, sub, np.random.default_rng(seed))
    work.roll(drawing.grain_um, drawing.form_um)
    work.etch(drawing.etched)
    for pit in drawing.pits:
        work.pit(pit)
    for cut in drawing.cuts:
        work.cut(cut)
    for deposit in drawing.deposits:
        work.deposit(deposit)
    for finger in drawing.prints:
        work.print(finger)
    inner = (slice(None, -1), slice(None, -1))
    return Surface(grid, sub, work.z_um, work.code[inner], work.ink[inner], work.film[inner])


class _Metal:
    """A patch being worked on; every array is on the facets' corners."""

    def __init__(self, patch: Grid, sub: int, rng: np.random.Generator) -> None:
        rows, cols = (sub * side for side in patch.shape)
        self.step_mm = patch.pitch_mm / sub
        self.x_mm = (np.arange(cols + 1) - cols / 2) * self.step_mm
        self.y_mm = (rows / 2 - np.arange(rows + 1)) * self.step_mm
        self.rng = rng
        self.z_um = np.zeros((rows + 1, cols + 1), np.float32)
        self.ink = np.zeros_like(self.z_um)
        self.film = np.zeros_like(self.z_um)
        self.code = np.zeros(self.z_um.shape, np.uint8)

    def noise(self, sigma_mm: tuple[float, float]) -> np.ndarray:
        """Unit noise that joins at the patch's edges."""
        shape = (len(self.y_mm) - 1, len(self.x_mm) - 1)
        made = grain(shape, (sigma_mm[0] / self.step_mm, sigma_mm[1] / self.step_mm), self.rng)
        return np.pad(made, ((0, 1), (0, 1)), mode="wrap")

    def around(self, points_mm: np.ndarray, reach_mm: float) -> tuple[slice, slice] | None:
        """The corners within reach of some points; None where there are none."""
        (x0, y0), (x1, y1) = points_mm.min(axis=0) - reach_mm, points_mm.max(axis=0) + reach_mm
        cols = np.flatnonzero((self.x_mm >= x0) & (self.x_mm <= x1))
        rows = np.flatnonzero((self.y_mm >= y0) & (self.y_mm <= y1))
        if not (len(rows) and len(cols)):
            return None
        return slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)

    def roll(self, grain_um: float, form_um: float) -> None:
        """Rolled metal: fine streaks along x over a gentle bow."""
        self.z_um += grain_um * self.noise(ROLL_SIGMA_MM)
        bow = 1 - (self.x_mm[None, :] / self.x_mm[-1]) ** 2 / 2 - (self.y_mm[:, None] / self.y_mm[0]) ** 2 / 2
        self.form_um = (form_um * bow).astype(np.float32)

    def etch(self, etched: tuple[d.EtchedLine | d.EtchedArea, ...]) -> None:
        """One bath bites all lines and areas; where they overlap the deeper stays."""
        bite_mm = BITE_MM * self.noise((BITE_SIGMA_MM, BITE_SIGMA_MM))
        bottom_um = np.zeros_like(self.z_um)
        bitten = np.zeros_like(self.z_um)
        for item in etched:
            points = np.array(item.points_mm if isinstance(item, d.EtchedLine) else item.outline_mm)
            reach = (item.width_um / UM_PER_MM if isinstance(item, d.EtchedLine) else 0) + 5 * BITE_MM
            place = self.around(points, reach)
            if place is None:
                continue
            x, y = self.x_mm[place[1]], self.y_mm[place[0]]
            if isinstance(item, d.EtchedLine):
                inside_mm = item.width_um / UM_PER_MM / 2 - nearest_on_polyline(points, x, y)[0]
                depth_um: np.ndarray | float = item.depth_um
            else:
                mask = inside_polygon(points, x, y)
                inside_mm = (distance_transform_edt(mask) - distance_transform_edt(~mask)) * self.step_mm
                depth_um = item.depth_um * (1 - item.tops * self._grains(item.grain_mm)[place])
            wall_mm = item.wall_per_depth * item.depth_um / UM_PER_MM
            share = smooth_step((inside_mm + bite_mm[place]) / wall_mm).astype(np.float32)
            bottom_um[place] = np.minimum(bottom_um[place], -depth_um * share)
            bitten[place] = np.maximum(bitten[place], share)
            self.ink[place] = np.maximum(self.ink[place], item.ink * smooth_step(2 * share - 0.6))
            self.code[place][inside_mm + bite_mm[place] > 0] = d.ETCHED
        floor_um = FLOOR_UM * self.noise((FLOOR_SIGMA_MM, FLOOR_SIGMA_MM))
        self.z_um = self.z_um * (1 - bitten) + bottom_um + bitten * floor_um + self.form_um

    def _grains(self, sigma_mm: float) -> np.ndarray:
        """Grains of the ground that held the acid off, 0-1, covering about half."""
        return smooth_step((self.noise((sigma_mm, sigma_mm)) / GRAIN_EDGE + 1) / 2).astype(np.float32)

    def pit(self, pit: d.Pit) -> None:
        """A hollow of a paraboloid."""
        radius_mm = pit.diameter_um / UM_PER_MM / 2
        place = self.around(np.array([pit.centre_mm]), radius_mm)
        if place is None:
            return
        x, y = self.x_mm[place[1]][None, :] - pit.centre_mm[0], self.y_mm[place[0]][:, None] - pit.centre_mm[1]
        share = 1 - (x**2 + y**2) / radius_mm**2
        self.z_um[place] -= (pit.depth_um * np.clip(share, 0, None)).astype(np.float32)
        self.code[place][share > 0] = d.PIT

    def cut(self, cut: d.Cut) -> None:
        """A point follows the surface as it finds it (smoothed over its own width), cuts a V and throws up ridges."""
        points = np.array(cut.points_mm)
        left_um, right_um = cut.ridges_um
        half_mm = cut.width_um / UM_PER_MM / 2
        reach_mm = half_mm * (1 + 2 * max(left_um, right_um) / cut.depth_um)
        place = self.around(points, reach_mm + 4 * half_mm)
        if place is None:
            return
        distance, side, along = nearest_on_polyline(points, self.x_mm[place[1]], self.y_mm[place[0]])
        swell = taper_at(along, cut.taper).astype(np.float32)
        z = self.z_um[place]
        found = gaussian_filter(z, half_mm / self.step_mm, mode="nearest")
        groove = v_section(distance, half_mm * swell, cut.depth_um * swell, cut.rounding)
        ridge_um = np.where(side > 0, left_um, right_um) * swell
        ridge = ridge_section(distance, half_mm * swell, ridge_um, cut.depth_um * swell)
        self.z_um[place] = np.where(groove < 0, np.minimum(z, found + groove), z + ridge)
        moved = (groove < 0) | (ridge > 0)
        self.code[place][moved] = cut.kind
        self.ink[place] *= 1 - (groove < 0)

    def deposit(self, deposit: d.Deposit) -> None:
        """Dried ink, thin at its edge."""
        points = np.array(deposit.outline_mm)
        place = self.around(points, 0.1)
        if place is None:
            return
        mask = inside_polygon(points, self.x_mm[place[1]], self.y_mm[place[0]])
        inside_mm = distance_transform_edt(mask) * self.step_mm
        cover = smooth_step(inside_mm / 0.04).astype(np.float32)
        self.z_um[place] += deposit.height_um * smooth_step(inside_mm / 0.15).astype(np.float32)
        self.ink[place] = np.maximum(self.ink[place], cover)
        self.code[place][mask] = d.DEPOSIT

    def print(self, finger: d.Print) -> None:
        """Friction ridges: arcs of an even period about a core below the patch, with a few ends and a soft border."""
        (cx, cy), (ax, ay) = finger.centre_mm, finger.half_axes_mm
        x, y = (self.x_mm[None, :] - cx) / ax, (self.y_mm[:, None] - cy) / ay
        phase = 2 * np.pi * np.hypot((x - CORE[0]) * ax, (y - CORE[1]) * ay) / finger.period_mm
        for end_x, end_y, sense in RIDGE_ENDS:
            phase = phase + sense * np.arctan2(y - end_y, x - end_x)
        wave = 0.5 + 0.5 * np.cos(phase + 0.3 * self.noise((0.8, 0.8)))
        pressure = smooth_step((1 - x**2 - y**2 + 0.15 * self.noise((0.5, 0.5))) / 0.25)
        film = (pressure * smooth_step((wave - 0.25) / 0.4)).astype(np.float32)
        self.film = np.maximum(self.film, film)
        self.z_um += finger.height_um * film
        self.code[(pressure > 0.5) & (self.code == d.LAND)] = d.PRINT


def taper_at(along: np.ndarray, taper: float) -> np.ndarray:
    """Share of the full section at positions 0-1 along a cut: it grows as a square root over `taper` at each end."""
    if taper <= 0:
        return np.ones_like(along)
    return np.sqrt(np.clip(np.minimum(along, 1 - along) / taper, 0, 1))
