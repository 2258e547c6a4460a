"""Boundaries and rates at a temperature, and which phases there are, against numbers done by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bronzeward.growth import state
from bronzeward.growth.problem import Problem, new_work
from bronzeward.growth.slots import (
    ALPHA,
    BETA,
    CORE,
    DELTA,
    EPSILON,
    ETA,
    GAMMA,
    GAMMA_TIN,
    N_SLOTS,
    SLOT_LABELS,
    ZETA,
)
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.growth_constants import COMPOUNDS
from bronzeward.materials.kinetics import load_set
from closeness import close
from growth_cases import problem_of

NODES = 5
START, STEP = np.array([400.0, 500.0, 700.0]), np.array([25.0, 50.0, 10.0])
STABLE = ((CORE, ALPHA), (CORE, ETA, DELTA, BETA, ALPHA), (GAMMA_TIN, EPSILON, GAMMA, ALPHA))
LIQUID = (0, 1, 1)

X_IN = np.array([1.0, 0.46, 0.30, 0.26, 0.24, 0.21, 0.19, 0.16, 0.09])
X_OUT = np.array([0.9, 0.45, 0.28, 0.25, 0.23, 0.20, 0.17, 0.14, 0.01])
RATE = np.arange(1.0, N_SLOTS + 1.0)
ENERGY = 1e4 * np.arange(2.0, N_SLOTS + 2.0)
R = 8.31446261815324
"""[J/(mol K)]"""


@pytest.fixture(scope="module")
def p() -> Problem:
    """Straight tables: compositions fall by 1e-6 a kelvin, the factor is 1.5 and rises by 0.001 a kelvin."""
    usual = problem_of(Strand.round(24, 44), Schedule.start(200).hold(1), alpha_cells=6, inner_cells=4)
    fall = np.concatenate([1e-6 * STEP[g] * np.arange(NODES) for g in range(3) for _ in range(N_SLOTS)])
    return usual._replace(
        present=[int(slot in stable) for stable in STABLE for slot in range(N_SLOTS)],
        liquid_core=LIQUID,
        table_start=START,
        table_step=STEP,
        nodes=NODES,
        x_in=np.tile(np.repeat(X_IN, NODES), 3) - fall,
        x_out=np.tile(np.repeat(X_OUT, NODES), 3) - fall,
        factor=1.5 + 1e3 * fall,
        factor_liquid=2.0 * (1.5 + 1e3 * fall),
        rate0=RATE,
        activation=ENERGY,
        rate0_liquid=10.0 * RATE,
        activation_liquid=2.0 * ENERGY,
    )


@pytest.fixture
def w(p: Problem) -> Any:
    return new_work(p.n_cells, np.zeros)._replace(sequence=[0] * N_SLOTS)


def with_boundaries(p: Problem, given: dict[int, tuple[float, float]]) -> Problem:
    """The same boundaries at all temperatures, some phases with their own."""
    x_in, x_out = X_IN.copy(), X_OUT.copy()
    for slot, own in given.items():
        x_in[slot], x_out[slot] = own
    return p._replace(x_in=np.tile(np.repeat(x_in, NODES), 3), x_out=np.tile(np.repeat(x_out, NODES), 3))


# the table between its nodes


@pytest.mark.parametrize("position", [0.0, 0.3, 1.0, 1.5, 2.7, 3.2, 4.0])
def test_straight_tables_are_met(position: float) -> None:
    table = [99.0, -99.0, *(3.0 + 2.0 * k for k in range(5)), 99.0, -99.0]
    assert state.interpolate(table, 2, 5, position) == close(3.0 + 2.0 * position, rel=1e-14)


@pytest.mark.parametrize("position", [1.0, 1.25, 1.9, 2.0, 2.6])
def test_parabolas_are_met_between_inner_nodes(position: float) -> None:
    table = [99.0, -99.0, *((k - 0.7) ** 2 for k in range(5)), 99.0, -99.0]
    assert state.interpolate(table, 2, 5, position) == close((position - 0.7) ** 2, rel=1e-13)


@pytest.mark.parametrize(("position", "value"), [(0.5, 0.375), (0.25, 0.203125), (3.5, 12.375), (3.75, 14.203125)])
def test_end_slopes_are_those_of_the_end_intervals(position: float, value: float) -> None:
    """On 0, 1, 4, 9, 16 the cubics from (0, 0) to (1, 1) with slopes 1 and 2, (3, 9) to (4, 16) with 6 and 7."""
    table = [99.0, -99.0, 0.0, 1.0, 4.0, 9.0, 16.0, 99.0, -99.0]
    assert state.interpolate(table, 2, 5, position) == close(value, rel=1e-14)


# boundaries and rates


@pytest.mark.parametrize(("regime", "kelvin"), [(0, 400.0), (1, 540.0), (2, 733.0)])
def test_boundaries_of_stable_phases_come_from_their_own_table(p: Problem, w: Any, regime: int, kelvin: float) -> None:
    w.x_in[:] = w.x_out[:] = w.rate[:] = -1.0
    state.set_temperature(p, w, regime, kelvin, -1)
    fall = 1e-6 * (kelvin - START[regime])
    for slot in range(N_SLOTS):
        if slot in STABLE[regime]:
            assert w.x_in[slot] == close(X_IN[slot] - fall, rel=1e-14)
            assert w.x_out[slot] == close(X_OUT[slot] - fall, rel=1e-14)
        else:
            assert (w.x_in[slot], w.x_out[slot], w.rate[slot]) == (-1.0, -1.0, -1.0)


@pytest.mark.parametrize(("regime", "kelvin", "touched"), [(1, 540.0, -1), (1, 540.0, ETA), (2, 733.0, GAMMA_TIN)])
def test_rates_follow_arrhenius_with_their_own_constants(
    p: Problem, w: Any, regime: int, kelvin: float, touched: int
) -> None:
    state.set_temperature(p, w, regime, kelvin, touched)
    factor = 1.5 + 1e-3 * (kelvin - START[regime])
    for slot in STABLE[regime]:
        solid = RATE[slot] * np.exp(-ENERGY[slot] / (R * kelvin)) * factor
        liquid = 10.0 * RATE[slot] * np.exp(-2.0 * ENERGY[slot] / (R * kelvin))
        expected = solid if slot != touched else liquid * 2.0 * factor
        assert w.rate[slot] == close(expected, rel=1e-12)


@pytest.mark.parametrize(("gap", "raised"), [(2e-5, False), (0.5e-5, True), (-1e-3, True)])
@pytest.mark.parametrize(("inner", "outer"), [(BETA, ALPHA), (ETA, DELTA), (CORE, ETA), (DELTA, BETA)])
def test_compositions_jump_at_every_interface(
    p: Problem, w: Any, inner: int, outer: int, gap: float, raised: bool
) -> None:
    """By 1e-5: a profile on the tin side gives way, or else what is on the copper side."""
    own = with_boundaries(p, {inner: (X_IN[inner], X_IN[outer] + gap)})
    state.set_temperature(own, w, 1, 540.0, -1)
    x_in, x_out = X_IN.copy(), X_OUT.copy()
    x_out[inner] = X_IN[outer] + gap
    if raised and inner == BETA:
        x_out[BETA] = X_IN[ALPHA] + 1e-5
    elif raised:
        x_in[outer] = x_out[inner] - 1e-5
    there = list(STABLE[1])
    np.testing.assert_allclose(w.x_in[there], x_in[there], rtol=0, atol=1e-14)
    np.testing.assert_allclose(w.x_out[there], x_out[there], rtol=0, atol=1e-14)


@pytest.mark.parametrize("width", [0.0, 0.5e-4, -1e-3])
@pytest.mark.parametrize(("regime", "slot"), [(1, BETA), (2, GAMMA), (2, GAMMA_TIN)])
def test_a_profile_between_two_phases_is_never_too_narrow(
    p: Problem, w: Any, regime: int, slot: int, width: float
) -> None:
    middle = 0.5 * (X_IN[slot] + X_OUT[slot])
    own = with_boundaries(p, {slot: (middle + 0.5 * width, middle - 0.5 * width)})
    state.set_temperature(own, w, regime, START[regime], -1)
    assert w.x_in[slot] == close(middle + 0.5e-4, rel=1e-12)
    assert w.x_out[slot] == close(middle - 0.5e-4, rel=1e-12)


# which layers there are


@pytest.mark.parametrize(
    ("regime", "there"),
    [
        (0, [CORE, ALPHA]),
        (1, [CORE, ETA, BETA]),
        (1, [DELTA]),
        (2, [GAMMA_TIN, EPSILON, GAMMA, ALPHA]),
        (2, []),
    ],
)
def test_sequence_of_the_layers_there_are(p: Problem, w: Any, regime: int, there: list[int]) -> None:
    w.n[there] = 0.5
    w.n[ZETA] = 0.5  # never stable here
    assert state.find_sequence(p, w, regime) == len(there)
    assert w.sequence == there + [0] * (N_SLOTS - len(there))


@pytest.mark.parametrize(
    ("regime", "there", "touched"),
    [
        (1, [CORE, ETA, DELTA], ETA),
        (1, [CORE, ALPHA], ALPHA),
        (0, [CORE, ETA], -1),
        (1, [ETA, DELTA, BETA], -1),
        (2, [ETA, DELTA], -1),
    ],
)
def test_liquid_touches_the_layer_around_it(p: Problem, w: Any, regime: int, there: list[int], touched: int) -> None:
    w.sequence[: len(there)] = there
    assert state.touched_by_liquid(p, w, regime, len(there)) == touched


@pytest.mark.parametrize("celsius", [230.0, 300.0, 415.2])
def test_all_terms_of_a_law_act_in_contact_with_liquid(celsius: float) -> None:
    base = load_set()
    laws = [c for c in base.constants if c.contact == "any"]
    two = [replace(c, terms=((0.3 * c.prefactor, 0.9 * c.activation),)) if c.phase in COMPOUNDS else c for c in laws]
    wetted = [replace(c, contact="liquid", prefactor=2.0 * c.prefactor) for c in two if c.phase == "eta"]
    strand, schedule = Strand.round(24, 44), Schedule.start(celsius).hold(1)
    for constants in (two, two + wetted):
        kinetics = replace(base, constants=tuple(constants))
        q = problem_of(strand, schedule, kinetics)
        work = new_work(q.n_cells, np.zeros)._replace(sequence=[0] * N_SLOTS)
        kelvin, regime = celsius + 273.15, int(q.regime[0])
        first = ETA if q.present[regime * N_SLOTS + ETA] else EPSILON
        for slot, touched in ((first, first), (first, -1), (EPSILON, first)):
            state.set_temperature(q, work, regime, kelvin, touched)
            law = kinetics.constant(SLOT_LABELS[slot], "liquid" if slot == touched else "any")
            # a cubic between 401 nodes; 415.2 °C lies beside the first, where the slope is that of the chord
            near_edge = celsius == 415.2
            assert work.rate[slot] == close(float(law.at(kelvin)), rel=1e-7 if near_edge else 1e-9)
