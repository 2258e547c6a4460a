"""Tin and copper through every event, and each split by hand."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from bronzeward.growth.slots import ALPHA, CORE, EPSILON, ETA, N_SLOTS, SLOT_LABELS
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.model.simulation import simulate
from closeness import close
from growth_cases import Run, problem_of, regimes, run_fast, run_plain

STRANDS = {
    "ample copper": Strand.round(24, 44),
    "starved pack": Strand.round(40, 42, [(60, 0.15)]),
    "pack": Strand.round(30, 34, [(50, 0.3), (60, 0.2)], porosity=0.025),
    "stored": Strand.round(20, 30, initial_eta=0.5e-6, initial_epsilon=0.2e-6),
    "plane": Strand.couple(20, 60),
}

SCHEDULES = {
    "melt": Schedule.start(20).ramp(100, to=300).quench(),
    "melt, freeze, melt": (
        Schedule.start(20).ramp(100, to=240).ramp(200, to=180).ramp(60, to=235).ramp(60, to=200).quench()
    ),
    "peritectic": Schedule.start(20).ramp(300, to=380).hold(0.5).ramp(300, to=430).hold(1).quench(),
    "peritectic and back": Schedule.start(20).ramp(500, to=450).ramp(100, to=380).hold(5).ramp(500, to=440).quench(),
    "to 700 and back": Schedule.start(20).ramp(1000, to=700).hold(0.2).ramp(500, to=20).quench(),
    "slowly to 700 and back": Schedule.start(20).ramp(20, to=700).ramp(20, to=100).ramp(100, to=700),
    "three plateaus": Schedule.start(20).ramp(25, to=210).hold(48).ramp(50, to=400).hold(48).ramp(50, to=665).hold(60),
    "hot start": Schedule.start(645).hold(1).furnace_cool(2.0, to=100),
}


@cache
def fast(strand: str, schedule: str) -> Run:
    return run_fast(problem_of(STRANDS[strand], SCHEDULES[schedule]), rows=20000, cells=True)


@pytest.mark.parametrize("strand", STRANDS)
@pytest.mark.parametrize("schedule", SCHEDULES)
def test_totals_at_every_output_time(strand: str, schedule: str) -> None:
    run = fast(strand, schedule)
    # 1e-10 for tin, copper and atoms, nothing negative, no early end: see growth_cases.complaints
    assert run.complaints() == []
    # cells are where the tin of a profile is kept: they must add up to it, to the rounding of their sum
    for slot in range(N_SLOTS):
        first, cells = int(run.problem.cell_start[slot]), int(run.problem.cells[slot])
        if cells:
            held = run.cells[:, first : first + cells].sum(axis=1)
            np.testing.assert_allclose(held, run.tin[:, slot], atol=1e-13 * run.amount[0].sum())


def test_stored_rows_keep_tin_with_phases_that_hardly_grow() -> None:
    """By phase, as a result has them: with such constants layers came out below zero, and were cut off."""
    kinetics = load_set().scaled({"alpha": 1e-6, "delta": 1e-6})
    for name in ("starved pack", "plane"):
        result = simulate(STRANDS[name], SCHEDULES["slowly to 700 and back"], kinetics)
        tin = np.asarray(result["tin_fraction"]).sum(axis=1)
        np.testing.assert_allclose(tin, 1.0, rtol=1e-10)


@pytest.mark.parametrize(
    ("strand", "schedule"),
    [("ample copper", "slowly to 700 and back"), ("starved pack", "hot start"), ("plane", "to 700 and back")],
)
def test_totals_in_plain_python(strand: str, schedule: str) -> None:
    """The same with few cells and the engine interpreted."""
    run = run_plain(problem_of(STRANDS[strand], SCHEDULES[schedule], alpha_cells=10, inner_cells=4, tolerance=3e-3))
    assert run.complaints() == []


def test_schedules_meet_every_kind_of_event() -> None:
    """Else the test above proves less than it says."""
    seen = {name for strand in STRANDS for schedule in SCHEDULES for _, _, name, _ in fast(strand, schedule).events}
    assert {"tin melts", "tin freezes", "quench", "liquid returns"} <= seen
    # at 700 C epsilon, zeta and delta have decomposed or were used up before, whichever came first
    assert {f"{label} appears" for label in ("epsilon", "zeta", "delta", "gamma", "beta")} <= seen
    assert {"zeta decomposes", "delta decomposes", "gamma decomposes", "beta decomposes"} <= seen
    assert {"eta appears", "eta decomposes", "eta used up", "core used up", "alpha used up"} <= seen


def around(run: Run, name: str) -> tuple[int, int]:
    """Rows just before and just after an event."""
    row = next(row for _, _, event, row in run.events if event == name)
    return row - 1, row


def liquidus(celsius: float) -> float:
    """Tin fraction of the liquid at the copper side just above a temperature, from the tables."""
    own = regimes()
    kelvin = celsius + 273.15
    regime = next(g for g in range(len(own.edges) - 1) if own.edges[g] <= kelvin + 1e-6 < own.edges[g + 1])
    nodes = np.linspace(own.edges[regime], own.edges[regime + 1], own.x_out.shape[2])
    return float(np.interp(kelvin, nodes, own.x_out[regime, CORE]))


def test_melting_by_hand() -> None:
    """n (Sn) + copper from eta -> liquid on its liquidus: n_liquid = n (1 - N_eta) / (N_L - N_eta)."""
    run = run_plain(problem_of(STRANDS["ample copper"], SCHEDULES["melt"]))
    before, after = around(run, "tin melts")
    celsius = run.celsius[after]
    assert celsius == pytest.approx(227.0, abs=1.0)  # checks.csv, eutectic_t
    x = liquidus(celsius)
    solid = run.amount[before, CORE]
    expected = solid * (1.0 - 0.455) / (x - 0.455)
    # the tables are interpolated twice, with nodes a hundredth of a degree apart here
    assert run.amount[after, CORE] == close(expected, rel=1e-6)
    lost = run.amount[before, ETA] - run.amount[after, ETA]
    assert lost == close(expected - solid, rel=1e-4)


def test_freezing_by_hand() -> None:
    """Liquid -> (Sn) + eta: share of eta (1 - N_L) / (1 - N_eta)."""
    run = run_plain(problem_of(STRANDS["ample copper"], SCHEDULES["melt, freeze, melt"]))
    before, after = around(run, "tin freezes")
    liquid, x = run.amount[before, CORE], run.tin[before, CORE] / run.amount[before, CORE]
    share = (1.0 - x) / (1.0 - 0.455)
    # both sides use the liquid's own composition: rounding of the differences of amounts
    assert run.amount[after, ETA] - run.amount[before, ETA] == close(share * liquid, rel=1e-9)
    assert run.amount[after, CORE] == close((1.0 - share) * liquid, rel=1e-9)
    assert run.tin[after, CORE] == close(run.amount[after, CORE], rel=1e-12)


@pytest.mark.parametrize("strand", ["ample copper", "starved pack"])
def test_peritectic_by_hand(strand: str) -> None:
    """eta -> liquid + epsilon: share of liquid (N_eta - N_epsilon) / (N_L - N_epsilon)."""
    run = run_plain(problem_of(STRANDS[strand], SCHEDULES["peritectic"]))
    before, after = around(run, "eta decomposes")
    celsius = run.celsius[after]
    assert 407.0 <= celsius <= 416.0  # checks.csv: 408 to 415 C and 1 K
    x = liquidus(celsius)
    share = (0.455 - 0.25) / (x - 0.25)
    eta = run.amount[before, ETA]
    assert eta > 0.01 * run.amount[0].sum()  # there is something to split
    # interpolated tables, as above
    assert run.amount[after, CORE] - run.amount[before, CORE] == close(share * eta, rel=1e-5)
    assert run.amount[after, EPSILON] - run.amount[before, EPSILON] == close((1.0 - share) * eta, rel=1e-5)
    assert run.amount[after, ETA] == 0.0


def test_liquid_returns_where_eta_outlived_the_core() -> None:
    # Cu:Sn of 1.5: between eta and epsilon at equilibrium, so that the core is used up and eta is not
    strand = Strand.from_ratio(6, 1.5)
    run = run_plain(problem_of(strand, Schedule.start(20).ramp(25, to=400).hold(100).ramp(25, to=420)))
    before, after = around(run, "liquid returns")
    assert run.amount[before, CORE] == 0.0
    assert run.amount[after, CORE] > 0.0
    assert run.amount[after, ALPHA] == run.amount[before, ALPHA]
    assert next(SLOT_LABELS[s] for s in range(N_SLOTS) if run.amount[after, s] > 0) == "core"
