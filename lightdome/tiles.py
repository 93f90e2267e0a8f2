"""Windows over a grid, halos, work spread over cores, and its progress.

The tile size bounds memory and never changes an answer: a kernel that looks at neighbours asks for a halo as wide as
it looks.
"""

import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sized
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from dataclasses import dataclass
from typing import TypeVar

from tqdm import tqdm

from lightdome.raster import Window

T = TypeVar("T")
TILE_PX = 512
LOG_EVERY_S = 30.0


@dataclass(frozen=True)
class Tile:
    """A window that is this tile's to fill, and the wider window it may look at."""

    core: Window
    halo: Window

    @property
    def inner(self) -> tuple[slice, slice]:
        """To cut the core out of an array of the halo's shape."""
        row, col = self.core.row0 - self.halo.row0, self.core.col0 - self.halo.col0
        rows, cols = self.core.shape
        return slice(row, row + rows), slice(col, col + cols)


def tiles(shape: tuple[int, int], tile_px: int = TILE_PX, halo_px: int = 0) -> list[Tile]:
    """Cover (rows, columns) with tiles, in reading order; halos are cut at the edge of the grid."""
    rows, cols = shape
    found = []
    for row in range(0, rows, tile_px):
        for col in range(0, cols, tile_px):
            core = Window(row, min(row + tile_px, rows), col, min(col + tile_px, cols))
            halo = Window(
                max(core.row0 - halo_px, 0),
                min(core.row1 + halo_px, rows),
                max(core.col0 - halo_px, 0),
                min(core.col1 + halo_px, cols),
            )
            found.append(Tile(core, halo))
    return found


def progress(items: Iterable[T], label: str, total: int | None = None) -> Iterator[T]:
    """Pass items on: a bar on a terminal, a plain line now and then in a log."""
    if total is None and isinstance(items, Sized):
        total = len(items)
    if sys.stderr.isatty():
        yield from tqdm(items, desc=label, total=total, file=sys.stderr, leave=False)
        return
    start = last = time.monotonic()
    count = 0
    for count, item in enumerate(items, 1):
        yield item
        now = time.monotonic()
        if now - last > LOG_EVERY_S:
            last = now
            print(f"{label}: {count} of {total or '?'}", file=sys.stderr, flush=True)
    print(f"{label}: {count} done in {time.monotonic() - start:.1f} s", file=sys.stderr, flush=True)


def for_each(work: Callable[[T], None], items: Iterable[T], label: str, threads: int = 1) -> None:
    """Run `work` on every item over `threads` threads; the first error stops the rest and is raised.

    At most two items a thread wait in memory, whatever the number of items.
    """
    items = list(items)
    if threads <= 1:
        for item in progress(items, label):
            work(item)
        return

    def finished() -> Iterator[None]:
        waiting = set()
        with ThreadPoolExecutor(threads) as pool:
            try:
                for item in items:
                    waiting.add(pool.submit(work, item))
                    if len(waiting) >= 2 * threads:
                        done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                        for future in done:
                            yield future.result()
                while waiting:
                    done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                    for future in done:
                        yield future.result()
            finally:
                for future in waiting:
                    future.cancel()

    for _ in progress(finished(), label, total=len(items)):
        pass
