"""The volume account and the strength of the wall: closed forms, rest, directions, and a simulated melting.

V (1 + a dT)^3 for solids, ideal mixing of the liquids, thick tube (2/sqrt 3) s ln(b/a).
"""

from __future__ import annotations

from math import log, sqrt

import numpy as np
import pytest

from bronzeward.growth.slots import ALPHA, CORE, EPSILON, ETA
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.materials.properties import load_properties
from bronzeward.model.volume_account import (
    START_K,
    cavity,
    contents,
    core_volume,
    film_shrinkage,
    yield_pressure,
)  # fmt: skip
from closeness import close
from growth_cases import problem_of, run_fast

P = load_properties()
EUTECTIC_K = 500.0


def amounts(**phases: float) -> np.ndarray:
    row = np.zeros((1, len(PHASES)))
    for name, value in phases.items():
        row[0, PHASES.index(SOLID_TIN if name == "solid_tin" else name)] = value
    return row


def overfill(kelvin: float, n: np.ndarray, tin: np.ndarray, pores: float = 0.0) -> float:
    total_tin, total = float(tin.sum()), float(n.sum())
    room = float(cavity(P, kelvin, total_tin, total - total_tin, pores))
    used = float(contents(P, [kelvin], n, tin).sum())
    return (used - room) / core_volume(P, total_tin, pores)


def solid(phase: str, kelvin: float, x: float = 0.0) -> float:
    base = P.molar_volume[phase] + (P.alpha_slope * x if phase == "alpha" else 0.0)
    return base * (1 + P.expansion[phase] * (kelvin - 298.15)) ** 3


@pytest.mark.parametrize("kelvin", [293.15, 298.15, 480.0, 673.15])
def test_volumes_of_solids(kelvin: float) -> None:
    for phase in PHASES[1:]:
        assert float(P.volume_at(phase, kelvin, 0.05)) == close(solid(phase, kelvin, 0.05), rel=1e-14)


def test_volume_of_the_liquid() -> None:
    kelvin, x = 600.0, 0.9
    tin = 6979.0 - 0.652 * (kelvin - 505.08)
    copper = 7997.0 - 0.819 * (kelvin - 1357.77)
    expected = x * 0.11871 / tin + (1 - x) * 0.063546 / copper
    assert float(P.volume_at("liquid", kelvin, x)) == close(expected, rel=1e-12)


def test_contents_by_phase() -> None:
    amount = np.concatenate([amounts(solid_tin=2.0, alpha=5.0), amounts(liquid=3.0, alpha=5.0)])
    tin = np.concatenate([amounts(solid_tin=2.0, alpha=0.25), amounts(liquid=2.7, alpha=0.25)])
    volumes = contents(P, np.array([400.0, 600.0]), amount, tin)
    expected = np.zeros((2, len(PHASES)))
    expected[0, PHASES.index(SOLID_TIN)] = 2.0 * solid(SOLID_TIN, 400.0)
    expected[1, PHASES.index(LIQUID)] = 3.0 * float(P.volume_at("liquid", 600.0, 0.9))
    expected[:, PHASES.index("alpha")] = 5.0 * solid("alpha", 400.0, 0.05), 5.0 * solid("alpha", 600.0, 0.05)
    assert volumes == close(expected, rel=1e-14)


def test_films_and_filaments_by_what_they_displace() -> None:
    """A film takes the place of the metals it came from; niobium in the cavity leaves what it does not fill."""
    x, start = P.compound_tin["eta"], START_K
    tin, copper = amounts(solid_tin=3e-4 * x), amounts(alpha=3e-4 * (1 - x))
    metals = float(contents(P, [start], tin + copper, tin).sum())
    assert film_shrinkage(P, {"eta": 3e-4}) == close(metals - 3e-4 * solid("eta", start), rel=1e-12)
    # one expansion for both: then what is left expands alike
    warm = start + 300.0
    left = float(cavity(P, warm, 2.0, 5.0, 1e-6, expansion=P.expansion["Nb"], filaments=4e-5))
    cold = float(cavity(P, start, 2.0, 5.0, 1e-6))
    assert left == close(cold * (1 + 300.0 * P.expansion["Nb"]) ** 3, rel=1e-12)


