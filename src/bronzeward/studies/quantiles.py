"""Quantiles of the members' answers: themselves, their errors, and what the answers depend on."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

QUANTILES = (0.05, 0.5, 0.95)

NORMAL_95 = 1.6448536269514722
"""A normal value lies within as many standard deviations either way with a probability of 90 %."""

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
    finite = np.sort(values[np.isfinite(values)])
    n = finite.size
    if not n:
        return np.full(len(QUANTILES), np.nan)
    above = finite - finite[n // 2]
    errors = []
    for quantile in QUANTILES:
        weights = _resampled(n, quantile)
        mean = weights @ above
        errors.append(np.sqrt(weights @ (above - mean) ** 2))
    return np.array(errors)


@lru_cache(maxsize=12)
def _resampled(n: int, quantile: float) -> Array:
    """Chances that the quantile of a resampled sample of n is the first, second, ... of its ordered values."""
    from scipy.special import betainc

    return np.diff(betainc((n + 1) * quantile, (n + 1) * (1.0 - quantile), np.arange(n + 1) / n))


def first_half(values: Array) -> Array:
    """The first half of the finite values, at least one if there is one."""
    finite = values[np.isfinite(values)]
    return finite[: max(1, finite.size // 2)]


def ranks(values: Array) -> Array:
    """Ranks from 1 on, of equal values their mean, shape of `values`, (n,)."""
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    begins = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))
    counts = np.diff(begins, append=values.size)
    found = np.empty(values.size)
    found[order] = np.repeat(begins + 0.5 * (counts + 1), counts)
    return found


def rank_shares(answers: Mapping[str, Array], z: Array) -> dict[str, Array]:
    """What share of the variance of each answer's ranks each source explains, shape (n_sources,).

    The squared correlation of its ranks with those of the source; answers of shape (n,), `z` of shape (n, n_sources).
    Sources are ranked once for all answers that the same members have.
    """
    shares = {name: np.full(z.shape[1], np.nan) for name in answers}
    alike: dict[bytes, dict[str, Array]] = {}
    for name, values in answers.items():
        finite = np.isfinite(values)
        if finite.sum() >= 3 and np.ptp(values[finite]) > 0:
            alike.setdefault(finite.tobytes(), {})[name] = values
    for key, group in alike.items():
        finite = np.frombuffer(key, dtype=bool)
        middle = 0.5 * (finite.sum() + 1)
        sources = np.reshape([ranks(column) for column in z[finite].T], (z.shape[1], -1)).T - middle
        for name, values in group.items():
            own = ranks(values[finite]) - middle
            shares[name] = np.asarray((own @ sources) ** 2 / ((own @ own) * (sources**2).sum(axis=0)))
    return shares
