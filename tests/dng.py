"""Raw files with known numbers, written by tifffile with the tags of DNG 1.7.1."""

import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

CFA, LINEAR = 32803, 34892
RGGB = (0, 1, 1, 2)
EXIF_POINTER, STAND_IN = 34665, 34666
"""tifffile writes no pointer to a directory, so a tag beside it is renamed afterwards."""
EXIF_TAGS = {
    "exposure_s": 33434, "f_number": 33437, "program": 34850, "iso": 34855, "taken": 36867, "focal_length_mm": 37386,
    "part": 37521, "mode": 41986, "balance": 41987, "body_serial": 42033, "lens": 42036,
}  # fmt: skip
"""Exif 2.32, tables of the Exif directory."""


def exif_directory(facts: dict[str, Any], at: int) -> bytes:
    """A directory of Exif tags that is to lie at byte `at` of a little-endian TIFF (TIFF 6.0, section 2)."""
    entries, rest = b"", b""
    after = at + 2 + 12 * len(facts) + 4
    for code, value in sorted((EXIF_TAGS[name], value) for name, value in facts.items()):
        if isinstance(value, str):
            kind, content = 2, value.encode() + b"\0"
            count = len(content)
        elif isinstance(value, int):
            kind, count, content = 3, 1, struct.pack("<H", value)
        else:
            kind, count, content = 5, 1, struct.pack("<2I", round(value * 10000), 10000)
        if len(content) > 4:
            place = struct.pack("<I", after + len(rest))
            rest += content + b"\0" * (len(content) % 2)
        else:
            place = content.ljust(4, b"\0")
        entries += struct.pack("<HHI", code, kind, count) + place
    return struct.pack("<H", len(facts)) + entries + struct.pack("<I", 0) + rest


def write_dng(
    path: Path,
    numbers: np.ndarray,
    *,
    white: int | Sequence[int],
    black: Sequence[int] = (0,),
    pattern: Sequence[int] | None = RGGB,
    table: Sequence[int] | None = None,
    kind: int | None = None,
    extra: Sequence[tuple[Any, ...]] = (),
    exif: dict[str, Any] | None = None,
) -> Path:
    """Write stored numbers (rows, columns) of a mosaic, or with pattern=None linear ones (rows, columns[, 3]).

    black : one level, one of each channel (linear), or one of each place of the 2 x 2 pattern (mosaic).
    kind : PhotometricInterpretation that the file states, where it is to be another.
    exif : names of EXIF_TAGS and values (text, whole number, or a float as ratio).
    """
    one = [part for value in np.eye(3, dtype=int).ravel() for part in (int(value), 1)]
    side = 6 if pattern is not None and len(pattern) == 36 else 2
    tags: list[tuple[Any, ...]] = [
        (50706, "B", 4, (1, 4, 0, 0), True),
        (272, "s", 0, "Body One", True),
        (50708, "s", 0, "Body One", True),
        (STAND_IN, "I", 1, 0, True),
        (50721, "2i", 9, tuple(one), True),
        (50728, "2I", 3, (1, 1, 1, 1, 1, 1), True),
        (50713, "H", 2, (2, 2) if pattern is not None and len(black) == 4 else (1, 1), True),
        (50714, "I", len(black), tuple(black), True),
        (50717, "I", np.size(white), tuple(np.atleast_1d(white).tolist()), True),
    ]
    if pattern is not None:
        tags += [(33421, "H", 2, (side, side), True), (33422, "B", side * side, tuple(pattern), True)]
    if table is not None:
        tags.append((50712, "H", len(table), tuple(table), True))
    plain = "rgb" if numbers.ndim == 3 else "minisblack"
    tifffile.imwrite(path, numbers, photometric=plain, extratags=[*tags, *extra], metadata=None, software=False)
    with tifffile.TiffFile(path, mode="r+b") as tiff:
        tiff.pages[0].tags[262].overwrite(kind or (LINEAR if pattern is None else CFA))
        pointer = tiff.pages[0].tags[STAND_IN].offset
    end = path.stat().st_size + path.stat().st_size % 2
    with path.open("r+b") as file:
        file.seek(pointer)
        file.write(struct.pack("<HHII", EXIF_POINTER, 4, 1, end))
        file.seek(end)
        file.write(exif_directory(exif or {}, end))
    return path
