"""Resistance to radial flow and composition, by hand: what a mutant of either must not survive."""

from __future__ import annotations

from itertools import pairwise
from math import log, pi

import pytest
from scipy.integrate import quad

from bronzeward.growth.geometry import path, resistance, resistance_slope
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Ring, Strand
from bronzeward.materials.composition import atom_fraction, mass_fraction
from closeness import close
from growth_cases import problem_of

CORE, SLEEVE, PACK, SHARE = 10e-6, 20e-6, 40e-6, 0.3
PARALLEL = {"pack": [(80, SHARE)], "pack_transport": "parallel channels"}
ROUND = problem_of(Strand.round(20, 40, **PARALLEL), Schedule.start(20).ramp(10, to=30))
PLANE = problem_of(Strand.couple(10, 10), Schedule.start(20).ramp(10, to=30))


def area(radius: float) -> float:
    """Area that copper-tin phases may occupy inside a radius."""
    inside = pi * min(radius, SLEEVE) ** 2
    return inside + SHARE * pi * max(radius**2 - SLEEVE**2, 0.0)


def by_hand(a: float, b: float) -> float:
    """Integral of dr / (2 pi r phi) from radius a to b."""
    inner = log(min(b, SLEEVE) / min(a, SLEEVE)) / (2 * pi)
    return inner + log(max(b, SLEEVE) / max(a, SLEEVE)) / (2 * pi * SHARE)


@pytest.mark.parametrize(("a", "b"), [(4e-6, 8e-6), (8e-6, 15e-6), (15e-6, 30e-6), (25e-6, 39e-6)])
def test_resistance(a, b):
    assert resistance(ROUND, area(b)) - resistance(ROUND, area(a)) == close(by_hand(a, b), rel=1e-10)
    assert path(ROUND, area(a), area(b) - area(a)) == close(by_hand(a, b), rel=1e-10)


@pytest.mark.parametrize(("radius", "phi"), [(4e-6, 1.0), (12e-6, 1.0), (30e-6, SHARE)])
def test_slope(radius, phi):
    # dS/dr = 1 / (2 pi r phi) and dA/dr = 2 pi r phi
    assert resistance_slope(ROUND, area(radius)) == close((2 * pi * radius * phi) ** -2, rel=1e-10)


@pytest.mark.parametrize(("radius", "phi"), [(15e-6, 1.0), (30e-6, SHARE)])
def test_path_far_below_the_rounding_of_the_area(radius, phi):
    width = 1e-12 * area(radius)
    assert path(ROUND, area(radius), width) == close(width / (2 * pi * radius * phi) ** 2, rel=1e-9)


@pytest.mark.parametrize("rings", [[(15, 1.0), (20, 0.4)], [(16, 0.4), (20, 0.8), (24, 0.3)]])
def test_paths_are_integrals_of_the_slope(rings):
    strand = Strand(12e-6, tuple(Ring(1e-6 * radius, share) for radius, share in rings))
    p = problem_of(strand, Schedule.start(450).hold(1))
    for begin, width in ((0.05, 0.01), (0.05, 0.9), (0.35, 0.2), (0.5, 0.1), (0.6, 1e-9), (0.7, 0.1), (0.9, 0.05)):
        a, b = begin * p.area, (begin + width) * p.area
        ends = pairwise([a, *(edge for edge in p.zone_area if a < edge < b), b])
        whole = sum(quad(lambda at: resistance_slope(p, at), low, high, epsrel=1e-12)[0] for low, high in ends)
        assert path(p, a, b - a) == close(whole, rel=1e-7)
        if width > 1e-6:
            assert resistance(p, b) - resistance(p, a) == close(whole, rel=1e-7)


def test_plane():
    assert resistance(PLANE, 3e-6) == 3e-6
    assert resistance_slope(PLANE, 3e-6) == 1.0
    assert path(PLANE, 3e-6, 2e-6) == 2e-6


def test_an_empty_centre_is_finite():
    assert path(ROUND, 0.0, 1e-12) < 1e3
    assert resistance(ROUND, 0.0) == resistance(ROUND, -1e-20)


def test_compositions():
    """Cu3Sn: 118.71 of 118.71 + 3 * 63.546 g; Cu6Sn5 likewise."""
    assert float(mass_fraction(0.25)) == close(118.71 / (118.71 + 3 * 63.546), rel=1e-12)
    assert float(atom_fraction(5 * 118.71 / (5 * 118.71 + 6 * 63.546))) == close(5 / 11, rel=1e-12)
    assert float(mass_fraction(0.0)) == float(atom_fraction(0.0)) == 0.0
    assert float(mass_fraction(1.0)) == float(atom_fraction(1.0)) == 1.0
