"""A field's display layers, cut from its products tile by tile.

With steps.py and gather.py the only file of this word that opens anything.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np

from lightdome.errors import LightdomeError, PublishError, WriteError
from lightdome.provenance import Provenance
from lightdome.publish import pictures
from lightdome.publish.class_map import CLASSES as CLASS_NAMES
from lightdome.publish.coding import LARGEST_INT16, Codes, Coding, Encoded, Packed, Plain, Scaled, scaled_between
from lightdome.publish.gather import CLASSES, COEFFICIENTS, FLAGS, open_product
from lightdome.publish.layers import SINGLE, Layer, NoLayer, plain_error, relight_facts
from lightdome.publish.records import FieldFacts, MapView
from lightdome.publish.scale import legend_span
from lightdome.publish.veil import Reader, veiled
from lightdome.raster import Band, Grid, Window
from lightdome.relight.pack import BYTES
from lightdome.relight.render import BANDS
from lightdome.store import form_writer, open_raster, open_stack
from lightdome.surface.region import FLAGS as FLAG_NAMES
from lightdome.tiles import tiles

NORMALS, LOBE_MODEL, STACK = "surface/normals.tif", "relight/lobe.tif", "frames/stack.zarr.zip"
SLOPE_STEP = 1e-4
"""Under a hundredth of a degree; steps are wider only where a slope is steeper than they can hold."""
HEIGHT_ERROR_UM = 0.05
COLOUR_STEP_PX = 8
"""The white of the colours is taken on a lattice as wide."""


def cut_layers(field: FieldFacts, review: Path) -> Iterator[Layer | NoLayer]:
    """Write every display layer of a field below the review folder, and say what became of it.

    A product that is missing or damaged costs its layers; a layer that cannot be written is a WriteError.
    """
    cutters: dict[str, Callable[[Cut], Layer]] = {
        "relight": _cut_relight,
        "harmonics": _cut_harmonics,
        "colour": _cut_colour,
        "slopes": _cut_slopes,
        **{name: _cutter(view) for name, view in SINGLE.items()},
        "classes": _cut_classes,
        "flags": _cut_flags,
    }
    origins: dict[Path, Provenance] = {}
    for name, cutter in cutters.items():
        try:
            yield cutter(Cut(name, field, review, origins))
        except WriteError:
            raise
        except LightdomeError as error:
            yield NoLayer(name, str(error))


class Cut:
    """One layer on its way from a field's product to its file."""

    def __init__(self, name: str, field: FieldFacts, review: Path, origins: dict[Path, Provenance]) -> None:
        self.name = name
        self.field = field
        self.file = f"tiles/{field.name.side}/{field.name.field}/{name}.tif"
        self.path = review / self.file
        self._origins = origins

    def product(self, file: str) -> Path:
        """A product of the field."""
        return self.field.folder / file

    def write(
        self,
        source: Path,
        grid: Grid,
        bands: Sequence[Band],
        coding: Coding,
        read: Callable[[Window], np.ndarray],
        overview: Callable[[int], Iterable[tuple[Window, np.ndarray]]] | None = None,
    ) -> None:
        """Write the layer; `read` gives the values (band, rows, columns) of a window."""
        if source not in self._origins:
            # several layers come from one large file, which is read through but once for its digest
            self._origins[source] = Provenance.of(
                "build-review", [source], {"blurred": self.field.veil.sentence} if self.field.veil else {}
            )
        with form_writer(self.path, grid, bands, self._origins[source], coding.form, overview) as writer:
            for tile in tiles(grid.shape):
                writer.write(coding.stored(read(tile.core)), tile.core)


def _cutter(view: MapView) -> Callable[[Cut], Layer]:
    """Cuts the layer of a map of one band."""

    def cut_band(cut: Cut) -> Layer:
        source = cut.product(view.file)
        with open_product(source, cut.field.veil) as reader:
            band = _band_of(reader, view.band)

            def read(window: Window) -> np.ndarray:
                return reader.read(window, [view.band])

            shown = reader.read_reduced(pictures.LONGEST_PX)[reader.bands.index(band)]
            if view.optional and not np.isfinite(shown).any():
                raise PublishError(
                    f"{view.file} holds no {view.band}: the way the normals were solved does not find it"
                )
            low, high = legend_span(shown, view.span)
            if cut.name == "height":
                coding: Coding = Plain(plain_error(low, high, HEIGHT_ERROR_UM))
            else:
                coding = _scaled_to(read, reader.grid)
            cut.write(source, reader.grid, [band], coding, read)
            grid = reader.grid
        return Layer(
            cut.name,
            view.title,
            cut.file,
            (band.name,),
            band.unit,
            coding,
            grid.shape,
            grid.pitch_mm,
            view.span,
            low,
            high,
        )

    return cut_band


