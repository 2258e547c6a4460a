"""Layers at one moment: without gaps, with the volumes of the result."""

from __future__ import annotations

from itertools import pairwise
from math import pi

import numpy as np
import pytest

from bronzeward import Case, Schedule, Strand, load_set
from bronzeward.materials.phases import PHASES
from bronzeward.materials.properties import load_properties
from bronzeward.model.layer_stack import cold_layers_at, edges_at, layers_at, seen_layers, strand_of
from bronzeward.model.layers import COLUMN
from bronzeward.model.moments import find_moment
from bronzeward.model.result import Result, Variable
from bronzeward.model.simulation import run_case
from closeness import close
from drawing_cases import CASES, result


@pytest.mark.parametrize("name", CASES)
def test_layers_have_no_gaps_and_end_at_the_barrier(name):
    run, strand = result(name), strand_of(result(name))
    for row in range(0, len(run["time"]), 7):
        layers = layers_at(run, row)
        assert layers[0].inner == 0.0
        assert layers[-1].outer == close(strand.barrier_radius, rel=1e-9)
        for one, other in pairwise(layers):
            assert other.inner == pytest.approx(one.outer, abs=2e-9)  # seeds below a nanometre are left out
        assert [layer.phase for layer in layers].count(None) <= 1


def test_layers_hold_the_atoms_of_the_result():
    """Area of each ring, less filaments, over the molar volume gives back the amount."""
    run, strand = result("lean"), strand_of(result("lean"))
    volumes = load_properties().molar_volume
    row = find_moment(run, "first liquid")
    for layer in cold_layers_at(run, row):
        if layer.phase in ("eta", "epsilon"):
            area, inner = 0.0, 0.0
            for outer, share in strand.zones():
                low, high = max(layer.inner, inner), min(layer.outer, outer)
                area += share * pi * max(high**2 - low**2, 0.0) if high > low else 0.0
                inner = outer
            assert area / volumes[layer.phase] == close(run["amount"][row, COLUMN[layer.phase]], rel=1e-6)


def test_gamma_on_both_sides_of_epsilon_is_drawn_twice():
    nan = np.full(len(PHASES), np.nan)
    inner, outer, thickness = nan.copy(), nan.copy(), np.zeros(len(PHASES))
    for phase, low, high in (
        ("liquid", 2e-6, 5e-6),
        ("epsilon", 6e-6, 8e-6),
        ("gamma", 8e-6, 9e-6),
        ("alpha", 9e-6, 20e-6),
    ):
        k = COLUMN[phase]
        inner[k], outer[k], thickness[k] = low, high, high - low
    thickness[COLUMN["gamma"]] = 2e-6  # one of them between liquid and epsilon
    made = {
        name: Variable(("time", "phase"), row[None, :])
        for name, row in (("inner_radius", inner), ("outer_radius", outer), ("thickness", thickness))
    }
    layers = cold_layers_at(Result(made, {}), 0)
    assert [layer.phase for layer in layers] == [None, "liquid", "gamma", "epsilon", "gamma", "alpha"]
    assert (layers[2].inner, layers[2].outer) == close((5e-6, 6e-6))


def test_a_section_agrees_with_the_account_and_its_rings_hold_the_volumes_at_temperature():
    """No void where the contents exceed their cavity, else the account's; areas as n V(T), filaments left out."""
    seen = set()
    for rate in (100.0, 5.0):
        run = run_case(Case(Strand.round(24, 44), Schedule.start(20).ramp(rate, to=300).quench(), load_set()))
        row, known = find_moment(run, "first liquid"), load_properties()
        layers, kelvin = layers_at(run, row), float(run["temperature"][row])
        areas = {layer.phase: pi * (layer.outer**2 - layer.inner**2) for layer in layers}
        overfull = float(run["overfill"][row]) > 0.0
        assert (None in areas) is not overfull
        seen.add(overfull)
        if not overfull:
            assert areas[None] / (pi * 22e-6**2) == close(float(run["void_fraction"][row]), rel=1e-9)
        volume = {
            phase: float(run["amount"][row, COLUMN[phase]] * known.volume_at(phase, kelvin, x))
            for phase, x in (("liquid", float(run["liquid_composition"][row])), ("eta", 0.0), ("epsilon", 0.0))
        }
        for phase in ("eta", "epsilon"):
            assert areas[phase] / areas["liquid"] == close(volume[phase] / volume["liquid"], rel=1e-6)
    assert seen == {True, False}


def test_a_void_behind_the_shell_is_drawn_there():
    strand = Strand.round(24, 44, void_place="between shell and copper")
    run = run_case(Case(strand, Schedule.start(20).ramp(5, to=300).quench(), load_set("couples")))
    row = find_moment(run, "first liquid")
    phases = [layer.phase for layer in seen_layers(run, row)]
    assert phases[-2:] == [None, "alpha"]
    assert phases[0] == "liquid"
    edges = edges_at(run, row)
    assert edges[0] == 0.0
    assert edges[-2] - edges[-3] > 1e-7  # the void, between beta's place and the copper's
