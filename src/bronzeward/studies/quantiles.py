"""Quantiles of the members' answers: themselves, their errors, and what the answers depend on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

QUANTILES = (0.05, 0.5, 0.95)

RESAMPLES = 200
"""Bootstrap samples for the errors of quantiles."""


def quantiles(values: Array) -> Array:
    """Quantiles of the finite values, shape (3,); nan where there are none."""
    finite = values[np.isfinite(values)]
    return np.quantile(finite, QUANTILES) if finite.size else np.full(len(QUANTILES), np.nan)


def quantile_errors(values: Array, seed: int = 1) -> Array:
    """Standard errors of the quantiles by bootstrap, shape (3,); nan where there are no values."""
    from scipy.stats import bootstrap

    finite = values[np.isfinite(values)]
    if finite.size < 2:
        return np.zeros(len(QUANTILES)) if finite.size else np.full(len(QUANTILES), np.nan)
    again = bootstrap(
        (finite,), lambda sample, axis: np.quantile(sample, QUANTILES, axis=axis),
        n_resamples=RESAMPLES, method="percentile", rng=np.random.default_rng(seed),
    )  # fmt: skip
    return np.asarray(again.bootstrap_distribution.std(axis=-1))


def first_half(values: Array) -> Array:
    """The first half of the finite values, at least one if there is one."""
    finite = values[np.isfinite(values)]
    return finite[: max(1, finite.size // 2)]


def rank_shares(values: Array, z: Array) -> Array:
    """Squared correlation of the ranks of an answer with those of each source, shape (n_sources,).

    Parameters
    ----------
    values : ndarray, shape (n,)
    z : ndarray, shape (n, n_sources)
    """
    from scipy.stats import spearmanr

    finite = np.isfinite(values)
    if finite.sum() < 3 or np.ptp(values[finite]) == 0:
        return np.full(z.shape[1], np.nan)
    return np.array([spearmanr(column, values[finite]).statistic ** 2 for column in z[finite].T])
