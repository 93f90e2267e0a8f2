"""The plate frame: x right along columns, y up against rows, origin at the image centre."""

import numpy as np
import pytest

from lightdome.errors import GridError
from lightdome.raster import Band, Grid, Raster, Window


def test_pixel_centres_follow_the_contract_formula():
    grid = Grid((4, 6), 0.5)
    # x = (c + 0.5 - W/2) p, y = (H/2 - r - 0.5) p, written out by hand for a 4 x 6 image
    assert grid.x_mm().tolist() == [-1.25, -0.75, -0.25, 0.25, 0.75, 1.25]
    assert grid.y_mm().tolist() == [0.75, 0.25, -0.25, -0.75]


def test_a_window_keeps_the_plate_frame():
    grid = Grid((40, 60), 0.1)
    window = Window(7, 19, 30, 44)
    assert np.array_equal(grid.x_mm(window), grid.x_mm()[30:44])
    assert np.array_equal(grid.y_mm(window), grid.y_mm()[7:19])


def test_plate_and_pixel_positions_are_inverse():
    grid = Grid((40, 61), 0.07)
    row, col = np.array([0, 3.25, 39]), np.array([60, 0.5, 2])
    back = grid.to_pixel(*grid.to_plate_mm(row, col))
    assert np.allclose(back, (row, col), atol=1e-12)
    x_mm, y_mm = grid.to_plate_mm(np.arange(40), np.zeros(40))
    assert np.allclose(y_mm, grid.y_mm())
    assert np.allclose(x_mm, grid.x_mm()[0])


@pytest.mark.parametrize(("shape", "pitch_mm"), [((0, 3), 0.1), ((3, 3), 0.0), ((3, 3), float("nan")), ((3, 3), -1.0)])
def test_a_grid_refuses_nonsense(shape, pitch_mm):
    with pytest.raises(GridError):
        Grid(shape, pitch_mm)


def test_a_raster_refuses_values_of_another_shape():
    with pytest.raises(GridError, match="cannot hold values"):
        Raster(np.zeros((2, 3, 3)), Grid((3, 3), 1.0), (Band("height", "um"),))


def test_a_missing_band_is_named_with_those_there_are():
    raster = Raster(np.zeros((1, 3, 3)), Grid((3, 3), 1.0), (Band("height", "um"),))
    with pytest.raises(GridError, match="no band 'depth'; it has height"):
        raster.band("depth")


def test_a_window_without_pixels_is_refused():
    with pytest.raises(GridError, match="must hold pixels"):
        Window(3, 3, 0, 1)
