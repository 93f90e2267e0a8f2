import threading

import numpy as np
import pytest

from lightdome import tiles


@pytest.mark.parametrize("tile_px", [1, 7, 64, 1000])
def test_tiles_cover_every_pixel_once(tile_px):
    count = np.zeros((23, 41), int)
    for tile in tiles.tiles(count.shape, tile_px, halo_px=3):
        count[tile.core.slices] += 1
    assert (count == 1).all()


def test_the_inner_part_of_a_halo_is_the_core():
    image = np.arange(30 * 50).reshape(30, 50)
    for tile in tiles.tiles(image.shape, 16, halo_px=5):
        assert np.array_equal(image[tile.halo.slices][tile.inner], image[tile.core.slices])


@pytest.mark.parametrize("threads", [1, 3])
def test_every_item_is_worked_on(threads):
    seen, lock = set(), threading.Lock()

    def work(item):
        with lock:
            seen.add(item)

    tiles.for_each(work, range(100), "counting", threads)
    assert seen == set(range(100))


@pytest.mark.parametrize("threads", [1, 2])
def test_the_first_error_stops_the_rest(threads):
    begun = []

    def work(item):
        begun.append(item)
        if item == 3:
            raise ValueError("item three")

    with pytest.raises(ValueError, match="item three"):
        tiles.for_each(work, range(1000), "failing", threads)
    assert len(begun) < 1000


def test_a_log_gets_plain_lines_and_no_bar(capsys):
    assert list(tiles.progress(range(5), "tiles")) == [0, 1, 2, 3, 4]
    said = capsys.readouterr().err
    assert said.startswith("tiles: 5 done in ")
    assert "\r" not in said
