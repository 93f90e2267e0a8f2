"""A photograph as the best mixture of all others: the plate under one lamp from the plate under the others."""

import numpy as np


def mixtures(gram: np.ndarray, ridge: float) -> tuple[np.ndarray, np.ndarray]:
    """Weights (L, L) by which the others mix to each photograph, none of its own, and B (L, L).

    gram : (L, L), products G of the photographs.  ridge : added to its diagonal over its mean, so that noise is not
    mixed in to fit noise.
    B = (G + r)^-1 holds the regressions of every photograph on the rest: w_kj = -B_kj / B_kk (partial regression by the
    inverse of the covariance, from memory).
    """
    gram = gram.astype(float)
    pull = ridge * np.trace(gram) / len(gram) + 1e-30
    inverse = np.linalg.inv(gram + pull * np.eye(len(gram)))
    weights = -inverse / np.diag(inverse)[:, None]
    np.fill_diagonal(weights, 0)
    return weights.astype(np.float32), inverse
