"""Residue in grooves: what the floor throws back against the land beside it, with interval and detection limit.

What counts first is the total reflectance, diffuse and lobe together: ink and dirt take light away, while the floor of
a bitten line is rougher than land without any residue, which only spreads the same light. Diffuse part, specular
strength, roughness and colour are given beside it, as far as they are known.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from lightdome.marks.records import Mark
from lightdome.marks.sections import stations
from lightdome.raster import Grid
from lightdome.units import UM_PER_MM

COUNTS_FIRST = ("total", "colour")
"""Quantities that residue is found by; the others change with the shape or the roughness of a clean floor as well."""
HOLLOW = ("etched", "tooled", "scratch", "pit")
FLOOR_SHARE = 0.15
"""Half of the floor that is looked at, over the width: walls stay outside, and half a pixel is the least."""
GAP_PX, BESIDE_PX = 2, 8
"""The land beside begins so far from the painted marks and ends so far beyond."""
STEEP = 0.35
"""Slope above which a pixel is wall: its one lobe stands for the walls' light as well."""
BLOCK_PX = 8
"""Stretch of a line, and side of a square in an area, that is compared with its own land: neighbours share errors."""
LEAST_BLOCKS = 4
LEAST_WIDTH_PX = 3.0
MOST_SAMPLES = 40_000
K_FOUND, K_SEEN = 2.8, 1.64
"""Standard uncertainties of a contrast that counts as found (a clean groove reaches it once in 200), and more that
19 of 20 residues of the smallest size reach it."""
U_LEAST = 0.015
U_MIXED, U_NARROW = 0.55, 0.10
"""Standard uncertainty of the baseline that the groove's own shape and roughness leave in the contrast of the total:
the least; times m (1 - m), m the share of the diffuse part in the land's light, since a lobe and a diffuse part take
each other's light where walls mix in; and for a floor without a level pixel. From clean grooves of plates of eight
materials, rendered without light between walls and solved; the floors of the bitten ones 1.4 times as rough as land."""
U_POINTED, U_POINTED_STEEP = 0.06, 0.25
"""The same for a V, which has no floor, and for a V of steep walls, which light each other and hide from the lamps;
from clean grooves of path-traced plates (benchmarks/marked_plates.py)."""
FLAT_FULLNESS, POINTED_FULLNESS = 0.5, 0.65
"""Depth over that of a V of the same width and walls: 1 for a V, less the flatter the floor."""
GENTLE_DEG, STEEP_DEG = 25.0, 33.0
U_OF_CONTRAST = {"total": 0.12, "diffuse": 0.12, "specular": 0.12}
"""Standard uncertainty over the contrast itself: residue has a lobe of its own, unlike the metal's."""
U_COLOUR = 0.01
MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True)
class Place:
    """Pixels of one mark's floor and of the land beside, in blocks that have both."""

    floor: np.ndarray
    """(n,) places in the flattened field."""
    floor_block: np.ndarray
    """(n,) number of the block."""
    beside: np.ndarray
    beside_block: np.ndarray
    blocks: int
    level_share: float
    """Of the floor's middle that is no wall."""


def with_residue(
    marks: Sequence[Mark],
    classes: np.ndarray,
    height_um: np.ndarray,
    maps: Iterable[tuple[str, np.ndarray]],
    grid: Grid,
) -> list[Mark]:
    """Marks with `residue` and a sentence of evidence, where their floor is wide enough to be looked at.

    classes : (rows, columns) uint8 with all marks painted. height_um : (rows, columns). maps : quantity and map (rows,
    columns): total, diffuse, specular, roughness, colour, as far as they are known.
    """
    free = _land(classes)
    places = {mark.id: _place(mark, free, height_um, grid) for mark in marks if mark.class_name in HOLLOW}
    wanted = {name: place for name, place in places.items() if place is not None}
    measured: dict[str, dict[str, _Contrast]] = {name: {} for name in wanted}
    for quantity, values in maps:
        flat = values.ravel()
        for name, place in wanted.items():
            found = _contrast(flat, place)
            if found is not None:
                measured[name][quantity] = found
    return [_judged(mark, places.get(mark.id), measured.get(mark.id, {})) for mark in marks]


@dataclass(frozen=True)
class _Contrast:
    middle: float
    u: float
    """Standard uncertainty of the mean from the scatter of the blocks."""
    level: float
    """Of the land beside."""


def _land(classes: np.ndarray) -> np.ndarray:
    import cv2

    side = 2 * GAP_PX + 1
    return np.asarray(cv2.dilate((classes != 0).astype(np.uint8), np.ones((side, side), np.uint8)) == 0)


