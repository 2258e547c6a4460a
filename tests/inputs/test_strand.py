"""Strand geometry: areas, ratios, and the resistance function S(A) against its definition."""

from __future__ import annotations

from itertools import pairwise
from math import pi

import numpy as np
import pytest
from scipy.integrate import quad

from bronzeward.errors import InputError
from bronzeward.growth.geometry import resistance, resistance_slope
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.materials.properties import load_properties
from bronzeward.model.boundary_tables import build_regimes
from bronzeward.model.filament_array import transverse_conductivity
from bronzeward.model.layers import radius_of_area
from bronzeward.model.problem_builder import Settings, build_problem
from closeness import close


@pytest.fixture(scope="module")
def packed():
    return Strand.round(24, 44, pack=[(60, 0.3), (70, 0.15)])


@pytest.fixture(scope="module")
def problem(packed, table):
    plan = Schedule.start(20).ramp(25, to=215)
    regimes = build_regimes(table, 293.15, 488.15)
    return build_problem(packed, plan, load_set(), regimes, load_properties(), Settings())


def phi(strand: Strand, r: float) -> float:
    return next(share for outer, share in strand.zones() if r <= outer)


def carrying(strand, r):
    """What carries radial flow at a radius, over what pure copper does."""
    return transverse_conductivity(phi(strand, r))


def test_areas_against_integrals_of_phi(packed):
    radii = [0.0, *(outer for outer, _ in packed.zones())]
    total = sum(quad(lambda r: 2 * pi * r * phi(packed, r), a, b)[0] for a, b in pairwise(radii))
    assert packed.core_area + packed.copper_area == close(total, rel=1e-12)


def test_resistance_against_integral_of_its_definition(packed, problem):
    # S(A) = integral dr / (2 pi r carrying), carrying = D_e/D in a pack, A(r) = integral 2 pi r phi dr
    radii = np.array([2e-6, 11e-6, 13e-6, 21e-6, 23e-6, 29e-6, 31e-6, 34.9e-6])
    knots = [outer for outer, _ in packed.zones()]

    def area(r):
        return quad(
            lambda q: 2 * pi * q * phi(packed, q),
            0,
            r,
            points=[k for k in knots if k < r],
            epsabs=0,
            epsrel=1e-13,
        )[0]

    for a, b in pairwise(radii):
        inside = [k for k in knots if a < k < b]
        exact = quad(lambda q: 1 / (2 * pi * q * carrying(packed, q)), a, b, points=inside, epsabs=0, epsrel=1e-13)[0]
        assert resistance(problem, area(b)) - resistance(problem, area(a)) == close(exact, rel=1e-9)
        assert radius_of_area(packed, np.array([area(a)]))[0] == close(a, rel=1e-9)
        assert resistance_slope(problem, area(a)) == close(
            1 / (2 * pi * a) ** 2 / phi(packed, a) / carrying(packed, a), rel=1e-9
        )


def test_ratio_and_diameter_describe_the_same_strand():
    strand = Strand.round(24, 44)
    same = Strand.from_ratio(24, strand.copper_tin_ratio())
    assert same.rings[0].radius == close(22e-6, rel=1e-12)
    porous = Strand.from_ratio(24, 5.0, porosity=0.1)
    assert porous.copper_tin_ratio() == close(5.0, rel=1e-12)


def test_ratio_by_hand():
    # areas over molar volumes of copper (7.111e-6) and tin (16.29e-6 m3/mol), 25 C
    copper, tin = (44**2 - 24**2) / 7.111, 24**2 / 16.29
    assert Strand.round(24, 44).copper_tin_ratio() == close(copper / tin, rel=1e-3)


@pytest.mark.parametrize(
    ("build", "word"),
    [
        (lambda: Strand.round(-24, 44), "core"),
        (lambda: Strand.round(0, 44), "above 0"),
        (lambda: Strand.round(24, 20), "grow"),
        (lambda: Strand.round(24), "no copper"),
        (lambda: Strand.round(24, 44, pack=[(60, 0)]), "copper fraction"),
        (lambda: Strand.round(24, 44, pack=[(60, 1.2)]), "copper fraction"),
        (lambda: Strand.round(24, 44, pack=[(60, 0.009)]), "copper fraction"),
        (lambda: Strand.round(24, 44, porosity=1.0), "porosity"),
        (lambda: Strand.round(float("nan"), 44), "finite"),
        (lambda: Strand.round("thick", 44), "finite"),
        (lambda: Strand.from_ratio(24, 0), "above 0"),
        (lambda: Strand.couple(10, -1), "above 0"),
        (lambda: Strand.round(24, 44, initial_eta=1e-5), "initial eta"),
    ],
)
def test_bad_strands_are_told_in_one_line(build, word):
    with pytest.raises(InputError, match=word) as caught:
        build()
    assert "\n" not in str(caught.value)
