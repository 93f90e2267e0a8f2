"""Read and write products. Every product is written beside its place and moved in whole.

Rasters are Cloud Optimized GeoTIFF (OGC 21-026 layout): tiled, deflated, with overviews, NaN as nodata, band names and
units in the tags, the pixel pitch as a local engineering reference in millimetres. The stack of photographs is one
zipped zarr v3 group, chunked to hold all lamps of a block of pixels.
"""

import csv
import errno
import glob
import json
import os
import shutil
import socket
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import rasterio.shutil
from rasterio.enums import ColorInterp, Resampling
from rasterio.errors import RasterioError
from rasterio.windows import Window as RasterioWindow

from lightdome.errors import ProductError, WriteError
from lightdome.forms import BLOCK_PX, PLATE_CRS, PRODUCTS, Form, overview_factors, transform_of
from lightdome.provenance import Provenance
from lightdome.raster import Band, Grid, Raster, Window

GDAL_CACHE_MB = 128
STACK_BLOCK_PX = 256
PROVENANCE_TAG = "LIGHTDOME_PROVENANCE"


# --- whole or not at all --------------------------------------------------------------------------------------------


@contextmanager
def beside(path: Path) -> Iterator[Path]:
    """Give a path beside `path` to write to; move it in when the block ends well, delete it when it does not."""
    with scratch(path) as part:
        yield part
        part.replace(path)


