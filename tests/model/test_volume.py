"""The volume account: by hand, at rest, in its direction, and its closed form."""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.materials.properties import load_properties
from bronzeward.model.volume_account import START_K, cavity, contents, core_volume, tin_share_for_room, yield_pressure
from closeness import close

PROPERTIES = load_properties()
EUTECTIC_K = 500.0


def amounts(**phases: float) -> np.ndarray:
    names = {"solid_tin": SOLID_TIN}
    row = np.zeros((1, len(PHASES)))
    for name, value in phases.items():
        row[0, PHASES.index(names.get(name, name))] = value
    return row


def overfill(kelvin: float, n: np.ndarray, tin: np.ndarray, pores: float = 0.0) -> float:
    total_tin, total = float(tin.sum()), float(n.sum())
    room = float(cavity(PROPERTIES, kelvin, total_tin, total - total_tin, pores))
    used = float(contents(PROPERTIES, [kelvin], n, tin).sum())
    return (used - room) / core_volume(PROPERTIES, total_tin, pores)


def test_by_hand() -> None:
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
    core = core_volume(PROPERTIES, 1.0, 0.0)
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
        shares = []
        for share in (0.0, 0.2, 0.4, 0.6):
            made = share / x
            left = amounts(liquid=1.0 - share, alpha=4.0 - made * (1 - x), **{compound: made})
            left_tin = amounts(liquid=1.0 - share, **{compound: share})
            shares.append(overfill(EUTECTIC_K, left, left_tin))
        assert (np.diff(shares) < 0).all()  # the reaction shrinks
    shallow = [overfill(EUTECTIC_K, melted, melted_tin, pores * 1.6e-5) for pores in (0.0, 0.02, 0.05)]
    assert (np.diff(shallow) < 0).all()  # pores make room


@pytest.mark.parametrize(("compound", "x"), [("eta", 0.455), ("epsilon", 0.25)])
def test_closed_form_share_makes_just_enough_room(compound: str, x: float) -> None:
    """Tin split between liquid on its liquidus and compound in the stated share: overfill is zero."""
    x_liquid = 0.987
    share = tin_share_for_room(PROPERTIES, EUTECTIC_K, x_liquid, compound)
    assert 0.0 < share < 1.0
    liquid, made = (1.0 - share) / x_liquid, share / x
    copper = 4.0 - liquid * (1.0 - x_liquid) - made * (1.0 - x)
    n = amounts(alpha=copper, **{LIQUID: liquid, compound: made})
    tin = amounts(**{LIQUID: 1.0 - share, compound: share})
    # copper left behaves as the cavity does, except for the reference of its expansion, 5 K apart: 1e-4 of 1e-4
    assert overfill(EUTECTIC_K, n, tin) == pytest.approx(0.0, abs=2e-6)


def test_closed_form_against_simulated_melting() -> None:
    """Longer holds react more tin before it melts; overfill at first liquid passes zero at the closed form's share."""
    from bronzeward.growth.slots import ALPHA, CORE, EPSILON, ETA
    from bronzeward.inputs.schedule import Schedule
    from bronzeward.inputs.strand import Strand
    from growth_cases import problem_of, run_fast

    rows = []
    for hours in (0.0, 0.5, 1.0, 2.0, 4.0, 8.0):
        schedule = Schedule.start(20).ramp(100, to=215).hold(hours).ramp(100, to=228)
        run = run_fast(problem_of(Strand.round(24, 44), schedule))
        row = next(row for _, _, name, row in run.events if name == "tin melts")
        n, u = run.amount[row], run.tin[row]
        slots = {LIQUID: CORE, "eta": ETA, "epsilon": EPSILON, "alpha": ALPHA}
        own = {label: n[slot] for label, slot in slots.items()}
        own_tin = {label: u[slot] for label, slot in slots.items()}
        kelvin = run.celsius[row] + 273.15
        rows.append((1.0 - u[CORE] / u.sum(), overfill(kelvin, amounts(**own), amounts(**own_tin)), own_tin))
    shares, over = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
    assert (np.diff(over) < 0).all()
    assert over[0] > 0.0 > over[-1]
    crossing = float(np.interp(0.0, over[::-1], shares[::-1]))
    bounds = sorted(tin_share_for_room(PROPERTIES, kelvin, 0.987, compound) for compound in ("eta", "epsilon"))
    # the simulated shell is eta and epsilon together, so the share lies between those of either alone; interpolation
    # between holds adds a hundredth
    assert bounds[0] - 0.01 <= crossing <= bounds[1] + 0.01


def test_yield_pressure_of_a_tube() -> None:
    # annealed copper at 25 C, 48 MPa (properties.toml): 2/sqrt(3) 48 ln 2
    assert float(yield_pressure(PROPERTIES, 298.15, 10e-6, 20e-6)) == close(38.418e6, rel=1e-4)
    assert float(yield_pressure(PROPERTIES, 298.15, 20e-6, 20e-6)) == 0.0
    assert float(yield_pressure(PROPERTIES, 298.15, np.inf, 20e-6)) == 0.0