def test_overfill_in_plain_numbers() -> None:
    """A mole of liquid tin at 600 K beside two of copper: Assael et al. 2010 density, expansion to the third power."""
    n, tin = amounts(liquid=1.0, alpha=2.0), amounts(liquid=1.0)
    liquid = 0.118710 / (6979.0 - 0.652 * (600.0 - 505.08))
    copper = 2.0 * 7.111e-6 * (1 + 1.75e-5 * (600.0 - 298.15)) ** 3
    # cavity: measured at 20 C, grows as copper does
    cold = 1.629e-5 * (1 - 2.35e-5 * 5.0) ** 3 + 2.0 * 7.111e-6 * (1 - 1.75e-5 * 5.0) ** 3
    room = cold * (1 + 1.75e-5 * (600.0 - START_K)) ** 3
    expected = (liquid + copper - room) / (1.629e-5 * (1 - 2.35e-5 * 5.0) ** 3)
    # rounding of the atomic weight to five figures
    assert overfill(600.0, n, tin) == close(expected, rel=1e-4)


def test_nothing_presses_at_the_start() -> None:
    n, tin = amounts(solid_tin=1.0, alpha=3.0), amounts(solid_tin=1.0)
    assert overfill(START_K, n, tin) == pytest.approx(0.0, abs=1e-14)
    # pores are room: exactly their share of the core
    core = core_volume(P, 1.0, 0.0)
    assert core == close(solid(SOLID_TIN, START_K), rel=1e-14)
    assert overfill(START_K, n, tin, 0.1 * core) == close(-0.1 / 1.1, rel=1e-12)


def test_directions() -> None:
    n, tin = amounts(solid_tin=1.0, alpha=4.0), amounts(solid_tin=1.0)
    melted, melted_tin = amounts(liquid=1.0, alpha=4.0), amounts(liquid=1.0)
    warm = [overfill(kelvin, n, tin) for kelvin in (293.15, 350.0, 420.0, 500.0)]
    hot = [overfill(kelvin, melted, melted_tin) for kelvin in (500.0, 600.0, 800.0)]
    assert (np.diff(warm) > 0).all()  # tin expands more than copper
    assert (np.diff(hot) > 0).all()
    assert hot[0] > warm[-1]  # melting expands
    for compound, x in (("eta", 0.455), ("epsilon", 0.25), ("delta", 0.212)):
        reacted = [
            overfill(
                EUTECTIC_K,
                amounts(liquid=1.0 - share, alpha=4.0 - share / x * (1 - x), **{compound: share / x}),
                amounts(liquid=1.0 - share, **{compound: share}),
            )
            for share in (0.0, 0.2, 0.4, 0.6)
        ]
        assert (np.diff(reacted) < 0).all()  # the reaction shrinks
    shallow = [overfill(EUTECTIC_K, melted, melted_tin, pores * 1.6e-5) for pores in (0.0, 0.02, 0.05)]
    assert (np.diff(shallow) < 0).all()  # pores make room


def tin_share_for_room(temperature: float, x_liquid: float, compound: str = "epsilon") -> float:
    """Closed form of the share of tin that must have become `compound` for melting to fit.

    With a share f of the tin in compound and the rest liquid, at `temperature` [K]: the compound of one
    mole of tin replaces one mole of tin and (1 - N)/N moles of copper; setting contents equal to cavity
    gives f = excess of the liquid / (excess of the liquid + shrinkage). It neglects copper dissolved in
    the solid and takes the liquid at composition `x_liquid`.
    """
    x = P.compound_tin[compound]
    v_tin, v_copper = (float(P.volume_at(p, START_K)) for p in (SOLID_TIN, "alpha"))
    growth = (1.0 + P.expansion["alpha"] * (temperature - START_K)) ** 3
    v_liquid = float(P.volume_at(LIQUID, temperature, x_liquid)) / x_liquid
    taken = v_copper * growth * (1.0 - x_liquid) / x_liquid
    excess = v_liquid - taken - v_tin * growth
    v_compound = float(P.volume_at(compound, temperature)) / x
    shrinkage = (v_tin + v_copper * (1.0 - x) / x) * growth - v_compound
    return excess / (excess + shrinkage)


