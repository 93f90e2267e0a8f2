"""Open a camera's raw file: linear light as the sensor counted it, levels from the file, nothing beautified."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from lightdome.errors import FrameError
from lightdome.session.demosaic import BAND_ROWS, GREEN, demosaic

RAW_BLACK, RAW_WHITE = 1024, 65535
"""Where black and white of every raw photograph lie after reading, whatever numbers the camera counts in. The pedestal
keeps noise under black (to 1.6 % of the span); between the two the numbers are proportional to the light over it."""
CFA, LINEAR_RAW = 32803, 34892
"""PhotometricInterpretation of a mosaic, and of linear light in every pixel (DNG 1.7.1, chapter 2)."""
COLORIMETRIC_REFERENCE = 50879
BLACK_LEVEL, WHITE_LEVEL, LINEARIZATION = 50714, 50717, 50712
DNG_VERSION = 50706
SECOND_GREEN = 3
"""LibRaw's name for the green filters in the rows of blue."""
CLIP_REACH = 2
"""Pixels around a full photosite that are unknown too: beyond, it counts for a sixteenth at most."""
NOT_LINEAR = (
    "is a raw file that holds no linear light ({why}), so its numbers are not proportional to the light; set the "
    "camera to its full-size raw form and photograph again"
)


@dataclass(frozen=True)
class RawLevels:
    """The levels that a raw file states, in its own numbers."""

    black: tuple[float, ...]
    """Of each channel or filter."""
    white: float

    @property
    def span(self) -> float:
        """Numbers from black to white."""
        return self.white - max(self.black)

    def __post_init__(self) -> None:
        if not self.span > 0:
            raise ValueError(f"its white level {self.white:g} is not above its black level {max(self.black):g}")


def read_raw(path: Path) -> tuple[np.ndarray, RawLevels]:
    """Numbers (rows, columns, 3), or (rows, columns) of a sensor without filters, uint16, and the file's own levels.

    Black comes to lie at RAW_BLACK, white at RAW_WHITE. No white balance, colour matrix, tone curve, brightening, crop
    or turning. A linearisation table of the file is applied. FrameError where the file holds no linear light.
    """
    with _dng_page(path) as page:
        if page is not None and int(page.photometric) == LINEAR_RAW:
            return _linear_dng(page)
    return _by_libraw(path)


def raw_size(path: Path) -> tuple[int, int]:
    """Rows and columns of the picture, from the header alone."""
    with _dng_page(path) as page:
        if page is not None and int(page.photometric) == LINEAR_RAW:
            return page.imagelength, page.imagewidth
    with _opened(path) as raw:
        return raw.sizes.height, raw.sizes.width


@contextmanager
def _dng_page(path: Path) -> Iterator[Any]:
    """The picture itself of a DNG; None of any other raw form. FrameError where it holds none, or only a part of it."""
    import tifffile

    with ExitStack() as opened:
        try:
            tiff = opened.enter_context(tifffile.TiffFile(path))
            pages = [*tiff.pages, *(sub for page in tiff.pages for sub in page.pages or ())]
            is_dng = DNG_VERSION in pages[0].tags
        except Exception:  # cameras bend TIFF in many ways; LibRaw knows them
            is_dng = False
        yield _main_page(pages, path) if is_dng else None


def _main_page(pages: list[Any], path: Path) -> Any:
    reference = pages[0].tags.get(COLORIMETRIC_REFERENCE)
    if reference is not None and reference.value != 0:
        raise FrameError(f"{path}: {NOT_LINEAR.format(why='its colours are rendered for output')}")
    linear = [page for page in pages if int(page.photometric) in (CFA, LINEAR_RAW)]
    if not linear:
        why = f"its picture is of kind {pages[0].photometric.name}"
        raise FrameError(f"{path}: {NOT_LINEAR.format(why=why)}")
    page = max(linear, key=lambda page: page.imagelength * page.imagewidth)
    size = path.stat().st_size
    if any(start + count > size for start, count in zip(page.dataoffsets, page.databytecounts, strict=False)):
        raise FrameError(f"{path}: cannot be read (the file is cut off); copy it again from the camera")
    return page


# --- linear light in every pixel (DNG) --------------------------------------------------------------------------------


def _linear_dng(page: Any) -> tuple[np.ndarray, RawLevels]:
    """Mapping of stored numbers to linear light: DNG 1.7.1, chapter 5."""
    stored = page.asarray()
    if stored.ndim == 3 and page.axes.startswith("S"):
        stored = np.moveaxis(stored, 0, -1)
    if stored.dtype.kind != "u" or (stored.ndim == 3 and stored.shape[2] != 3):
        raise ValueError(f"it holds an array of type {stored.dtype} and shape {stored.shape}")
    table = page.tags.get(LINEARIZATION)
    if table is not None:
        curve = np.asarray(table.value, np.uint16)
        stored = curve[np.minimum(stored, len(curve) - 1)]
    channels = 1 if stored.ndim == 2 else 3
    black = _of_channels(page, BLACK_LEVEL, channels, 0.0)
    white = _of_channels(page, WHITE_LEVEL, channels, 2.0**page.bitspersample - 1)
    levels = RawLevels(tuple(black), min(white))
    darkest = np.array(black, np.float32)
    span = np.array(white, np.float32) - darkest
    numbers = np.empty(stored.shape, np.uint16)
    for row in range(0, len(stored), BAND_ROWS):
        band = stored[row : row + BAND_ROWS]
        numbers[row : row + BAND_ROWS] = _placed((band - darkest) / span)
    return numbers, levels


