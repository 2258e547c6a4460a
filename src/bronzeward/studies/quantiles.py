"""Quantiles of the members' answers: themselves, their errors, and what the answers depend on."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

QUANTILES = (0.05, 0.5, 0.95)

METHOD: Final = "weibull"
"""How quantiles lie between ordered values: the k-th of n stands for the share k/(n + 1), which is the chance that a
further draw lies below it, whatever it is drawn from (Weibull; no. 6 of Hyndman and Fan). So the 5 to 95 % band of 19
members or more holds a further member, or the truth where it is one, in 90 of 100; by numpy's usual way that of 100
members holds it in 88.2."""


def quantiles(values: Array) -> Array:
    """Quantiles of the finite values, shape (3,); nan where there are none."""
    finite = values[np.isfinite(values)]
    return np.quantile(finite, QUANTILES, method=METHOD) if finite.size else np.full(len(QUANTILES), np.nan)


def quantile_errors(values: Array) -> Array:
    """Standard errors of the quantiles, shape (3,); nan where there are no values.

    What infinitely many bootstrap samples would give, in closed form (Maritz and Jarrett, as `scipy.stats.mstats.mjci`
    names them; J. Am. Stat. Assoc. 73 (1978) 194, from memory): a resampled quantile is the i-th of the ordered values
    with the chance that a beta distribution gives i/n.
    """
    from scipy.special import betainc

    finite = np.sort(values[np.isfinite(values)])
    n = finite.size
    if not n:
        return np.full(len(QUANTILES), np.nan)
    above = finite - finite[n // 2]
    chance = np.arange(n + 1) / n
    errors = []
    for quantile in QUANTILES:
        weights = np.diff(betainc((n + 1) * quantile, (n + 1) * (1.0 - quantile), chance))
        mean = weights @ above
        errors.append(np.sqrt(weights @ (above - mean) ** 2))
    return np.array(errors)


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
    from pandas import DataFrame, Series

    finite = np.isfinite(values)
    if finite.sum() < 3 or np.ptp(values[finite]) == 0:
        return np.full(z.shape[1], np.nan)
    middle = 0.5 * (finite.sum() + 1)  # of all ranks
    sources, ranks = (kind.rank().to_numpy() - middle for kind in (DataFrame(z[finite]), Series(values[finite])))
    return np.asarray((ranks @ sources) ** 2 / ((ranks @ ranks) * (sources**2).sum(axis=0)))
