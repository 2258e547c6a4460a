"""Resistance to radial flow as a function of the area inside: S(A) of a stepwise phi(r).

In a zone of constant phi that starts at r0 with A0, phi pi r^2 = A - A0 + phi pi r0^2, so
S = S0 + ln(r / r0) / (2 pi phi) is `offset + factor * log(A + shift)` with
factor = 1 / (4 pi phi) and shift = phi pi r0^2 - A0. A plane couple has S = A.
"""

from __future__ import annotations

from math import log, log1p

from bronzeward.growth.problem import Problem

SMALLEST_AREA = 1e-40


def resistance(p: Problem, area: float) -> float:
    """S(A), up to a constant."""
    if p.plane:
        return area
    starts = p.zone_area
    k = len(starts) - 1
    while k > 0 and area < starts[k]:
        k -= 1
    inside = area + p.zone_shift[k]
    return p.zone_offset[k] + p.zone_factor[k] * log(inside if inside > SMALLEST_AREA else SMALLEST_AREA)


def resistance_slope(p: Problem, area: float) -> float:
    """dS/dA = 1 / (2 pi r phi)^2."""
    if p.plane:
        return 1.0
    starts = p.zone_area
    k = len(starts) - 1
    while k > 0 and area < starts[k]:
        k -= 1
    inside = area + p.zone_shift[k]
    return p.zone_factor[k] / (inside if inside > SMALLEST_AREA else SMALLEST_AREA)


def path(p: Problem, area: float, width: float) -> float:
    """S(A + width) - S(A), also where the width is far below the rounding of A."""
    if p.plane:
        return width
    starts = p.zone_area
    k = len(starts) - 1
    while k > 0 and area < starts[k]:
        k -= 1
    if k < len(starts) - 1 and area + width > starts[k + 1]:
        return resistance(p, area + width) - resistance(p, area)
    inside = area + p.zone_shift[k]
    return p.zone_factor[k] * log1p(width / (inside if inside > SMALLEST_AREA else SMALLEST_AREA))


def holds_border(p: Problem, inner: float, outer: float) -> bool:
    """Whether a border between two zones lies between two areas."""
    if not p.plane:
        for zone in range(1, len(p.zone_area)):
            if inner < p.zone_area[zone] < outer:
                return True
    return False
