"""What lies between rows: polynomials through a few values each, where they are least, where they pass zero.

Of each argument the first axis counts the polynomials; all are looked at in one go.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

HALVINGS = 50
"""Of an interval, to its rounding."""


def weighted(weights: Array, values: Array) -> Array:
    """Sums of some weighted values each, both of shape (n, m)."""
    return np.asarray((weights[:, None, :] @ values[:, :, None])[:, 0, 0])


def lagrange(nodes: Array, at: Array, used: NDArray[np.bool_] | None = None) -> Array:
    """Weights of values at some nodes each, shape (n, m), that give the polynomial through them at (n,) places.

    Of the nodes only those `used` count, shape (n, m); the others, which may be anywhere, have no weight.
    """
    counts = np.ones(nodes.shape, dtype=bool) if used is None else used
    others = counts[:, None, :] & ~np.eye(nodes.shape[1], dtype=bool)
    gaps = np.where(others, nodes[:, :, None] - nodes[:, None, :], 1.0)
    gaps = np.where(counts[:, :, None], gaps, 1.0)
    products = np.prod(np.where(others, (at[:, None] - nodes)[:, None, :], 1.0) / gaps, axis=2)
    return np.where(counts, products, 0.0)


def vertices(time: Array, values: Array) -> Array:
    """Where the parabola through three values each is least, shape (n,); nan outside them."""
    slopes = np.diff(values, axis=1) / np.diff(time, axis=1)
    bend = (slopes[:, 1] - slopes[:, 0]) / (time[:, 2] - time[:, 0])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = 0.5 * (time[:, 0] + time[:, 1]) - 0.5 * slopes[:, 0] / bend
    return np.where((bend > 0.0) & (time[:, 0] < at) & (at < time[:, 2]), at, np.nan)


def least_of_cubics(time: Array, values: Array, guess: Array) -> Array:
    """Where the cubic through four values each is least between the first and the third, or else the guess; (n,)."""
    start, width = time[:, 0], time[:, 2] - time[:, 0]
    x = (time - start[:, None]) / width[:, None]
    first = np.diff(values, axis=1) / np.diff(x, axis=1)
    second = np.diff(first, axis=1) / (x[:, 2:] - x[:, :-2])
    third = (second[:, 1] - second[:, 0]) / (x[:, 3] - x[:, 0])
    # derivative of Newton's form, a x^2 + b x + c; it rises through zero at the least
    a = 3.0 * third
    b = 2.0 * second[:, 0] - 2.0 * third * (x[:, 0] + x[:, 1] + x[:, 2])
    c = first[:, 0] - second[:, 0] * (x[:, 0] + x[:, 1])
    c += third * (x[:, 0] * x[:, 1] + x[:, 1] * x[:, 2] + x[:, 2] * x[:, 0])
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(b * b - 4.0 * a * c)
        at = np.where(b > 0.0, -2.0 * c / (b + root), (root - b) / (2.0 * a))
        return np.where((at > 0.0) & (at < 1.0), start + at * width, guess)


def zeros(nodes: Array, used: NDArray[np.bool_], values: Array, low: Array, high: Array) -> Array:
    """Where the polynomial through some values each passes zero between two places at which its signs differ, (n,)."""
    rising = weighted(lagrange(nodes, high, used), values) > 0.0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        beyond = (weighted(lagrange(nodes, middle, used), values) > 0.0) == rising
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    return np.asarray(0.5 * (low + high))
