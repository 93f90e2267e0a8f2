"""One fault in each plate of a session, as they come from a busy day. A fault changes a row, a photograph, or both."""

import dataclasses
from collections.abc import Callable, Iterable, Iterator

import numpy as np

from lightdome.synthetic.capture import frame_row
from lightdome.synthetic.photographs import Photograph

FAULTS = {
    "TP-101": "none: the good plate",
    "TP-102": "the photograph under L03 is missing",
    "TP-103": "the photograph under L03 is cut off in the middle",
    "TP-104": "the photograph under L03 is eight rows shorter than the others",
    "TP-105": "one photograph was taken under lamp L99, which has no place in lamps.csv",
    "TP-106": "only three lamps were photographed",
    "TP-107": "every photograph is clipped from edge to edge",
    "../escape": "the plate's name is a path that leaves the results folder",
    "TP-108": "the photograph under L03 has 8 bits, the others 16",
    "TP-109": "the mask is empty",
}
"""Plate and what is wrong with it."""
THIRD = "L03"
FEWER = ("L01", "L02", "L03")


def plant(plate: str, photographs: Iterable[Photograph]) -> Iterator[Photograph]:
    """The photographs of one plate with its fault."""
    if plate == "TP-109":
        photographs = [*photographs]
        shape = photographs[0].numbers().shape
        row = frame_row(f"frames/{plate}-mask.png", "mask", plate)
        photographs.append(Photograph(row, lambda: np.zeros(shape, np.uint8)))
    for photograph in photographs:
        lamp = photograph.row["lamp"]
        if plate == "TP-106" and lamp not in FEWER:
            continue
        if plate == "../escape":
            photograph = _with(photograph, file=f"frames/escape-{lamp}.png")
        elif plate == "TP-107":
            photograph = _numbers(photograph, lambda numbers: np.full_like(numbers, np.iinfo(numbers.dtype).max))
        elif lamp == THIRD:
            photograph = _third(plate, photograph)
        yield photograph


def _third(plate: str, photograph: Photograph) -> Photograph:
    if plate == "TP-102":
        return dataclasses.replace(photograph, kept=0.0)
    if plate == "TP-103":
        return dataclasses.replace(photograph, kept=0.5)
    if plate == "TP-104":
        return _numbers(photograph, lambda numbers: numbers[:-8])
    if plate == "TP-105":
        return _with(photograph, lamp="L99")
    if plate == "TP-108":
        return _numbers(photograph, lambda numbers: (numbers >> 8).astype(np.uint8))
    return photograph


def _with(photograph: Photograph, **cells: str) -> Photograph:
    return dataclasses.replace(photograph, row=photograph.row | cells)


def _numbers(photograph: Photograph, change: Callable[[np.ndarray], np.ndarray]) -> Photograph:
    take = photograph.numbers
    return dataclasses.replace(photograph, numbers=lambda: change(take()))
