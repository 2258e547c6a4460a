"""The beta distribution without `scipy.special`, which would take a fifth of the start of a band to import."""

from __future__ import annotations

from math import lgamma, sqrt

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TERMS_AT_LEAST = 20
"""The fraction takes about as many terms as the square root of a + b; with these more it is as exact as its factor."""


def incomplete_beta(a: float, b: float, x: Array) -> Array:
    """Chance that a number of the beta distribution of `a` and `b` lies below `x` from 0 to 1, shape (n,).

    By its continued fraction (NIST's Digital Library of Mathematical Functions, 8.17.22, from memory), which converges
    fast below the mean; above it the chance to lie higher is taken. Right to 1e-12 while a + b is some thousands:
    as far as lgamma is.
    """
    high = x > (a + 1.0) / (a + b + 2.0)
    y = np.where(high, 1.0 - x, x)
    first, second = np.where(high, b, a), np.where(high, a, b)
    with np.errstate(divide="ignore"):
        factor = np.exp(lgamma(a + b) - lgamma(a) - lgamma(b) + first * np.log(y) + second * np.log1p(-y)) / first
    there = factor > 0.0
    factor[there] /= _fraction(first[there], second[there], y[there], TERMS_AT_LEAST + int(sqrt(a + b)))
    return np.asarray(np.where(high, 1.0 - factor, factor))


def _fraction(a: Array, b: Array, x: Array, terms: int) -> Array:
    """1 + d1/(1 + d2/(1 + ...)), from its far end."""
    value = np.ones_like(x)
    for m in range(terms, 0, -1):
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        value = 1.0 + even / (1.0 + odd / value)
    return np.asarray(1.0 - (a + b) * x / (a + 1.0) / value)
