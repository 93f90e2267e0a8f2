"""The part of a frame's movement that its lamp's shading feigns: a smooth function of where the lamp stands."""

import numpy as np

FEWEST_STEPS = 8
"""Steps between frames under which nothing is told from shading."""
USUAL_PX = 0.15
"""Standard deviation that a coefficient is expected to have, so that few lamps do not make much of little."""
NOISE_PX, ROUNDS = 0.1, 5
"""Of a step between two frames: real motion is larger, and its steps come to weigh nothing. Both swept on the plates
of benchmarks/register.py."""


def lamp_terms(toward: np.ndarray) -> np.ndarray:
    """Terms (frames, 5) that shading depends on, of unit vectors toward the lamps (frames, 3)."""
    x, y, z = toward.T
    return np.stack([x, y, z, x * z, y * z], axis=1)


def feigned(values: np.ndarray, terms: np.ndarray, reliable: np.ndarray, px: np.ndarray) -> np.ndarray:
    """What of the movements (frames, n) goes with the lamps' terms (frames, m), in the same units; mean zero.

    px : (n,), pixels that one unit of each parameter makes on the plate.  Frames stand in the order in which they were
    taken. Shading changes with every lamp, while motion is rare, or slow and even: so steps from frame to frame are
    explained by those of the terms and one even drift, and steps that are not explained come to weigh nothing (Cauchy
    weights, from memory). A nudge is one such step, wherever it lies; a bumped frame is two.
    """
    seen = np.flatnonzero(reliable)
    if len(seen) <= FEWEST_STEPS:
        return np.zeros_like(values)
    steps = np.diff(values[seen] * px, axis=0)
    design = np.hstack([np.diff(terms[seen], axis=0), np.ones((len(steps), 1))])
    found = np.vstack([np.zeros((terms.shape[1], values.shape[1])), np.median(steps, axis=0)])
    prior = np.append(np.full(terms.shape[1], 1 / USUAL_PX**2), 1e-6)
    for _ in range(ROUNDS):
        weight = 1 / (NOISE_PX**2 + (steps - design @ found) ** 2)
        for column in range(values.shape[1]):
            weighted = design * weight[:, column, None]
            found[:, column] = np.linalg.solve(weighted.T @ design + np.diag(prior), weighted.T @ steps[:, column])
    shaded = (terms - terms[seen].mean(axis=0)) @ found[:-1]
    return shaded / px
