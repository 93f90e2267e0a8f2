"""Plates of analytic grooves, and the rasters that carry them."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from lightdome.marks.steps import classify_marks, split_relief, trace_marks
from lightdome.provenance import Provenance
from lightdome.raster import Band, Grid, Raster
from lightdome.store import read_json, read_raster, write_raster

PITCH_MM = 0.05


def _v_with_ridges(away_px: np.ndarray, mouth_px: float, depth_um: float, removed: float) -> np.ndarray:
    """Height of a V groove whose two ridges are as steep as its walls and hold what was not removed."""
    slope = depth_um / (mouth_px / 2)
    ridge = depth_um * np.sqrt((1 - removed) / 2)
    beyond = away_px - mouth_px / 2
    outside = np.clip(np.minimum(slope * beyond, 2 * ridge - slope * beyond), 0, None)
    return np.where(beyond < 0, slope * beyond, outside)


def _flat_floor(away_px: np.ndarray, width_px: float, depth_um: float, wall_px: float) -> np.ndarray:
    """Height of a groove with a flat floor and straight walls, `width_px` wide at half depth."""
    return -depth_um * np.clip((width_px / 2 - away_px) / wall_px + 0.5, 0, 1)


def _away(shape: tuple[int, int], through: tuple[float, float], angle_deg: float) -> np.ndarray:
    """Distance of each pixel from a line through (row, column) that runs counter-clockwise from +x."""
    row, col = np.mgrid[: shape[0], : shape[1]]
    angle = np.radians(angle_deg)
    return np.abs((col - through[1]) * np.sin(angle) + (row - through[0]) * np.cos(angle))


@pytest.fixture(scope="session")
def v_with_ridges() -> Callable[..., np.ndarray]:
    return _v_with_ridges


@pytest.fixture(scope="session")
def flat_floor() -> Callable[..., np.ndarray]:
    return _flat_floor


@pytest.fixture(scope="session")
def away() -> Callable[..., np.ndarray]:
    return _away


@dataclass
class Products:
    """What the three steps made of a height field."""

    folder: Path

    def raster(self, name: str) -> np.ndarray:
        return read_raster(self.folder / name).values[0]

    def marks(self) -> list[dict]:
        return read_json(self.folder / "marks.geojson")["features"]

    def of_class(self, name: str) -> list[dict]:
        return [mark["properties"] for mark in self.marks() if mark["properties"]["class"] == name]


@pytest.fixture
def examine(tmp_path: Path) -> Callable[..., Products]:
    """Write a height field and its companions, run all three steps, give the products."""
    return _examiner(tmp_path)


@pytest.fixture(scope="module")
def examine_once(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Products]:
    """The same, for products that several tests look at."""
    return _examiner(tmp_path_factory.mktemp("once"))


def _examiner(tmp_path: Path) -> Callable[..., Products]:
    runs = 0

    def run(
        height_um: np.ndarray,
        u_um: float = 0.3,
        pitch_mm: float = PITCH_MM,
        diffuse: np.ndarray | None = None,
        curvature: np.ndarray | None = None,
        **settings: float,
    ) -> Products:
        nonlocal runs
        runs += 1
        folder = tmp_path / f"plate{runs}"
        grid, made = Grid(height_um.shape, pitch_mm), Provenance("test", {}, {})
        unknown = np.full(height_um.shape, np.nan, np.float32)

        def put(name: str, layers: list[np.ndarray], names: tuple[str, ...]) -> Path:
            bands = tuple(Band(band, "1") for band in names)
            write_raster(folder / name, Raster(np.stack(layers).astype(np.float32), grid, bands), made)
            return folder / name

        height = put("height.tif", [height_um], ("height",))
        u_height = put("height_uncertainty.tif", [np.full_like(unknown, u_um)], ("u_height",))
        u_tilt = put("normal_uncertainty.tif", [np.full_like(unknown, 0.3)], ("u_tilt",))
        bend = unknown if curvature is None else curvature
        curve = put("curvature.tif", [bend] * 4, ("mean", "gaussian", "k1", "k2"))
        shade = np.ones_like(unknown) if diffuse is None else diffuse
        light = put("reflectance.tif", [shade, unknown, unknown, shade], ("diffuse", "specular", "roughness", "total"))
        traces, areas, classes = folder / "traces.json", folder / "areas.tif", folder / "class.tif"
        trace_marks(
            height=height,
            height_uncertainty=u_height,
            normal_uncertainty=u_tilt,
            curvature=curve,
            traces=traces,
            areas=areas,
            **settings,
        )
        classify_marks(
            height=height,
            height_uncertainty=u_height,
            normal_uncertainty=u_tilt,
            reflectance=light,
            stack=None,
            traces=traces,
            areas=areas,
            marks=folder / "marks.geojson",
            table=folder / "marks.csv",
            classes=classes,
            summary=folder / "summary.json",
        )
        split_relief(
            height=height,
            marks=folder / "marks.geojson",
            classes=classes,
            etched_height=folder / "etched_height.tif",
            scratch_height=folder / "scratch_height.tif",
            relief=folder / "relief.tif",
            fill_mask=folder / "fill_mask.tif",
        )
        return Products(folder)

    return run