@pytest.mark.parametrize(("compound", "x"), [("eta", 0.455), ("epsilon", 0.25), ("delta", 0.212)])
def test_closed_form_share_makes_just_enough_room(compound: str, x: float) -> None:
    """Tin split between liquid on its liquidus and compound in the stated share: overfill is zero."""
    x_liquid = 0.987
    share = tin_share_for_room(EUTECTIC_K, x_liquid, compound)
    assert 0.0 < share < 1.0
    liquid, reacted = (1.0 - share) / x_liquid, share / x
    copper = 4.0 - liquid * (1.0 - x_liquid) - reacted * (1.0 - x)
    n = amounts(alpha=copper, **{LIQUID: liquid, compound: reacted})
    tin = amounts(**{LIQUID: 1.0 - share, compound: share})
    # copper left behaves as the cavity does, except for the reference of its expansion, 5 K apart: 1e-4 of 1e-4
    assert overfill(EUTECTIC_K, n, tin) == pytest.approx(0.0, abs=2e-6)


def test_more_liquid_needs_more_room() -> None:
    shares = [tin_share_for_room(kelvin, 0.98) for kelvin in (505.0, 560.0, 620.0)]
    assert shares == sorted(shares)


def test_closed_form_against_simulated_melting() -> None:
    """Longer holds react more tin before it melts; overfill at first liquid passes zero at the closed form's share."""
    slots = {LIQUID: CORE, "eta": ETA, "epsilon": EPSILON, "alpha": ALPHA}
    shares, over = [], []
    for hours in (0.0, 0.5, 1.0, 2.0, 4.0, 8.0):
        schedule = Schedule.start(20).ramp(100, to=215).hold(hours).ramp(100, to=228)
        run = run_fast(problem_of(Strand.round(24, 44), schedule))
        row = next(row for _, _, name, row in run.events if name == "tin melts")
        n, tin = run.amount[row], run.tin[row]
        kelvin = run.celsius[row] + 273.15
        by_phase = [amounts(**{phase: values[slot] for phase, slot in slots.items()}) for values in (n, tin)]
        shares.append(1.0 - tin[CORE] / tin.sum())
        over.append(overfill(kelvin, *by_phase))
    assert (np.diff(over) < 0).all()
    assert over[0] > 0.0 > over[-1]
    crossing = float(np.interp(0.0, over[::-1], shares[::-1]))
    bounds = sorted(tin_share_for_room(kelvin, 0.987, compound) for compound in ("eta", "epsilon"))
    # the simulated shell is eta and epsilon together, so the share lies between those of either alone; interpolation
    # between holds adds a hundredth
    assert bounds[0] - 0.01 <= crossing <= bounds[1] + 0.01


def test_yield_pressure_of_a_thick_tube() -> None:
    # annealed copper, 48 MPa at 25 C, 40 MPa at 200 C (properties.toml)
    pressure = yield_pressure(P, np.array([298.15, 473.15]), np.array([10e-6, 10e-6]), 20e-6)
    assert pressure == close([2 / sqrt(3) * 48e6 * log(2), 2 / sqrt(3) * 40e6 * log(2)], rel=1e-12)
    for inner in (20e-6, 30e-6, np.inf):
        assert float(yield_pressure(P, 298.15, inner, 20e-6)) == 0.0


def test_yield_strength_is_held_outside_its_table() -> None:
    assert float(P.yield_at(273.15)) == 48e6
    assert float(P.yield_at(1000.0)) == 20e6
    assert float(P.yield_at(0.5 * (298.15 + 473.15))) == close(44e6)