def _cut_slopes(cut: Cut) -> Layer:
    source = cut.product(NORMALS)
    with open_product(source, cut.field.veil) as reader:

        def slopes(normals: np.ndarray) -> np.ndarray:
            with np.errstate(divide="ignore", invalid="ignore"):
                found = -normals[:2] / normals[2]
            return np.where(normals[2] > 0, found, np.nan)

        def read(window: Window) -> np.ndarray:
            return slopes(reader.read(window, ("nx", "ny", "nz")))

        steepest = float(np.abs(_ends(read, reader.grid)).max())
        step = max(SLOPE_STEP, steepest / LARGEST_INT16)
        coding = Scaled((step, step), (0.0, 0.0))
        low, high = legend_span(slopes(reader.read_reduced(pictures.LONGEST_PX)[:3]), "about-zero")
        bands = (Band("slope_x", "1"), Band("slope_y", "1"))
        cut.write(source, reader.grid, bands, coding, read)
        grid = reader.grid
    names = tuple(band.name for band in bands)
    return Layer(cut.name, "Slopes", cut.file, names, "1", coding, grid.shape, grid.pitch_mm, "about-zero", low, high)


def _cut_harmonics(cut: Cut) -> Layer:
    source = cut.product(COEFFICIENTS)
    with open_product(source, cut.field.veil) as reader:
        coding = _scaled_to(reader.read, reader.grid)
        cut.write(source, reader.grid, reader.bands, coding, reader.read)
        grid, names = reader.grid, tuple(band.name for band in reader.bands)
    return Layer(cut.name, "Hemispherical harmonics", cut.file, names, "1", coding, grid.shape, grid.pitch_mm)


def _cut_relight(cut: Cut) -> Layer:
    source = cut.product(LOBE_MODEL)
    ranges = relight_facts(cut.field.relight)["packed"]["ranges"]
    coding = Packed({name: (float(low), float(high)) for name, (low, high) in ranges.items()})

    def overview(level: int) -> Iterator[tuple[Window, np.ndarray]]:
        # the product's own overviews are averages of the bands
        with open_raster(source, level) as opened:
            smaller = veiled(opened, cut.field.veil)
            for tile in tiles(smaller.grid.shape):
                yield tile.core, coding.stored(smaller.read(tile.core))

    with open_product(source, cut.field.veil) as reader:
        if tuple(band.name for band in reader.bands) != BANDS:
            raise PublishError(f"{LOBE_MODEL} holds other bands than this version packs; run fit-relighting")
        bands = [Band(f"byte{index}", "1") for index in range(BYTES)]
        cut.write(source, reader.grid, bands, coding, reader.read, overview)
        grid = reader.grid
    names = tuple(band.name for band in bands)
    return Layer(cut.name, "Lobe model", cut.file, names, "1", coding, grid.shape, grid.pitch_mm)


def _cut_colour(cut: Cut) -> Layer:
    source = cut.product(STACK)
    if not source.is_file():
        raise PublishError("it was not made")
    with open_stack(source) as stack:

        def read(window: Window) -> np.ndarray:
            veil = cut.field.veil
            return stack.read_colour(window) if veil is None else veil.over(stack.grid, window, stack.read_colour)

        lattice = [read(tile.core)[:, ::COLOUR_STEP_PX, ::COLOUR_STEP_PX] for tile in tiles(stack.grid.shape)]
        white = pictures.white_of(np.concatenate([part.ravel() for part in lattice]))
        coding = Encoded(white)
        bands = [Band(name, "1") for name in ("red", "green", "blue")]
        cut.write(source, stack.grid, bands, coding, read)
        grid = stack.grid
    names = tuple(band.name for band in bands)
    return Layer(cut.name, "Mean colour", cut.file, names, "1", coding, grid.shape, grid.pitch_mm)


def _cut_classes(cut: Cut) -> Layer:
    return _cut_codes(cut, CLASSES, "What made each mark", Codes(dict(enumerate(CLASS_NAMES))))


def _cut_flags(cut: Cut) -> Layer:
    return _cut_codes(cut, FLAGS, "How far the normals can be trusted", Codes(FLAG_NAMES, summed=True))


def _cut_codes(cut: Cut, file: str, title: str, coding: Codes) -> Layer:
    source = cut.product(file)
    with open_product(source) as reader:
        veil = cut.field.veil if cut.name == "flags" else None

        def read(window: Window) -> np.ndarray:
            codes = reader.read(window)[:1]
            return codes if veil is None else veil.without_codes(reader.grid, window, codes)

        cut.write(source, reader.grid, reader.bands[:1], coding, read)
        grid, names = reader.grid, (reader.bands[0].name,)
    return Layer(cut.name, title, cut.file, names, "1", coding, grid.shape, grid.pitch_mm)


def _band_of(reader: Reader, name: str) -> Band:
    for band in reader.bands:
        if band.name == name:
            return band
    raise PublishError(f"it has no band {name}")


def _scaled_to(read: Callable[[Window], np.ndarray], grid: Grid) -> Scaled:
    """Steps that hold every value."""
    return scaled_between(*_ends(read, grid))


def _ends(read: Callable[[Window], np.ndarray], grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest value of each band, (band,) each; 0 and 1 for a band of which nothing is known."""
    lows, highs = [], []
    for tile in tiles(grid.shape):
        values = read(tile.core)
        known = np.where(np.isfinite(values), values, np.nan).reshape(len(values), -1)
        lows.append(np.fmin.reduce(known, axis=1))
        highs.append(np.fmax.reduce(known, axis=1))
    low, high = np.fmin.reduce(lows), np.fmax.reduce(highs)
    return np.where(np.isnan(low), 0.0, low), np.where(np.isnan(high), 1.0, high)
