"""Numbers written in another unit so that reading them gives back every bit."""

from __future__ import annotations

from collections.abc import Callable

STEPS = 64
"""Neighbouring floating-point numbers that are tried at each side."""


def written(value: float, scale: float, read: Callable[[float], float]) -> float:
    """A number near value / scale, short if possible, with read(number) == value.

    The plain quotient where there is none, which then is off by the last bit.

    >>> written(1e-5, 0.5e-6, lambda diameter: 0.5 * diameter * 1e-6)
    20.0
    """
    from math import inf, nextafter

    plain = value / scale
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
