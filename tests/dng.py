"""Raw files with known numbers, written by tifffile with the tags of DNG 1.7.1."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

CFA, LINEAR = 32803, 34892
RGGB = (0, 1, 1, 2)
EXPOSURE, F_NUMBER, ISO, TAKEN, SUBSECOND, FOCAL, MODE, BALANCE, LENS = (
    33434, 33437, 34855, 36867, 37521, 37386, 41986, 41987, 42036
)  # fmt: skip


def ratio(value: float) -> tuple[int, int]:
    return round(value * 10000), 10000


def exif_tags(
    exposure_s: float = 0.25, iso: int = 100, taken: str = "2031:05:14 10:00:00", f_number: float = 8.0, mode: int = 1
) -> list[tuple[Any, ...]]:
    """Exif of a photograph, written into its first directory, where raw readers look too."""
    return [
        (EXPOSURE, "2I", 1, ratio(exposure_s), True),
        (F_NUMBER, "2I", 1, ratio(f_number), True),
        (ISO, "H", 1, iso, True),
        (TAKEN, "s", 0, taken, True),
        (FOCAL, "2I", 1, ratio(100), True),
        (MODE, "H", 1, mode, True),
        (272, "s", 0, "Body One", True),
    ]


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
) -> Path:
    """Write stored numbers (rows, columns) of a mosaic, or with pattern=None linear ones (rows, columns[, 3]).

    black : one level, one of each channel (linear), or one of each place of the 2 x 2 pattern (mosaic).
    kind : PhotometricInterpretation that the file states, where it is to be another.
    """
    one = [part for value in np.eye(3, dtype=int).ravel() for part in (int(value), 1)]
    side = 6 if pattern is not None and len(pattern) == 36 else 2
    tags: list[tuple[Any, ...]] = [
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50708, "s", 0, "Body One", True),
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
    return path