@contextmanager
def scratch(path: Path) -> Iterator[Path]:
    """Give a path beside `path` for what a step must put down meanwhile; deleted when the block ends, however it ends.

    What a killed process left beside its place is deleted on the way in.
    """
    path = Path(path)
    part = path.with_name(f".{path.name}.{socket.gethostname()}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _sweep(path)
        yield part
    except (OSError, RasterioError) as error:
        raise _write_error(path, error) from error
    finally:
        _remove(part)


def check_room(path: Path, need_bytes: int) -> None:
    """Refuse to begin where so many bytes cannot fit on the disk of `path`."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        free_bytes = shutil.disk_usage(path.parent).free
    except OSError as error:
        raise _write_error(path, error) from error
    if free_bytes < need_bytes:
        raise ProductError(
            f"{path}: the disk is full: {need_bytes / 1e9:.1f} GB are needed and {free_bytes / 1e9:.1f} GB are free; "
            f"free some space and run again"
        )


def _sweep(path: Path) -> None:
    """Delete parts of `path` whose writer on this machine is no longer alive."""
    host = socket.gethostname()
    for part in path.parent.glob(glob.escape(f".{path.name}.{host}.") + "*.part"):
        pid = part.name.removesuffix(".part").removesuffix(".scratch").rpartition(".")[2]
        if pid.isdigit() and not Path(f"/proc/{pid}").exists():
            _remove(part)


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with suppress(NotADirectoryError):
            path.unlink(missing_ok=True)


def _write_error(path: Path, error: Exception) -> WriteError:
    number = getattr(error, "errno", None)
    if number == errno.ENOSPC or "No space left" in str(error) or "not enough" in str(error).lower():
        return WriteError(f"{path}: the disk is full; free some space and run again (finished products are kept)")
    if number in (errno.EACCES, errno.EROFS, errno.EPERM):
        return WriteError(
            f"{path}: may not be written ({os.strerror(number)}); choose a results folder you may write to"
        )
    return WriteError(f"{path}: cannot be written ({error}); check the results folder")


# --- rasters --------------------------------------------------------------------------------------------------------


class RasterWriter:
    """Writes windows of a raster, from several threads if need be; see `raster_writer`."""

    def __init__(self, dataset: Any, grid: Grid) -> None:
        self._dataset = dataset
        self._grid = grid
        self._lock = threading.Lock()

    def write(self, values: np.ndarray, window: Window | None = None) -> None:
        """Write values of shape (band, rows, columns) at a window (default: everything)."""
        window = window or self._grid.window
        with self._lock:
            self._dataset.write(values.astype(self._dataset.dtypes[0], copy=False), window=_rasterio_window(window))


def raster_writer(
    path: Path, grid: Grid, bands: Sequence[Band], provenance: Provenance, dtype: str = "float32"
) -> AbstractContextManager[RasterWriter]:
    """Open a raster product for writing by windows; it appears whole when the block ends well.

    dtype is float32 (NaN is nodata) or uint8 (no nodata).
    """
    return form_writer(path, grid, bands, provenance, PRODUCTS[dtype])


@contextmanager
def form_writer(
    path: Path,
    grid: Grid,
    bands: Sequence[Band],
    provenance: Provenance,
    form: Form,
    overview: Callable[[int], Iterable[tuple[Window, np.ndarray]]] | None = None,
) -> Iterator[RasterWriter]:
    """Open a raster of any form for writing by windows; it appears whole when the block ends well.

    overview : gives the windows and stored numbers (band, rows, columns) of overview 0, 1, ..., where numbers cannot be
    averaged as they are stored; None averages them.
    """
    with beside(path) as part:
        scratch = part.with_suffix(".scratch.part")
        try:
            with rasterio.Env(GDAL_CACHEMAX=GDAL_CACHE_MB):
                with rasterio.open(
                    scratch,
                    "w",
                    driver="GTiff",
                    height=grid.shape[0],
                    width=grid.shape[1],
                    count=len(bands),
                    dtype=form.dtype,
                    nodata=form.unknown,
                    crs=rasterio.crs.CRS.from_wkt(PLATE_CRS),
                    transform=transform_of(grid),
                    tiled=True,
                    blockxsize=BLOCK_PX,
                    blockysize=BLOCK_PX,
                    interleave="band",
                    BIGTIFF="IF_SAFER",
                ) as dataset:
                    dataset.colorinterp = [ColorInterp.gray] + [ColorInterp.undefined] * (len(bands) - 1)
                    dataset.descriptions = [band.name for band in bands]
                    dataset.units = [band.unit for band in bands]
                    if form.scales:
                        dataset.scales, dataset.offsets = form.scales, form.offsets
                    dataset.update_tags(
                        **{PROVENANCE_TAG: provenance.as_json()},
                        BANDS=", ".join(f"{band.name} [{band.unit}]" for band in bands),
                        PIXEL_PITCH_MM=repr(float(grid.pitch_mm)),
                        SOFTWARE=f"{provenance.software} {provenance.version}",
                    )
                    yield RasterWriter(dataset, grid)
                    # made here, band by band, they take a tenth of the time that the copy would need for them
                    dataset.build_overviews(overview_factors(grid), Resampling[form.resampling])
                if overview:
                    for level in range(len(overview_factors(grid))):
                        with rasterio.open(scratch, "r+", overview_level=level) as dataset:
                            for window, stored in overview(level):
                                dataset.write(stored, window=_rasterio_window(window))
                rasterio.shutil.copy(
                    scratch,
                    part,
                    driver="COG",
                    BLOCKSIZE=BLOCK_PX,
                    BIGTIFF="IF_SAFER",
                    NUM_THREADS="ALL_CPUS",
                    OVERVIEWS="FORCE_USE_EXISTING",
                    **form.compression,
                )
        finally:
            for left in (scratch, scratch.with_name(scratch.name + ".aux.xml"), part.with_name(part.name + ".aux.xml")):
                _remove(left)


def write_raster(path: Path, raster: Raster, provenance: Provenance, dtype: str = "float32") -> None:
    """Write a raster that fits in memory."""
    with raster_writer(path, raster.grid, raster.bands, provenance, dtype) as writer:
        writer.write(raster.values)


class RasterReader:
    """Reads windows of a raster, from several threads if need be; see `open_raster`."""

    def __init__(self, dataset: Any, path: Path) -> None:
        self._dataset = dataset
        self._lock = threading.Lock()
        self.path = path
        self.grid = Grid((dataset.height, dataset.width), float(dataset.transform.a))
        self.bands = tuple(
            Band(name or f"band {index}", unit or "")
            for index, (name, unit) in enumerate(zip(dataset.descriptions, dataset.units, strict=True), 1)
        )
        self.provenance: dict[str, Any] = json.loads(dataset.tags().get(PROVENANCE_TAG, "{}"))

    def read(self, window: Window | None = None, bands: Sequence[str] | None = None) -> np.ndarray:
        """Values (band, rows, columns) of a window (default: everything) and of named bands (default: all)."""
        names = [band.name for band in self.bands]
        wanted = names if bands is None else list(bands)
        missing = [name for name in wanted if name not in names]
        if missing:
            raise ProductError(f"{self.path}: has no band {missing[0]!r}, only {', '.join(names)}; make it again")
        try:
            with self._lock:
                return self._dataset.read(
                    [names.index(name) + 1 for name in wanted], window=_rasterio_window(window or self.grid.window)
                )
        except RasterioError as error:
            raise ProductError(f"{self.path}: is damaged ({error}); delete it and run again") from error

    def read_reduced(self, longest_px: int) -> np.ndarray:
        """All bands, averaged down so that the longer side has at most `longest_px` pixels (from the overviews)."""
        factor = max(1.0, max(self.grid.shape) / longest_px)
        shape = tuple(max(1, round(side / factor)) for side in self.grid.shape)
        resampling = Resampling.nearest if self._dataset.dtypes[0] == "uint8" else Resampling.average
        with self._lock:
            return self._dataset.read(out_shape=(len(self.bands), *shape), resampling=resampling)


@contextmanager
def open_raster(path: Path, overview: int | None = None) -> Iterator[RasterReader]:
    """Open a raster product, or one of its overviews (0, 1, ...), for reading by windows."""
    level = {} if overview is None else {"overview_level": overview}
    try:
        with rasterio.Env(GDAL_CACHEMAX=GDAL_CACHE_MB), rasterio.open(path, **level) as dataset:
            yield RasterReader(dataset, Path(path))
    except RasterioError as error:
        raise ProductError(f"{path}: cannot be read as a raster ({error}); make it again") from error


def read_raster(path: Path) -> Raster:
    """Read a whole raster product."""
    with open_raster(path) as reader:
        return Raster(reader.read(), reader.grid, reader.bands)


def _rasterio_window(window: Window) -> RasterioWindow:
    return RasterioWindow(window.col0, window.row0, window.shape[1], window.shape[0])


# --- the stack of photographs ---------------------------------------------------------------------------------------


class Stack:
    """Linear light of one field under every lamp; see `open_stack`."""

    def __init__(self, group: Any, path: Path) -> None:
        self._group = group
        self.path = path
        self.lamps: tuple[str, ...] = tuple(group.attrs["lamps"])
        """Lamp names, in the order of the first axis."""
        self.attrs: dict[str, Any] = dict(group.attrs)
        rows, cols = group["light"].shape[1:]
        self.grid = Grid((rows, cols), float(group.attrs["pixel_pitch_mm"]))

    def read(self, window: Window | None = None) -> np.ndarray:
        """Light (lamp, rows, columns), float32; 1 is the sensor's white; NaN where clipped or masked out."""
        return np.asarray(self._group["light"][:, *(window or self.grid.window).slices])

    def read_colour(self, window: Window | None = None) -> np.ndarray:
        """Mean colour (3, rows, columns) over the lamps, linear, float32."""
        return np.asarray(self._group["colour"][:, *(window or self.grid.window).slices])


@contextmanager
def open_stack(path: Path) -> Iterator[Stack]:
    """Open `frames/stack.zarr.zip` for reading by windows."""
    import zarr.storage  # a fifth of a second, which only steps that meet the stack need

    try:
        zip_store = zarr.storage.ZipStore(path, mode="r")
        group = zarr.open_group(zip_store, mode="r")
    except Exception as error:
        raise ProductError(f"{path}: cannot be read as a stack ({error}); make it again with stack-frames") from error
    try:
        yield Stack(group, Path(path))
    finally:
        zip_store.close()


class StackWriter:
    """Writes blocks of a stack, each once and whole; see `stack_writer`."""

    def __init__(self, group: Any) -> None:
        self._group = group

    def write(self, light: np.ndarray, colour: np.ndarray, window: Window) -> None:
        """Write light (lamp, rows, columns) and colour (3, rows, columns) of one chunk-aligned window."""
        self._group["light"][:, *window.slices] = light.astype(np.float32, copy=False)
        self._group["colour"][:, *window.slices] = colour.astype(np.float32, copy=False)


@contextmanager
def stack_writer(
    path: Path, grid: Grid, lamps: Sequence[str], attrs: Mapping[str, Any], provenance: Provenance
) -> Iterator[StackWriter]:
    """Open a stack for writing block by block (`STACK_BLOCK_PX` square blocks, each written once)."""
    import zarr.codecs
    import zarr.storage

    with beside(path) as part:
        zip_store = zarr.storage.ZipStore(part, mode="w")
        try:
            group = zarr.create_group(
                zip_store,
                attributes={
                    **attrs,
                    "lamps": list(lamps),
                    "pixel_pitch_mm": grid.pitch_mm,
                    "provenance": provenance.as_dict(),
                },
            )
            # on the light of a plate shuffled bytes under lz4 are smaller than zstd and decoded 2.6 times as fast
            codec = zarr.codecs.BloscCodec(cname="lz4", clevel=1, shuffle="shuffle")
            for name, layers, unit in (("light", len(lamps), "1"), ("colour", 3, "1")):
                group.create_array(
                    name,
                    shape=(layers, *grid.shape),
                    chunks=(layers, min(STACK_BLOCK_PX, grid.shape[0]), min(STACK_BLOCK_PX, grid.shape[1])),
                    dtype="float32",
                    compressors=[codec],
                    fill_value=float("nan"),
                    dimension_names=("lamp" if name == "light" else "channel", "row", "col"),
                    attributes={"unit": unit},
                )
            yield StackWriter(group)
        finally:
            zip_store.close()


# --- small facts ----------------------------------------------------------------------------------------------------


def write_json(path: Path, facts: Mapping[str, Any]) -> None:
    """Write a JSON product; NaN and infinity are refused since JSON has none (use None for unknown)."""
    with beside(path) as part:
        part.write_text(json.dumps(facts, indent=1, allow_nan=False) + "\n", encoding="utf-8")


def read_json(path: Path) -> dict[str, Any]:
    """Read a JSON product."""
    try:
        return json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ProductError(f"{path}: cannot be read as JSON ({error}); make it again") from error


def write_table(path: Path, columns: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> None:
    """Write a CSV product; units stand in the column names; unknown is an empty cell."""
    with beside(path) as part, part.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def write_text(path: Path, text: str) -> None:
    """Write a text product (HTML, SVG)."""
    with beside(path) as part:
        part.write_text(text, encoding="utf-8")


def write_bytes(path: Path, content: bytes) -> None:
    """Write a binary product (PNG, PDF)."""
    with beside(path) as part:
        part.write_bytes(content)