def _of_channels(page: Any, code: int, channels: int, default: float) -> list[float]:
    """A level of each channel; of a repeating pattern of black levels, which is made for mosaics, the mean."""
    tag = page.tags.get(code)
    if tag is None:
        return [default] * channels
    values = np.atleast_1d(np.asarray(tag.value, float))
    if values.size and tag.dtype.name.endswith("RATIONAL"):
        values = values.reshape(-1, 2)[:, 0] / values.reshape(-1, 2)[:, 1]
    if values.size > channels and values.size % channels == 0:
        values = values.reshape(-1, channels).mean(axis=0)
    return [float(value) for value in np.broadcast_to(values, channels)]


# --- everything else: LibRaw ------------------------------------------------------------------------------------------


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    import rawpy

    try:
        with rawpy.imread(str(path)) as raw:
            yield raw
    except rawpy.LibRawFileUnsupportedError as error:
        version = ".".join(map(str, rawpy.libraw_version))
        raise FrameError(f"{path}: is a raw form that LibRaw {version} does not know; convert it to DNG") from error
    except rawpy.LibRawError as error:
        raise ValueError(error.args[0].decode() if isinstance(error.args[0], bytes) else str(error)) from error


def _by_libraw(path: Path) -> tuple[np.ndarray, RawLevels]:
    import rawpy

    with _opened(path) as raw:
        if raw.raw_type != rawpy.RawType.Flat:
            why = "a reduced-size form with colour in every pixel, made in the camera"
            raise FrameError(f"{path}: {NOT_LINEAR.format(why=why)}")
        if raw.num_colors not in (1, 3):
            raise FrameError(
                f"{path}: has a sensor of {raw.num_colors} colours; give a photograph of red, green and blue"
            )
        limits = [limit for limit in raw.camera_white_level_per_channel or () if limit > 0]
        levels = RawLevels(tuple(map(float, raw.black_level_per_channel)), float(min([raw.white_level, *limits])))
        pattern = raw.raw_pattern
        if raw.num_colors == 1:
            light = (raw.raw_image_visible.astype(np.float32) - np.float32(levels.black[0])) / np.float32(levels.span)
            return _placed(light), levels
        if pattern.shape == (2, 2):
            return _from_bayer(raw.raw_image_visible, pattern, levels), levels
        return _from_other_mosaic(raw, levels), levels


def _from_bayer(sensor: np.ndarray, pattern: np.ndarray, levels: RawLevels) -> np.ndarray:
    """Numbers (rows, columns, 3) of a mosaic; what a full photosite counts in is white."""
    (a, b), (c, d) = np.where(pattern == SECOND_GREEN, GREEN, pattern).tolist()
    black = np.array(levels.black)[pattern]
    full = _near_full(sensor, levels.white)
    numbers = np.empty((*sensor.shape, 3), np.uint16)
    for row, band in demosaic(sensor, ((a, b), (c, d)), black, levels.span):
        rows = slice(row, row + len(band))
        numbers[rows] = _placed(band)
        numbers[rows][full[rows]] = RAW_WHITE
    return numbers


def _from_other_mosaic(raw: Any, levels: RawLevels) -> np.ndarray:
    """Numbers of a mosaic of another pattern by LibRaw's interpolation for it, the pedestal kept, no level touched."""
    import rawpy

    full = _near_full(raw.raw_image_visible, levels.white)
    picture = raw.postprocess(
        output_color=rawpy.ColorSpace.raw,
        output_bps=16,
        gamma=(1, 1),
        no_auto_bright=True,
        no_auto_scale=True,
        user_wb=[1, 1, 1, 1],
        user_black=0,
        user_cblack=[0, 0, 0, 0],
        user_sat=RAW_WHITE,
        adjust_maximum_thr=0,
        user_flip=0,
    )
    numbers = np.empty(picture.shape, np.uint16)
    for row in range(0, len(picture), BAND_ROWS):
        rows = slice(row, row + BAND_ROWS)
        numbers[rows] = _placed((picture[rows] - np.array(levels.black[:3], np.float32)) / np.float32(levels.span))
        numbers[rows][full[rows]] = RAW_WHITE
    return numbers


def _near_full(sensor: np.ndarray, white: float) -> np.ndarray:
    """True (rows, columns) where a photosite within reach is full."""
    side = 2 * CLIP_REACH + 1
    full = (sensor >= white).astype(np.uint8)
    return cv2.dilate(full, np.ones((side, side), np.uint8)).astype(bool) if full.any() else full.astype(bool)


def _placed(light: np.ndarray) -> np.ndarray:
    """Numbers of light, black at RAW_BLACK and white at RAW_WHITE."""
    numbers = np.rint(light * np.float32(RAW_WHITE - RAW_BLACK) + np.float32(RAW_BLACK))
    return np.clip(numbers, 0, RAW_WHITE).astype(np.uint16)
