"""Colours, hatches and dashes that everybody can tell apart."""

from __future__ import annotations

from itertools import combinations

import pytest

from bronzeward.materials.phases import PHASES
from bronzeward.plots import style
from colour_sight import MACHADO, distance, lab

NEIGHBOURS = (
    ("liquid", "eta"), ("(Sn)", "eta"), ("eta", "epsilon"), ("liquid", "epsilon"), ("epsilon", "alpha"),
    ("epsilon", "delta"), ("delta", "alpha"), ("epsilon", "gamma"), ("delta", "gamma"), ("gamma", "beta"),
    ("beta", "alpha"), ("gamma", "alpha"), ("epsilon", "zeta"), ("zeta", "delta"), ("zeta", "gamma"),
    ("liquid", "gamma"), ("(Sn)", "liquid"), ("eta", "alpha"),
)  # fmt: skip


@pytest.mark.parametrize("sight", MACHADO)
def test_every_two_phases_can_be_told_apart_with_every_sight(sight):
    for one, other in combinations(PHASES, 2):
        apart = distance(style.LOOKS[one].colour, style.LOOKS[other].colour, sight)
        assert apart > 20, f"{one} and {other} with {sight}: {apart:.1f}"  # plain at a glance


@pytest.mark.parametrize("sight", MACHADO)
def test_compared_results_can_be_told_apart_with_every_sight(sight):
    for one, other in combinations(style.STROKES, 2):
        assert distance(one[0], other[0], sight) > 10 or one[1] != other[1]
    assert len({dash for _, dash, _ in style.STROKES}) == len({marker for *_, marker in style.STROKES}) == 6


def test_neighbours_differ_in_grey():
    for one, other in NEIGHBOURS:
        difference = abs(lab(style.LOOKS[one].colour)[0] - lab(style.LOOKS[other].colour)[0])
        assert difference > 12, f"{one} and {other} in grey: {difference:.1f}"


def test_liquid_is_told_from_copper_by_its_hatch():
    assert style.LOOKS["liquid"].hatch
    assert not style.LOOKS["alpha"].hatch


def test_every_phase_has_a_look_and_hatches_repeat_only_where_there_is_none():
    assert tuple(style.LOOKS) == PHASES
    hatched = [look.hatch for look in style.LOOKS.values() if look.hatch]
    assert len(set(hatched)) == len(hatched) == 7