def _place(mark: Mark, free: np.ndarray, height_um: np.ndarray, grid: Grid) -> Place | None:
    if not mark.resolved or mark.width_um is None or (mark.depth_um or 0) <= 0:
        return None
    width_px = mark.width_um / (grid.pitch_mm * UM_PER_MM)
    if width_px < LEAST_WIDTH_PX:
        return None
    if mark.geometry["type"] == "LineString":
        return _place_of_line(mark, width_px, free, height_um, grid)
    return _place_of_area(mark, free, height_um, grid)


def _place_of_line(mark: Mark, width_px: float, free: np.ndarray, height_um: np.ndarray, grid: Grid) -> Place | None:
    points = np.array(mark.geometry["coordinates"], float)
    points_px = np.stack(grid.to_pixel(points[:, 0], points[:, 1]), axis=1)
    places, right = stations(points_px, width_px)
    block = np.arange(len(places)) // BLOCK_PX
    half = max(0.5, FLOOR_SHARE * width_px)
    step_um = 2 * grid.pitch_mm * UM_PER_MM

    def at(offset_px: float) -> tuple[np.ndarray, np.ndarray]:
        spot = np.rint(places + offset_px * right).astype(int)
        inside = np.asarray(((spot >= 0) & (spot < free.shape)).all(axis=1))
        spot = np.clip(spot, 0, np.array(free.shape) - 1)
        return spot[:, 0] * free.shape[1] + spot[:, 1], inside

    heights = height_um.ravel()
    floor, floor_block, level = [], [], []
    for offset in np.linspace(-half, half, max(2, round(2 * half)) + 1):
        spot, inside = at(offset)
        with np.errstate(invalid="ignore"):
            flat = np.abs(heights[at(offset + 1)[0]] - heights[at(offset - 1)[0]]) < STEEP * step_um
        floor.append(spot[inside])
        floor_block.append(block[inside])
        level.append(flat[inside])
    beside, beside_block = [], []
    for side in (-1, 1):
        for away in np.arange(width_px / 2 + 1, 1.5 * width_px + 2 + BESIDE_PX):
            spot, inside = at(side * away)
            inside &= free.ravel()[spot]
            beside.append(spot[inside])
            beside_block.append(block[inside])
    return _in_blocks(*(np.concatenate(part) for part in (floor, floor_block, level, beside, beside_block)))


