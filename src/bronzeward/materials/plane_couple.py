"""The semi-infinite plane couple in closed form: growth constants to and from integrated coefficients.

In a plane couple of unlimited tin and copper every layer grows as w_i = sqrt(k_i t). With the atom
balance of each interface (see `growth/balance.py`), dn_i/dt = s_i - s_{i-1} and
(N_i - N_{i+1}) s_i = J_i - J_{i+1}, that fixes the flows: a linear system for the J_i at given growth,
and J_i = K_i / (V_i w_i) then gives K_i. The way back solves the same balance for the k_i.

Where all layers slow alike as they thicken, K_i (w_ref / w_i)^m in place of K_i, they grow as
w_i^(2+m) = k_i w_ref^m t, and the same holds with other powers: at t = w_ref^2 / k0 thicknesses are
w_ref (k_i / k0)^(1/(2+m)), so that J_i = K_i / (V_i w_i) (w_ref / w_i)^m gives K_i = sum_j c_ij k_i^((1+m)/(2+m))
k_j^(1/(2+m)); w_ref drops out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bronzeward.errors import InputError

Array = NDArray[np.float64]


def integrated_from_growth(
    growth: ArrayLike, volume: ArrayLike, x: ArrayLike, x_ends: tuple[float, float], slowing: float = 0.0
) -> Array:
    """Integrated coefficients K [m2/s] of the layers that grow as w_i^2 = k_i t, slowing w_i^(2+m) = k_i w_ref^m t.

    Parameters
    ----------
    growth : array_like, shape (n,), [m2/s]
        k_i, from the tin side to the copper side.
    volume : array_like, shape (n,), [m3/mol]
    x : array_like, shape (n,), [-]
        Atom fraction of tin in each layer, falling.
    x_ends : (float, float), [-]
        Atom fractions of the tin end (solid tin or saturated liquid) and the copper end.
    slowing : float, [-]
        m of all layers; 0 is parabolic.
    """
    k, v, n = (np.asarray(a, dtype=float) for a in (growth, volume, x))
    _check(k, v, n, x_ends)
    power = 2.0 + slowing
    root = k ** (1.0 / power)
    # flows times t^(1 - 1/(2+m)), w_ref apart: dn_i/dt = k_i^(1/(2+m)) / ((2+m) V_i) t^(1/(2+m) - 1)
    flows = np.linalg.solve(_growth_matrix(n, x_ends), root / power / v)
    return np.asarray(flows * v * k / root)


def integrated_terms(volume: ArrayLike, x: ArrayLike, x_ends: tuple[float, float], slowing: float = 0.0) -> Array:
    """Matrix c [-] of the same conversion written out, K_i = sum_j c_ij k_i^((1+m)/(2+m)) k_j^(1/(2+m)), shape (n, n).

    Since each product of powers of two Arrhenius laws is an Arrhenius law, it turns growth constants that follow such
    laws into a sum of such laws, exactly. All c_ij are positive.
    """
    v, n = np.asarray(volume, dtype=float), np.asarray(x, dtype=float)
    _check(np.ones_like(v), v, n, x_ends)
    return np.asarray(v[:, None] / (2.0 + slowing) * np.linalg.inv(_growth_matrix(n, x_ends)) / v[None, :])


def growth_from_integrated(
    integrated: ArrayLike, volume: ArrayLike, x: ArrayLike, x_ends: tuple[float, float], slowing: float = 0.0
) -> Array:
    """Growth constants k_i [m2/s] from integrated coefficients; the inverse of `integrated_from_growth`.

    With q = 1 + m and y_i the flow times t^(q/(1+q)), y_i = K_i / (V_i k_i^(q/(1+q))), the balance reads
    sum_j M_ij y_j = c_i y_i^(-1/q), c_i = (K_i / V_i)^(1/q) / ((1 + q) V_i). M is symmetric and positive definite, so
    this is where a convex function is least, y M y / 2 - sum_i c_i F(y_i) with F' = y^(-1/q): there is one answer, and
    Newton's method with halved steps finds it.
    """
    big_k, v, n = (np.asarray(a, dtype=float) for a in (integrated, volume, x))
    _check(big_k, v, n, x_ends)
    # measured in the flows of the layers taken one by one, all numbers are near one
    matrix = _growth_matrix(n, x_ends)
    q = 1.0 + slowing
    right = (big_k / v) ** (1.0 / q) / ((1.0 + q) * v)
    unit = (right / np.diag(matrix)) ** (q / (1.0 + q))
    weight = right / unit.max() ** (1.0 + 1.0 / q)
    y = unit / unit.max()
    for _ in range(_MOST_STEPS):
        slope = matrix @ y - weight * y ** (-1.0 / q)
        step = -np.linalg.solve(matrix + np.diag(weight / q * y ** (-1.0 / q - 1.0)), slope)
        if np.max(np.abs(step / y)) < _CLOSE:
            y = y + step
            break
        share = 1.0
        while (y + share * step <= 0).any() or _rises(matrix, weight, y, slope, step, share, q):
            share *= 0.5
        y = y + share * step
    return np.asarray((big_k / (v * y * unit.max())) ** (1.0 + 1.0 / q))


_MOST_STEPS = 500

_CLOSE = 1e-9
"""Relative step after which one more, taken whole, leaves only rounding: Newton's method squares it."""


def _rises(
    matrix: Array, weight: Array, y: Array,
    slope: Array, step: Array, share: float, q: float,
) -> bool:  # fmt: skip
    """Whether the convex function falls by less than a tenth of what its slope promises."""
    change = share * step
    higher, power = np.log1p(change / y), 1.0 - 1.0 / q
    if power > 0.0:
        higher = y**power * np.expm1(power * higher) / power
    rise = change @ (matrix @ y) + 0.5 * change @ (matrix @ change) - weight @ higher
    return bool(rise > 0.1 * share * (slope @ step) + 1e-15)


def _growth_matrix(x: Array, x_ends: tuple[float, float]) -> Array:
    """Matrix M with dn/dt = M J, shape (n, n)."""
    # s_i = (J_i - J_{i+1}) / (N_i - N_{i+1}) at each of the n + 1 interfaces
    per_drop = -1.0 / np.diff(np.concatenate([[x_ends[0]], x, [x_ends[1]]]))
    beside = per_drop[1:-1]
    return np.diag(per_drop[1:] + per_drop[:-1]) - np.diag(beside, 1) - np.diag(beside, -1)


def _check(k: Array, v: Array, x: Array, ends: tuple[float, float]) -> None:
    if k.ndim != 1 or k.shape != v.shape or k.shape != x.shape or k.size == 0:
        raise InputError("plane couple: growth, volume and composition must be rows of the same length")
    if not ((k > 0).all() and (v > 0).all()):
        raise InputError("plane couple: growth constants and molar volumes must be above 0")
    if not (np.diff(np.concatenate([[ends[0]], x, [ends[1]]])) < 0).all():
        raise InputError("plane couple: tin fractions must fall from the tin end to the copper end")
