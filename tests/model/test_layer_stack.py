"""Layers at one moment: without gaps, with the volumes of the result."""

from __future__ import annotations

from itertools import pairwise
from math import pi

import numpy as np
import pytest

from bronzeward.materials.phases import PHASES
from bronzeward.model.layer_stack import layers_at, strand_of
from bronzeward.model.layers import COLUMN
from bronzeward.model.moments import find_moment
from bronzeward.model.result import Result, Variable
from closeness import close
from drawing_cases import CASES, result


@pytest.mark.parametrize("name", CASES)
def test_layers_have_no_gaps_and_end_at_the_barrier(name):
    run, strand = result(name), strand_of(result(name))
    for row in range(0, len(run["time"]), 7):
        layers = layers_at(run, row)
        # melting tin takes copper up and may stand a little above the free surface of a plane couple
        assert layers[0].inner == 0.0 or (strand.plane and -1e-7 < layers[0].inner < 0.0)
        assert layers[-1].outer == close(strand.barrier_radius, rel=1e-9)
        for one, other in pairwise(layers):
            assert other.inner == pytest.approx(one.outer, abs=2e-9)  # seeds below a nanometre are left out
        assert [layer.phase for layer in layers].count(None) <= 1


def test_layers_hold_the_atoms_of_the_result():
    """Area of each ring, less filaments, over the molar volume gives back the amount."""
    from bronzeward.materials.properties import load_properties

    run, strand = result("lean"), strand_of(result("lean"))
    volumes = load_properties().molar_volume
    row = find_moment(run, "first liquid")
    for layer in layers_at(run, row):
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
    layers = layers_at(Result(made, {}), 0)
    assert [layer.phase for layer in layers] == [None, "liquid", "gamma", "epsilon", "gamma", "alpha"]
    assert (layers[2].inner, layers[2].outer) == close((5e-6, 6e-6))