def _place_of_area(mark: Mark, free: np.ndarray, height_um: np.ndarray, grid: Grid) -> Place | None:
    import cv2

    rings = [np.stack(grid.to_pixel(*np.array(ring, float).T), axis=1) for ring in mark.geometry["coordinates"]]
    low = np.maximum(np.floor(rings[0].min(axis=0)).astype(int) - BESIDE_PX - GAP_PX, 0)
    high = np.minimum(np.ceil(rings[0].max(axis=0)).astype(int) + BESIDE_PX + GAP_PX + 1, free.shape)
    if (high - low < 3).any():
        return None
    crop = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
    inside = np.zeros(tuple(high - low), np.uint8)
    cv2.fillPoly(inside, [np.floor(ring[:, ::-1] - low[::-1] + 0.5).astype(np.int32) for ring in rings], 1)
    near = cv2.dilate(inside, np.ones((2 * (BESIDE_PX + GAP_PX) + 1,) * 2, np.uint8)) > 0
    floor = cv2.erode(inside, np.ones((2 * GAP_PX + 1,) * 2, np.uint8)) > 0
    step_um = grid.pitch_mm * UM_PER_MM
    rise = np.gradient(height_um[crop], step_um)
    with np.errstate(invalid="ignore"):
        flat = np.hypot(*rise) < STEEP
    row, col = np.nonzero(floor)
    keep = slice(None, None, -(-len(row) // MOST_SAMPLES) or 1)
    row, col = row[keep], col[keep]
    beside_row, beside_col = np.nonzero(near & free[crop])
    if not len(row) or not len(beside_row):
        return None
    # the land around an area is compared with the whole of its floor, since most of that has no land beside it
    width = free.shape[1]
    blocks = -(-(high - low) // BLOCK_PX)
    block = (row // BLOCK_PX) * blocks[1] + col // BLOCK_PX
    return _in_blocks(
        (row + low[0]) * width + col + low[1],
        block,
        flat[row, col],
        (beside_row + low[0]) * width + beside_col + low[1],
        None,
    )


def _in_blocks(
    floor: np.ndarray, floor_block: np.ndarray, level: np.ndarray, beside: np.ndarray, beside_block: np.ndarray | None
) -> Place | None:
    """A place of the level pixels of a floor, or of all where few are level; None where too few blocks have both."""
    share = float(level.mean()) if len(level) else 0.0
    if share >= 0.5:
        floor, floor_block = floor[level], floor_block[level]
    if beside_block is None:
        kept = np.unique(floor_block)
        beside_block = np.zeros(len(beside), int)
    else:
        kept = np.intersect1d(floor_block, beside_block)
        used = np.isin(beside_block, kept)
        beside, beside_block = beside[used], np.searchsorted(kept, beside_block[used])
    if len(kept) < LEAST_BLOCKS:
        return None
    used = np.isin(floor_block, kept)
    return Place(floor[used], np.searchsorted(kept, floor_block[used]), beside, beside_block, len(kept), share)


def _contrast(values: np.ndarray, place: Place) -> _Contrast | None:
    """Of one quantity: median over the blocks of (floor - beside) / beside."""
    floor = _block_means(values[place.floor], place.floor_block, place.blocks)
    shared = not place.beside_block.any()
    beside = _block_means(values[place.beside], place.beside_block, 1 if shared else place.blocks)
    with np.errstate(invalid="ignore", divide="ignore"):
        contrast = floor / beside - 1
    contrast = contrast[np.isfinite(contrast) & (np.broadcast_to(beside, floor.shape) > 0)]
    if len(contrast) < LEAST_BLOCKS:
        return None
    spread = MAD_TO_SIGMA * float(np.median(np.abs(contrast - np.median(contrast))))
    # neighbouring blocks are alike where a residue or a solution drifts along the mark
    rest = contrast - contrast.mean()
    alike = float((rest[1:] * rest[:-1]).sum() / max(float((rest**2).sum()), 1e-30))
    independent = len(contrast) * (1 - max(alike, 0.0)) / (1 + max(alike, 0.0))
    # a median scatters 1.2533 times as much as a mean (normal values)
    u = 1.2533 * spread / np.sqrt(max(independent, 1.0))
    return _Contrast(float(np.median(contrast)), float(u), float(np.nanmedian(beside)))


def _block_means(values: np.ndarray, block: np.ndarray, count: int) -> np.ndarray:
    known = np.isfinite(values)
    total = np.bincount(block[known], values[known], minlength=count)
    number = np.bincount(block[known], minlength=count)
    return np.divide(total, number, out=np.full(count, np.nan), where=number > 0)


def _judged(mark: Mark, place: Place | None, found: dict[str, _Contrast]) -> Mark:
    if mark.class_name not in HOLLOW:
        return mark
    if place is None or not found:
        why = (
            "it is narrower than 3 pixels"
            if not mark.resolved
            else "too little of its floor or of the land beside it is seen"
        )
        return replace(
            mark, residue=None, evidence=(*mark.evidence, f"Whether it holds residue cannot be told: {why}.")
        )
    matte = found["diffuse"].level / found["total"].level if {"diffuse", "total"} <= set(found) else 0.0
    shape = U_MIXED * matte * max(1 - matte, 0.0) + U_NARROW * (1 - place.level_share)
    shape = float(np.hypot(shape, _pointed_doubt(mark)))
    doubt = {"total": float(np.hypot(U_LEAST, shape)), "colour": U_COLOUR}
    by_quantity = {
        name: _facts(
            one.middle, float(np.hypot(one.u, doubt.get(name, U_LEAST))), U_OF_CONTRAST.get(name, 0.0) * abs(one.middle)
        )
        for name, one in found.items()
    }
    telling = {name: facts for name, facts in by_quantity.items() if name in COUNTS_FIRST}
    if not telling:
        return replace(mark, residue=None)
    quantity = max(telling, key=lambda name: abs(telling[name]["contrast"]) / telling[name]["u"])
    told = by_quantity[quantity]
    seen = abs(told["contrast"]) > K_FOUND * told["u"]
    is_found = True if seen else (False if by_quantity.get("total", told)["smallest_seen"] < 1 else None)
    if not seen and "total" in by_quantity:
        quantity, told = "total", by_quantity["total"]
    residue: dict[str, Any] = {
        **{key: told[key] for key in ("contrast", "low", "high", "smallest_seen")},
        "quantity": quantity,
        "found": is_found,
        "by_quantity": {
            name: {key: facts[key] for key in ("contrast", "low", "high", "smallest_seen")}
            for name, facts in by_quantity.items()
        },
    }
    return replace(mark, residue=residue, evidence=(*mark.evidence, _sentence(quantity, told, is_found, place, shape)))


def _pointed_doubt(mark: Mark) -> float:
    """Standard uncertainty of the baseline of a groove without a floor; 0 for one with a floor, and for areas."""
    if mark.width_um is None or mark.depth_um is None or mark.wall_angle_deg is None:
        return 0.0
    of_v_um = mark.width_um * float(np.tan(np.radians(mark.wall_angle_deg)))
    pointed = np.clip((mark.depth_um / max(of_v_um, 1e-9) - FLAT_FULLNESS) / (POINTED_FULLNESS - FLAT_FULLNESS), 0, 1)
    steep = np.clip((mark.wall_angle_deg - GENTLE_DEG) / (STEEP_DEG - GENTLE_DEG), 0, 1)
    return float(pointed * np.hypot(U_POINTED, U_POINTED_STEEP * steep))


def _facts(middle: float, u: float, u_own: float) -> dict[str, float]:
    """Interval and detection limit; u : standard uncertainty of no contrast. u_own : what the contrast itself adds."""
    half = 2 * float(np.hypot(u, u_own))
    return {
        "contrast": round(middle, 5),
        "low": round(middle - half, 5),
        "high": round(middle + half, 5),
        "smallest_seen": round((K_FOUND + K_SEEN) * u, 5),
        "u": u,
    }


def _sentence(quantity: str, facts: dict[str, float], found: bool | None, place: Place, shape: float) -> str:
    name = {"total": "total reflectance (diffuse and sheen together)", "colour": "ratio of red to blue"}[quantity]
    said = (
        f"The {name} of its floor differs from the land beside by {100 * facts['contrast']:+.1f} %"
        f" ({100 * facts['low']:+.1f} to {100 * facts['high']:+.1f} %, k = 2; {place.blocks} stretches)"
    )
    verdict = (
        "residue is found"
        if found
        else f"no residue is found, and one of {100 * facts['smallest_seen']:.0f} % would have been (19 of 20 times)"
    )
    walls = f", of which {100 * shape:.0f} % (k = 1) for what the groove's shape leaves" if shape > U_LEAST else ""
    return f"{said}{walls}: {verdict}."


def residue_by_class(marks: Sequence[Mark]) -> dict[str, dict[str, Any]]:
    """Pooled contrast of the total reflectance for etched, tooled and scratch marks.

    By class: contrast, low, high (k = 2), marks (number), found (marks with residue), smallest_seen, sentence.
    Mean weighted by the inverse variances; the uncertainty takes the larger of what the marks state and how they differ
    (Birge ratio, from memory), and the baseline of the groove's shape once, since all marks share it.
    """
    return {name: _pooled(name, [mark for mark in marks if mark.class_name == name]) for name in HOLLOW[:3]}


def _pooled(name: str, marks: list[Mark]) -> dict[str, Any]:
    looked = [mark.residue for mark in marks if mark.residue is not None]
    told = [residue["by_quantity"]["total"] for residue in looked if "total" in residue["by_quantity"]]
    if not told:
        return {
            "contrast": None,
            "low": None,
            "high": None,
            "smallest_seen": None,
            "marks": 0,
            "found": 0,
            "sentence": f"No {name} groove is wide enough to tell whether it holds residue.",
        }
    middle = np.array([one["contrast"] for one in told])
    u = np.array([(one["high"] - one["low"]) / 4 for one in told])
    weight = u**-2.0 / (u**-2.0).sum()
    mean = float((weight * middle).sum())
    scatter = np.sqrt((weight * (middle - mean) ** 2).sum() / max(len(told) - 1, 1))
    # the baseline is shared by all marks, so that the pooled interval is no narrower than the narrowest of them
    u_mean = float(max(u.min(), scatter))
    found = sum(residue["found"] is True for residue in looked)
    smallest = (K_FOUND + K_SEEN) * u_mean
    if found:
        said = f"Residue is found in {found} of {len(told)} {name} grooves"
    else:
        said = f"No residue above {100 * smallest:.0f} % of the total reflectance in the {len(told)} {name} grooves"
    return {
        "contrast": round(mean, 5),
        "low": round(mean - 2 * u_mean, 5),
        "high": round(mean + 2 * u_mean, 5),
        "smallest_seen": round(smallest, 5),
        "marks": len(told),
        "found": found,
        "sentence": f"{said} (pooled contrast {100 * mean:+.1f} %, {100 * (mean - 2 * u_mean):+.1f} to"
        f" {100 * (mean + 2 * u_mean):+.1f} %, k = 2).",
    }
