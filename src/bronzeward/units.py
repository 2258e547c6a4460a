"""Units at the edges: constants of conversion, and numbers written so that reading them gives back every bit.

All are exact by definition; `scipy.constants`, which a test holds them to, would take a sixth of a run to import.
"""

from __future__ import annotations

from collections.abc import Callable

ZERO_CELSIUS = 273.15
"""0 °C [K]."""

HOUR = 3600.0
"""[s]"""

MICROMETRE = 1e-6
"""[m]"""

GAS_CONSTANT = 1.380649e-23 * 6.02214076e23
"""Boltzmann's and Avogadro's constants, which define kelvin and mole since 2019 [J/(mol K)]."""

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
