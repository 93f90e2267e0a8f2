"""Every photograph of a session, one after another: rendered by blocks of rows, exposed by the sensor."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from lightdome.synthetic.capture import BOARD, CaptureSpec, frame_row
from lightdome.synthetic.plates import Surface, make_surface
from lightdome.synthetic.render import pixel_light, room_light
from lightdome.synthetic.sensor import expose
from lightdome.synthetic.shadows import visible_lamps

BLOCK_FACETS = 250_000
"""Facets shaded at once; about 150 bytes each."""


@dataclass(frozen=True)
class Photograph:
    """A row of `frames.csv`, and what makes its numbers when they are wanted."""

    row: dict[str, Any]
    numbers: Callable[[], np.ndarray]
    """(rows, columns) or (rows, columns, 3)."""
    kept: float = 1.0
    """Share of the file that is written: 0 leaves it out, less than 1 cuts it off."""


def plate_surface(spec: CaptureSpec, plate: int) -> Surface:
    """The surface of one of the session's plates, by its place in the list."""
    return make_surface(spec.drawing, spec.grid, spec.sub, spec.seed + plate, spec.patch_px)


def photographs_of(spec: CaptureSpec, plate: int, surface: Surface) -> Iterator[Photograph]:
    """The lit photographs of one plate, and its colour photograph."""
    name = spec.plates[plate]
    seen = visible_lamps(surface, spec.rig) if spec.shadows else None
    for index, lamp in enumerate(spec.rig.names):

        def light(rows: tuple[int, int], index: int = index) -> np.ndarray:
            lit = pixel_light(
                surface, rows, spec.rig, index, spec.view, spec.material, spec.channels, seen, spec.shift_of(index)
            )
            return lit + _room(spec, surface, rows, spec.channels)

        moved = spec.shift_of(index) != (0.0, 0.0)
        row = frame_row(f"frames/{name}-{lamp}.png", "lit", name, lamp)
        yield Photograph(row, _taken(spec, light, [spec.seed, 10, plate, index], whole=moved))
    if spec.ambient:
        yield _shared(
            spec, "ambient", lambda rows: _room(spec, surface, rows, spec.channels), [spec.seed, 11, plate], name
        )
    if spec.colour:

        def all_lamps(rows: tuple[int, int]) -> np.ndarray:
            lights = [
                pixel_light(surface, rows, spec.rig, index, spec.view, spec.material, (0, 1, 2), seen)
                for index in range(len(spec.rig.names))
            ]
            return np.mean(lights, axis=0) + _room(spec, surface, rows, (0, 1, 2))

        yield _shared(spec, "colour", all_lamps, [spec.seed, 12, plate], name)


def shared_photographs(spec: CaptureSpec) -> Iterator[Photograph]:
    """The dark photograph and the board under each lamp."""
    blank = (*spec.shape, len(spec.channels))
    if spec.dark:
        yield _shared(spec, "dark", lambda rows: np.zeros((rows[1] - rows[0], *blank[1:]), np.float32), [spec.seed, 13])
    if spec.flat:
        level = Surface(
            spec.grid, 1, np.zeros((2, 2), np.float32), np.zeros((1, 1), np.uint8), *np.zeros((2, 1, 1), np.float32)
        )
        for index, lamp in enumerate(spec.rig.names):

            def light(rows: tuple[int, int], index: int = index) -> np.ndarray:
                lit = pixel_light(level, rows, spec.rig, index, spec.view, BOARD, spec.channels)
                return lit + spec.ambient * BOARD.diffuse

            row = frame_row(f"frames/board-{lamp}.png", "flat", lamp=lamp)
            yield Photograph(row, _taken(spec, light, [spec.seed, 14, index]))


def _room(spec: CaptureSpec, surface: Surface, rows: tuple[int, int], channels: tuple[int | None, ...]) -> np.ndarray:
    if not spec.ambient:
        return np.zeros(len(channels), np.float32)
    planes = [room_light(surface, rows, spec.material, channel) for channel in channels]
    return spec.ambient * np.stack(planes, axis=-1)


def _shared(
    spec: CaptureSpec, role: str, light: Callable[[tuple[int, int]], np.ndarray], seed: list[int], plate: str = ""
) -> Photograph:
    file = f"frames/{plate}-{role}.png" if plate else f"frames/{role}.png"
    return Photograph(frame_row(file, role, plate), _taken(spec, light, seed))


def _taken(
    spec: CaptureSpec, light: Callable[[tuple[int, int]], np.ndarray], seed: list[int], whole: bool = False
) -> Callable[[], np.ndarray]:
    """What the sensor makes of a scene, block by block; `whole` where pixels look beyond their block."""

    def take() -> np.ndarray:
        rng = np.random.default_rng(seed)
        height, width = spec.shape
        step = height if whole else max(1, BLOCK_FACETS // (width * spec.sub**2))
        blocks = []
        for row in range(0, height, step):
            numbers = expose(spec.gain * light((row, min(row + step, height))), spec.sensor, rng)
            blocks.append(numbers)
        return np.squeeze(np.concatenate(blocks), axis=-1) if blocks[0].shape[-1] == 1 else np.concatenate(blocks)

    return take
