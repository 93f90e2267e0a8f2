"""Scratches that one wipe or one slip left: parallel neighbours, grouped."""

from collections.abc import Mapping, Set

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

LEAST_LINES = 3
"""Two parallel lines may be chance."""


def events(beside: Mapping[int, Set[int]]) -> dict[int, int]:
    """Number of the event, from 1, of every line that belongs to one.

    beside : for each line (any whole number) the lines that run beside it. Lines that do so in chains make one event;
    fewer than three make none.
    """
    names = sorted(beside)
    place = {name: index for index, name in enumerate(names)}
    pairs = [(place[one], place[other]) for one in names for other in beside[one] if other in place]
    if not pairs:
        return {}
    first, second = np.array(pairs).T
    graph = coo_array((np.ones(len(pairs)), (first, second)), shape=(len(names), len(names)))
    _, group = connected_components(graph, directed=False)
    size = np.bincount(group)
    large = [number for number in range(len(size)) if size[number] >= LEAST_LINES]
    numbers = {number: index for index, number in enumerate(large, 1)}
    return {name: numbers[group[place[name]]] for name in names if group[place[name]] in numbers}
