"""Open one photograph: camera raw, PNG, TIFF or JPEG, 8 or 16 bits, grey or colour. What is damaged is found here."""

import io
import logging
import mmap
import struct
from pathlib import Path
from typing import BinaryIO

import numpy as np

from lightdome.errors import FrameError
from lightdome.session.exif import NO_EXIF, Exif, exif_of
from lightdome.session.raw import DNG_VERSION, RawLevels, raw_size, read_raw

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
PNG_END = b"\x00\x00\x00\x00IEND\xae\x42\x60\x82"
PNG_PALETTE = 3
PNG_LEAP = 64
"""Chunks at a time, as long as they are alike."""
TIFF_SIGNATURES = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
JPEG_SIGNATURE = b"\xff\xd8\xff"
TIFF_GREY, TIFF_RGB = 1, 2
RAW_SIGNATURES = (
    b"FUJIFILMCCD-RAW",
    b"IIU\x00",
    b"IIRO",
    b"IIRS",
    b"MMOR",
    b"FOVb",
    b"\x00MRM",
    b"II\x1a\x00\x00\x00HEAPCCDR",
)
CR3_BRAND = b"ftypcrx "
RAW_ENDINGS = frozenset((
    ".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dcr", ".dng", ".erf", ".fff", ".iiq", ".kdc", ".mos", ".mrw", ".nef",
    ".nrw", ".orf", ".pef", ".raf", ".raw", ".rw2", ".rwl", ".sr2", ".srf", ".srw", ".x3f",
))  # fmt: skip
"""Of files that begin as a TIFF does; the others are told by how they begin."""
PHOTOGRAPH_ENDINGS = RAW_ENDINGS | {".png", ".tif", ".tiff", ".jpg", ".jpeg"}
MOST_PIXELS = 1_000_000_000
"""Ten times the largest camera: a header that says more is damaged, and would ask for more memory than there is."""
BITS = {np.dtype(np.uint8): 8, np.dtype(np.uint16): 16}


def read_photograph(path: Path) -> np.ndarray:
    """Sensor numbers (rows, columns) of a grey photograph or (rows, columns, 3) of a colour one, uint8 or uint16.

    The form is told by the content, not by the ending (raw forms that look like TIFF: by both). An orientation tag is
    not followed: rows and columns are the sensor's. An opaque alpha channel is dropped. Raw photographs come as linear
    light with black at RAW_BLACK and white at RAW_WHITE (`session/raw.py`). Fails with FrameError where the file is
    missing, damaged, cut off, of another form or depth, or partly transparent (it was edited, so its numbers are no
    longer the sensor's).
    """
    return read_with_levels(path)[0]


def read_with_levels(path: Path) -> tuple[np.ndarray, RawLevels | None]:
    """As `read_photograph`, and the levels that the file states; None where it is not raw."""
    photograph_size(path)
    try:
        kind = _kind(path)
        if kind == "raw":
            return read_raw(path)
        image = {"png": _read_png, "tiff": _read_tiff, "jpeg": _read_jpeg}[kind](path)
    except FrameError:
        raise
    except OSError as error:
        raise _unreadable(path, error.strerror or str(error)) from error
    except Exception as error:  # each decoder has errors of its own; all mean that the file is damaged
        raise _unreadable(path, str(error)) from error
    return _sensor_numbers(image, path), None


def is_raw(path: Path) -> bool:
    """Whether a photograph is camera raw and brings its own levels; FrameError where it is none at all."""
    return _kind(path) == "raw"


def read_exif(path: Path) -> Exif:
    """What the camera wrote beside the picture; an empty record where there is nothing to be read."""
    try:
        with path.open("rb") as file:
            if file.read(len(PNG_SIGNATURE)) == PNG_SIGNATURE:
                chunk = _png_exif(file)
                return _exif_in(io.BytesIO(PNG_SIGNATURE + chunk)) if chunk else NO_EXIF
            return _exif_in(file)
    except Exception:  # damaged Exif spoils no picture
        return NO_EXIF


def _exif_in(file: BinaryIO) -> Exif:
    import exifread

    logging.getLogger("exifread").setLevel(logging.CRITICAL)  # it reports every tag that it does not know
    return exif_of(exifread.process_file(file, details=False, extract_thumbnail=False, builtin_types=True))


def _png_exif(file: BinaryIO) -> bytes:
    """The chunk of a PNG that holds Exif (eXIf: PNG third edition, 11.3.4.5), empty where there is none.

    A large photograph has thousands of chunks, and exifread's seek and read for each take a tenth of the decoding. So
    do steps from one to the next cost time: most are of one size, and eight equal bytes far ahead are no chance.
    """
    with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        place = len(PNG_SIGNATURE)
        while place + 12 <= len(content):
            head = content[place : place + 8]
            size, kind = struct.unpack(">I4s", head)
            step = 12 + size
            if kind == b"eXIf":
                return content[place : place + step]
            far = place + PNG_LEAP * step
            while content[far : far + 8] == head:
                place, far = far, far + PNG_LEAP * step
            place += step
    return b""


def camera_says(path: Path) -> tuple[Exif, bool]:
    """Exif of a photograph and whether it is raw; nothing and False where it cannot be opened, which others say."""
    try:
        return read_exif(path), is_raw(path)
    except FrameError:
        return NO_EXIF, False


