"""Lines of many makers: their sections, how they swell and end, and their truth."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from marked_canvas import Band, Canvas, lengths_along

FINE_STEPS = 4001


@dataclass(frozen=True)
class Profile:
    """The section of a groove as shares of its depth, over shares of its half width; ridges beside it."""

    shape: str
    """v (rounded bottom), u (bowl) or trapezoid."""
    blunt: float
    """v: radius of the bottom over the half width; u: exponent; trapezoid: share of the half width that is wall."""
    ridge_shape: str = "none"
    """none, sin2, triangle or lean (steep inside, long outside)."""
    ridge_width: float = 0.5
    """Of one ridge, over the half width."""
    ridges: tuple[float, float] = (0.0, 0.0)
    """Height of left and right ridge over the depth."""

    def cut(self, u: np.ndarray) -> np.ndarray:
        """Share of the depth at |offset| / half width."""
        u = np.minimum(np.abs(u), 1)
        if self.shape == "v":
            r = self.blunt
            return (np.hypot(1, r) - np.hypot(u, r)) / (np.hypot(1, r) - r)
        if self.shape == "u":
            return 1 - u**self.blunt
        s = np.clip((1 - u) / self.blunt, 0, 1)
        end = 0.2
        low, high = s**2 / (2 * end), 1 - end - (1 - s) ** 2 / (2 * end)
        return np.where(s < end, low, np.where(s > 1 - end, high, s - end / 2)) / (1 - end)

    def pile(self, u: np.ndarray) -> np.ndarray:
        """Height of the ridges over the depth at offset / half width (negative: left)."""
        v = (np.abs(u) - 1) / self.ridge_width
        if self.ridge_shape == "none":
            return np.zeros_like(v)
        if self.ridge_shape == "sin2":
            form = np.sin(np.pi * np.clip(v, 0, 1)) ** 2
        else:
            peak = 0.5 if self.ridge_shape == "triangle" else 0.2
            form = np.clip(np.minimum(v / peak, (1 - v) / (1 - peak)), 0, 1)
        return form * np.where(u < 0, self.ridges[0], self.ridges[1])

    @property
    def reach(self) -> float:
        """Half width with ridges, over the half width of the groove."""
        return 1 + (self.ridge_width if self.ridge_shape != "none" else 0.0)

    @property
    def half_depth_share(self) -> float:
        """Width at half depth over the width at the mouth."""
        u = np.linspace(0, 1, FINE_STEPS)
        return float(np.interp(-0.5, -self.cut(u), u))

    @property
    def removed_fraction(self) -> float:
        """Groove area less ridge area, over groove area."""
        u = np.linspace(-self.reach, self.reach, FINE_STEPS)
        return float(1 - self.pile(u).sum() / self.cut(u)[np.abs(u) <= 1].sum())

    def seen_depth(self, half_um: float, depth_um: float, pitch_um: float, angle: float) -> float:
        """Depth of the section averaged over square pixels that stand at an angle to it, um."""
        x = np.linspace(-4 * half_um - 2 * pitch_um, 4 * half_um + 2 * pitch_um, FINE_STEPS)
        z = np.where(np.abs(x) <= half_um, -self.cut(x / half_um), self.pile(x / half_um)) * depth_um
        for side in (abs(np.cos(angle)), abs(np.sin(angle))):
            count = max(1, round(side * pitch_um / (x[1] - x[0])))
            z = np.convolve(z, np.ones(count) / count, "same")
        return float(-z[len(z) // 8 : -len(z) // 8].min())


@dataclass(frozen=True)
class Line:
    """One line to be made; lengths um."""

    points: np.ndarray
    """(n, 2): row, column."""
    half_um: np.ndarray
    """(n,): half width at the mouth along the line."""
    depth_um: np.ndarray
    """(n,)"""
    profile: Profile
    class_name: str
    kind: str

    def bite_shape(self, canvas: Canvas, uneven: float) -> tuple[tuple[slice, slice], np.ndarray]:
        """Window and depth of an etched line whose two edges wander on their own by a share of the half width."""
        along = lengths_along(self.points)
        left, right = (self.half_um * (1 + uneven * _wander(canvas.rng, along, 25.0)) for _ in range(2))
        band = canvas.band(self.points, float(max(left.max(), right.max())))
        half = np.where(band.offset < 0, _at(band, along, left), _at(band, along, right))
        u = np.abs(band.offset) / half
        depth = np.where(u <= 1, self.profile.cut(u) * _at(band, along, self.depth_um), 0)
        return band.where, np.nan_to_num(depth).astype(np.float32)

    def plough(self, canvas: Canvas, follow_um: float) -> None:
        """Cut the line."""
        along = lengths_along(self.points)

        def scaled(
            form: Callable[[np.ndarray], np.ndarray], inside: bool
        ) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
            def value(offset: np.ndarray, place: np.ndarray) -> np.ndarray:
                half = np.interp(place, along, self.half_um)
                u = offset / np.maximum(half, 1e-6)
                return np.where((np.abs(u) < 1) == inside, form(u) * np.interp(place, along, self.depth_um), 0)

            return value

        band = canvas.band(self.points, float(self.half_um.max()) * self.profile.reach)
        canvas.plough(
            band, scaled(self.profile.cut, True), scaled(self.profile.pile, False), follow_um, self.class_name
        )

    def facts(self, canvas: Canvas) -> dict[str, Any]:
        """Truth of the line inside the field; of a line that swells, its median."""
        half, depth = float(np.median(self.half_um)), float(np.median(self.depth_um))
        way = self.points[-1] - self.points[0]
        profile = self.profile
        return {
            "class": self.class_name,
            "kind": self.kind,
            "points": self.points,
            "length_mm": float(lengths_along(self.points)[-1]) / 1000,
            "width_um": 2 * half * profile.half_depth_share,
            "mouth_um": 2 * half,
            "depth_um": depth,
            "depth_pixel_um": profile.seen_depth(half, depth, canvas.pitch_um, float(np.arctan2(-way[0], way[1]))),
            "burr_left_um": profile.ridges[0] * depth,
            "burr_right_um": profile.ridges[1] * depth,
            "removed_fraction": profile.removed_fraction,
            "section": profile.shape,
        }


def _at(band: Band, along: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.interp(band.along.ravel(), along, values).reshape(band.along.shape)


def _wander(rng: np.random.Generator, along: np.ndarray, step_um: float) -> np.ndarray:
    """Smooth noise of about unit spread along a line."""
    knots = np.arange(0, along[-1] + step_um, step_um)
    return np.interp(along, knots, rng.standard_normal(len(knots)))


def curve(canvas: Canvas, middle: np.ndarray, angle: float, length_um: float, turn: float) -> np.ndarray:
    """Points (n, 2) every 10 um inside the field of a line that turns by so many radians; under two: none."""
    count = max(3, int(length_um / 10))
    share = np.linspace(-0.5, 0.5, count)
    angles = angle + turn * share
    steps = np.stack([-np.sin(angles), np.cos(angles)], axis=1) * length_um / count
    points = np.cumsum(steps, axis=0)
    points += middle - points[count // 2]
    inside = ((points >= 0) & (points <= canvas.side_um)).all(axis=1)
    # the longest run inside
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int)))
    if not len(edges):
        return points[:0]
    runs = edges.reshape(-1, 2)
    first, last = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    return points[first:last]


def _swell(points: np.ndarray, power: float, least: float) -> np.ndarray:
    share = lengths_along(points) / max(lengths_along(points)[-1], 1e-9)
    return least + (1 - least) * np.sin(np.pi * np.clip(share, 0, 1)) ** power


def etched_line(rng: np.random.Generator, points: np.ndarray, width_um: float) -> Line:
    """A bitten line: bowl or trapezoid, no ridges."""
    half = width_um / 2
    if rng.random() < 0.5:
        exponent = rng.uniform(2.2, 4)
        profile, steepest = Profile("u", exponent), exponent
    else:
        wall = rng.uniform(0.3, 0.6)
        profile, steepest = Profile("trapezoid", wall), 1.25 / wall
    depth = min(rng.uniform(12, 35), rng.uniform(0.8, 1.2) * half / steepest)
    ones = np.ones(len(points))
    return Line(points, half * ones, depth * ones, profile, "etched", "etched line")


def burin_line(rng: np.random.Generator, points: np.ndarray, width_um: float) -> Line:
    """A V that swells and tapers, its metal lifted out."""
    profile = Profile("v", rng.uniform(0.03, 0.15), "sin2", rng.uniform(0.3, 0.6), tuple(rng.uniform(0, 0.06, 2)))
    half = width_um / 2 * _swell(points, rng.uniform(0.4, 0.9), 0.05)
    return Line(points, half, half * rng.uniform(0.4, 0.75), profile, "tooled", "burin")


def drypoint_line(rng: np.random.Generator, points: np.ndarray, width_um: float) -> Line:
    """A thin groove with much burr on one side or on both."""
    high, low = rng.uniform(0.4, 0.8), rng.choice([0.0, 0.15, 0.5])
    sides = (high, low) if rng.random() < 0.5 else (low, high)
    shape = str(rng.choice(["triangle", "lean", "sin2"]))
    profile = Profile("v", rng.uniform(0.1, 0.3), shape, rng.uniform(0.7, 1.2), sides)
    half = width_um / 2 * _swell(points, 0.25, 0.3)
    return Line(points, half, half * rng.uniform(0.4, 0.7), profile, "tooled", "drypoint")


def scratch_line(rng: np.random.Generator, points: np.ndarray, width_um: float, ratio: float | None = None) -> Line:
    """A groove that something hard ploughed: ridges hold much of its metal."""
    blunt = rng.uniform(0.05, 0.5)
    shape = str(rng.choice(["sin2", "triangle", "lean"]))
    sides = rng.uniform(0.1, 0.3, 2)
    if rng.random() < 0.3:
        sides[rng.integers(2)] *= 0.1
    profile = Profile("v", blunt, shape, rng.uniform(0.4, 0.9), tuple(sides))
    along = lengths_along(points)
    half = width_um / 2 * np.clip(1 + 0.08 * _wander(rng, along, 800.0), 0.7, 1.3)
    end = min(300.0, along[-1] / 4)
    half = half * np.clip(0.3 + 0.7 * np.minimum(along, along[-1] - along) / end, 0, 1)
    ratio = rng.uniform(0.25, 0.6) if ratio is None else ratio
    return Line(points, half, half * ratio, profile, "scratch", "scratch")
