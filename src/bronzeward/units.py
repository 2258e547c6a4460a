"""Units at the edges: constants of conversion, and numbers written so that reading them gives back every bit."""

from __future__ import annotations

from collections.abc import Callable

from scipy import constants

ZERO_CELSIUS: float = constants.zero_Celsius
"""0 °C [K]."""

HOUR: float = constants.hour
"""[s]"""

MICROMETRE: float = constants.micro
"""[m]"""

GAS_CONSTANT: float = constants.R
"""CODATA's exact value since 2019 [J/(mol K)]."""

STEPS = 64
"""Neighbouring floating-point numbers that are tried at each side."""


def written(value: float, plain: float, read: Callable[[float], float]) -> float:
    """A number near `plain`, short if possible, with read(number) == value.

    `plain` itself where there is none, which then is off by the last bit.

    >>> written(1e-5, 1e-5 / 0.5e-6, lambda diameter: 0.5 * diameter * 1e-6)
    20.0
    """
    from math import inf, nextafter

    for digits in range(3, 16):
        if read(round(plain, digits)) == value:
            return round(plain, digits)
    below = above = plain
    for _ in range(STEPS):
        for candidate in (below, above):
            if read(candidate) == value:
                return candidate
        below, above = nextafter(below, -inf), nextafter(above, inf)
    return plain