def photograph_size(path: Path) -> tuple[int, int]:
    """Rows and columns from the header alone; fails with FrameError as `read_photograph` does."""
    rows, cols = _size_in_header(path)
    if rows * cols > MOST_PIXELS:
        raise _unreadable(path, f"its header says {cols} x {rows} pixels, more than any camera gives")
    return rows, cols


def _size_in_header(path: Path) -> tuple[int, int]:
    try:
        kind = _kind(path)
        if kind == "png":
            with path.open("rb") as file:
                cols, rows = struct.unpack(">II", file.read(24)[16:])
            if not rows or not cols:
                raise _unreadable(path, "it has no size")
            return rows, cols
        if kind == "raw":
            return raw_size(path)
        if kind == "tiff":
            import tifffile

            with tifffile.TiffFile(path) as tiff:
                return tiff.pages[0].imagelength, tiff.pages[0].imagewidth
        import imageio.v3 as iio

        rows, cols = iio.improps(path, extension=".jpg").shape[:2]
        return rows, cols
    except FrameError:
        raise
    except Exception as error:
        raise _unreadable(path, str(error)) from error


def read_mask(file: Path) -> np.ndarray:
    """True (rows, columns) where any channel of a mask is above zero; FrameError where it is nowhere."""
    image = read_photograph(file)
    mask = np.asarray((image if image.ndim == 2 else image.any(axis=2)) > 0)
    if not mask.any():
        raise FrameError(f"{file}: holds no pixel above zero, so no plate; paint the plate white")
    return mask


def other_size(file: Path, shape: tuple[int, ...], usual: tuple[int, ...]) -> FrameError:
    """The sentence about a photograph of another size."""
    return FrameError(
        f"{file}: is {shape[1]} x {shape[0]} pixels where the others are {usual[1]} x {usual[0]}; give the photograph "
        f"as taken, not cropped or scaled"
    )


def _unreadable(path: Path, reason: str) -> FrameError:
    return FrameError(f"{path}: cannot be read ({' '.join(reason.split())[:120]}); copy it again from the camera")


def _kind(path: Path) -> str:
    if not path.is_file():
        raise FrameError(f"{path}: is not there; put the photograph back or delete its row in frames.csv")
    with path.open("rb") as file:
        head = file.read(16)
    if not head:
        raise FrameError(f"{path}: is empty; copy it again from the camera")
    if head.startswith(PNG_SIGNATURE):
        return "png"
    if head[:3] == JPEG_SIGNATURE:
        return "jpeg"
    if head.startswith(RAW_SIGNATURES) or head[4:12] == CR3_BRAND:
        return "raw"
    if head[:4] in TIFF_SIGNATURES:
        return "raw" if path.suffix.lower() in RAW_ENDINGS or _is_dng(path) else "tiff"
    raise FrameError(f"{path}: is neither camera raw, PNG, TIFF nor JPEG; give the raw file, or 16-bit TIFF or PNG")


def _is_dng(path: Path) -> bool:
    import tifffile

    try:
        with tifffile.TiffFile(path) as tiff:
            return DNG_VERSION in tiff.pages[0].tags
    except Exception:  # damaged: said when it is read
        return False


def _read_png(path: Path) -> np.ndarray:
    import imagecodecs

    content = path.read_bytes()
    if content[25] == PNG_PALETTE:
        raise FrameError(f"{path}: holds a palette, not light; save it as 16-bit grey or RGB")
    # the decoder stops at the last row of pixels; what should follow tells whether the file was cut off
    if PNG_END not in content[-64:]:
        raise _unreadable(path, "the file is cut off")
    return imagecodecs.png_decode(content)


def _read_tiff(path: Path) -> np.ndarray:
    import tifffile

    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        if len(tiff.pages) > 1 and tiff.pages[1].shape == page.shape:
            raise FrameError(f"{path}: holds {len(tiff.pages)} pictures; save each photograph in a file of its own")
        if int(page.photometric) not in (TIFF_GREY, TIFF_RGB):
            raise FrameError(f"{path}: is a TIFF of kind {page.photometric.name}; save it as 16-bit grey or RGB")
        image = page.asarray()
        planar = image.ndim == 3 and page.axes.startswith("S")
        return np.ascontiguousarray(np.moveaxis(image, 0, -1)) if planar else image


def _read_jpeg(path: Path) -> np.ndarray:
    import imageio.v3 as iio

    return iio.imread(path, extension=".jpg")


def _sensor_numbers(image: np.ndarray, path: Path) -> np.ndarray:
    if image.dtype not in BITS:
        raise FrameError(f"{path}: holds numbers of type {image.dtype}; save it with 8 or 16 bits a channel")
    if image.ndim == 3 and image.shape[2] in (2, 4):
        if image[..., -1].min() < np.iinfo(image.dtype).max:
            raise FrameError(f"{path}: is partly transparent, so it was edited; give the photograph as taken")
        image = image[..., :-1]
    if image.ndim == 3 and image.shape[2] == 1:
        image = image[..., 0]
    if image.ndim not in (2, 3) or (image.ndim == 3 and image.shape[2] != 3):
        raise FrameError(f"{path}: holds an array of shape {image.shape}; save it as grey or RGB")
    return image
