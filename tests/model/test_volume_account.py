"""The volume account and the strength of the wall, by hand.

Closed forms: V (1 + a dT)^3 for solids, ideal mixing of the liquids, Tresca-free thick tube (2/sqrt 3) s ln(b/a).
"""

from __future__ import annotations

from math import log, sqrt

import numpy as np
import pytest

from bronzeward.materials.phases import PHASES
from bronzeward.materials.properties import load_properties
from bronzeward.model.volume_account import cavity, contents, core_volume, tin_share_for_room, yield_pressure
from closeness import close

P = load_properties()
COLD = 293.15


def solid(phase: str, kelvin: float, x: float = 0.0) -> float:
    base = P.molar_volume[phase] + (P.alpha_slope * x if phase == "alpha" else 0.0)
    return base * (1 + P.expansion[phase] * (kelvin - 298.15)) ** 3


@pytest.mark.parametrize("kelvin", [293.15, 298.15, 480.0, 673.15])
def test_volumes_of_solids(kelvin):
    for phase in PHASES[1:]:
        assert float(P.volume_at(phase, kelvin, 0.05)) == close(solid(phase, kelvin, 0.05), rel=1e-14)


def test_volume_of_the_liquid():
    kelvin, x = 600.0, 0.9
    tin = 6979.0 - 0.652 * (kelvin - 505.08)
    copper = 7997.0 - 0.819 * (kelvin - 1357.77)
    expected = x * 0.11871 / tin + (1 - x) * 0.063546 / copper
    assert float(P.volume_at("liquid", kelvin, x)) == close(expected, rel=1e-12)


def test_contents_by_phase():
    amount = np.zeros((2, 9))
    tin = np.zeros((2, 9))
    amount[0, 1], tin[0, 1] = 2.0, 2.0
    amount[1, 0], tin[1, 0] = 3.0, 2.7
    amount[:, 8], tin[:, 8] = 5.0, 0.25
    found = contents(P, np.array([400.0, 600.0]), amount, tin)
    assert found.shape == (2, 9)
    assert found[0, 1] == close(2.0 * solid("(Sn)", 400.0), rel=1e-14)
    assert found[1, 0] == close(3.0 * float(P.volume_at("liquid", 600.0, 0.9)), rel=1e-14)
    assert found[1, 8] == close(5.0 * solid("alpha", 600.0, 0.05), rel=1e-14)
    assert np.count_nonzero(found) == 4


def test_cavity_expands_as_copper():
    cold = 2.0 * solid("(Sn)", COLD) + 7.0 * solid("alpha", COLD) + 1e-6
    assert float(cavity(P, COLD, 2.0, 7.0, 1e-6)) == close(cold, rel=1e-14)
    hot = float(cavity(P, 673.15, 2.0, 7.0, 1e-6))
    assert hot == close(cold * (1 + P.expansion["alpha"] * 380.0) ** 3, rel=1e-13)
    assert core_volume(P, 2.0, 1e-6) == close(2.0 * solid("(Sn)", COLD) + 1e-6, rel=1e-14)


def test_yield_pressure_of_a_thick_tube():
    found = yield_pressure(P, np.array([298.15, 473.15]), np.array([10e-6, 10e-6]), 20e-6)
    assert found == close([2 / sqrt(3) * 48e6 * log(2), 2 / sqrt(3) * 40e6 * log(2)], rel=1e-12)
    assert float(yield_pressure(P, 298.15, 30e-6, 20e-6)) == 0.0
    assert float(yield_pressure(P, 298.15, np.inf, 20e-6)) == 0.0


def test_yield_strength_is_held_outside_its_table():
    assert float(P.yield_at(273.15)) == 48e6
    assert float(P.yield_at(1000.0)) == 20e6
    assert float(P.yield_at(0.5 * (298.15 + 473.15))) == close(44e6)


@pytest.mark.parametrize(("compound", "x"), [("eta", 0.455), ("epsilon", 0.25), ("delta", 0.212)])
def test_share_of_tin_that_makes_room(compound, x):
    """Put back into the account, that share leaves neither void nor overfill."""
    kelvin, x_liquid = 505.0, 0.98
    f = tin_share_for_room(P, kelvin, x_liquid, compound)
    assert 0 < f < 1
    amount, tin = np.zeros((1, 9)), np.zeros((1, 9))
    column = PHASES.index(compound)
    tin[0, column], amount[0, column] = f, f / x
    tin[0, 0], amount[0, 0] = 1 - f, (1 - f) / x_liquid
    copper = 50.0
    amount[0, 8] = copper - (amount - tin)[0, [column, 0]].sum()
    room = float(cavity(P, kelvin, 1.0, copper, 0.0))
    full = float(contents(P, np.array([kelvin]), amount, tin).sum())
    # alpha's own expansion starts at 25 C, the cavity's at 20 C: 5 K of it, second order
    assert (full - room) / core_volume(P, 1.0, 0.0) == pytest.approx(0.0, abs=5e-5)


def test_more_liquid_needs_more_room():
    shares = [tin_share_for_room(P, kelvin, 0.98) for kelvin in (505.0, 560.0, 620.0)]
    assert shares == sorted(shares)
