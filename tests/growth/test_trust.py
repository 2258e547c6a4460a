"""Compiled and interpreted runs, tolerances, and whether broken balances are noticed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from bronzeward.growth import balance, changes, engine, step
from bronzeward.growth.problem import STATUS, UNBALANCED
from bronzeward.growth.slots import EPSILON, ETA
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.materials.plane_couple import growth_from_integrated
from bronzeward.materials.properties import load_properties
from growth_cases import Run, problem_of, run_fast, run_plain
from growth_random_cases import RandomCase, random_case, wide_case

PLATEAUS = Schedule.start(20).ramp(25, to=150).ramp(25, to=210).hold(24).hold(24).ramp(50, to=300).ramp(50, to=350)
PLATEAUS = PLATEAUS.ramp(50, to=400).hold(5).hold(43).ramp(50, to=500).ramp(50, to=570)
PLATEAUS = PLATEAUS.ramp(50, to=650).hold(5).hold(45)


@pytest.mark.parametrize("number", [0, 3, 12, 21, 40])
@pytest.mark.parametrize("draw", [random_case, wide_case])
def test_compiled_equals_interpreted(draw: Callable[[int, int], RandomCase], number: int) -> None:
    """To the last bit, so that a single run does not depend on whether the engine is kept."""
    problem = draw(1, number).problem(tolerance=1e-3)
    plain, fast = run_plain(problem, rows=8000), run_fast(problem, rows=8000, cells=True)
    assert list(plain.record.count) == list(fast.record.count)
    np.testing.assert_array_equal(fast.table, plain.table)
    np.testing.assert_array_equal(fast.cells, plain.cells)
    assert fast.events == plain.events


@pytest.mark.parametrize("strand", [Strand.round(24, 44), Strand.round(40, 42, [(70, 0.2)])])
def test_default_tolerance_against_a_hundredth_of_it(strand: Strand) -> None:
    runs = {tol: run_fast(problem_of(strand, PLATEAUS, tolerance=tol), rows=40000) for tol in (1e-4, 1e-6)}
    assert all(run.complaints() == [] for run in runs.values())
    atoms = runs[1e-4].amount[0].sum()
    # at the knots of the schedule, where both have a row: nothing is interpolated
    knots = PLATEAUS.time[1:]
    ends = [run.amount[np.searchsorted(run.time, knots * (1.0 - 1e-12))] / atoms for run in runs.values()]
    # wanted: 0.1 % of a run at a hundred times tighter, as a share of all atoms
    np.testing.assert_allclose(ends[0], ends[1], rtol=0.0, atol=1e-3)


def test_error_falls_with_the_tolerance() -> None:
    """A step's error is kept at the tolerance, so that of the run follows it: 1,000 times tighter, far smaller."""
    schedule = Schedule.start(20).ramp(60, to=400).hold(10)
    strand = Strand.round(24, 44)
    runs = [run_fast(problem_of(strand, schedule, tolerance=tol)) for tol in (1e-3, 1e-6, 1e-8)]
    ends = [run.amount[-1] for run in runs]
    coarse, fine = (np.abs(end - ends[2]).max() / ends[2].sum() for end in ends[:2])
    assert fine < 0.05 * coarse
    assert coarse < 1e-6


def test_order_of_the_whole_engine_in_the_step() -> None:
    """Fixed steps on a smooth ramp with layers to begin with: the error falls with the fourth power."""
    schedule = Schedule.start(160).ramp(10, to=180)
    strand = Strand.couple(100, 100, initial_eta=2e-6, initial_epsilon=1e-6)
    ends = []
    for count in (2, 4, 8, 64):
        piece = schedule.time[-1] / count
        problem = problem_of(strand, schedule, tolerance=1e-2, longest_step=piece)
        # the tolerance of iteration is the step's: keep it small by hand
        ends.append(fixed_steps(problem._replace(tolerance=1e-9), count))
    errors = [abs(end / ends[-1] - 1.0) for end in ends[:-1]]
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    # two halvings, the second within half an order of four
    assert abs(orders[-1] - 4.0) < 0.5, (errors, orders)


def fixed_steps(problem: Any, count: int) -> float:
    """Amount of eta after `count` equal steps of the schedule's one piece, errors not controlled."""
    from bronzeward.growth.problem import new_work
    from bronzeward.growth.state import find_sequence
    from bronzeward.model.problem_builder import as_lists

    p = as_lists(problem)
    w = new_work(p.n_cells, lambda k: [0.0] * k)._replace(sequence=[0] * 9)
    for slot in range(9):
        w.n[slot], w.tin[slot] = p.amount[slot], p.tin[slot]
    regime = p.regime[0]
    layers = find_sequence(p, w, regime)
    h, at = p.time[1] / count, p.temperature_start[0]
    slope = (p.temperature_end[0] - at) / p.time[1]
    for _ in range(count):
        step.refresh_cells(p, w, layers)
        step.remember(p, w)
        error, _ = step.try_step(p, w, regime, -1, layers, at, slope, h)
        assert error >= 0.0
        at += slope * h
    return float(w.n[ETA])


def couple_error(run: Run) -> float:
    """How far the growth constants of a simulated couple at 180 C are off."""
    molar = load_properties().molar_volume
    volume = [molar["eta"], molar["epsilon"]]
    integrated = [float(load_set().constant(phase).at(453.15)) for phase in ("eta", "epsilon")]
    expected = growth_from_integrated(integrated, volume, [0.455, 0.25], (1.0, 0.0))
    half = len(run.time) // 2
    width = run.amount[:, [ETA, EPSILON]] * volume
    return float(np.abs((width[-1] ** 2 - width[half] ** 2) / (run.time[-1] - run.time[half]) / expected - 1.0).max())


def given_beyond_cells(run: Run) -> float:
    """Tin that stages gave to profiles beyond what their cells took, signed, as a share of all tin.

    Iteration ends at 1e-6 of a layer; over some thousand stages of either sign that stays below 1e-3, while a
    flow that is wrong by percents is wrong in every stage.
    """
    return float(abs(run.work.corrected[1]) / run.tin[0].sum())


def noticed() -> bool:
    """Whether the checks of this folder complain about the engine as it stands."""
    try:
        couple = run_plain(problem_of(Strand.couple(500, 500), Schedule.start(180).hold(20)))
        # steps at 1e-4 each leave some 1e-4; a broken term is worth a percent at least
        if couple.complaints() or couple_error(couple) > 2e-3:
            return True
        strand = Strand.round(20, 26, [(40, 0.3)])
        schedule = Schedule.start(150).ramp(500, to=450).ramp(500, to=200).ramp(1000, to=560)
        run = run_plain(problem_of(strand, schedule, alpha_cells=12))
        return bool(run.complaints()) or given_beyond_cells(run) > 1e-3
    except (ZeroDivisionError, OverflowError, ValueError):
        return True


def scaled_flow(which: int, factor: float, position: int) -> Callable[..., None]:
    true = balance.compound_flows

    def broken(p: Any, w: Any, k: int, count: int, gh: float) -> None:
        true(p, w, k, count, gh)
        place = {0: 0, 1: 1}.get(position, k)
        if k == place:
            w.flow[w.sequence[k] * 6 + which] *= factor

    return broken


def leaky_take(p: Any, w: Any, slot: int, amount: float, copper_side: bool) -> float:
    return TRUE_TAKE(p, w, slot, amount, copper_side) * 0.999


TRUE_TAKE = changes.take
TRUE_WIDE = balance.wide_flows


def leaky_profile(p: Any, w: Any, k: int, count: int, gh: float, fresh: bool) -> None:
    TRUE_WIDE(p, w, k, count, gh, fresh)
    w.flow[w.sequence[k] * 6 + balance.IN] *= 1.05


DAMAGE: dict[str, tuple[Any, str, Any]] = {
    "compound passes on 2 % less than it takes": (balance, "compound_flows", scaled_flow(balance.OUT, 0.98, 1)),
    "compound takes 2 % more than it passes on": (balance, "compound_flows", scaled_flow(balance.IN, 1.02, 1)),
    "core gives 5 % too little": (balance, "compound_flows", scaled_flow(balance.OUT, 0.95, 0)),
    "path twice as long": (balance, "path", lambda p, a, width: 2.0 * width),
    "interface forgotten inside": (balance, "speed_inside", lambda w, k: 0.0),
    "profile takes 5 % too much": (balance, "wide_flows", leaky_profile),
    "tin lost when atoms change sides": (changes, "take", leaky_take),
    "core freezes for nothing": (engine, "freeze_core", lambda p, w, regime: changes.clear(p, w, 0)),
    "phase vanishes instead of splitting": (engine, "decompose", lambda p, w, regime, slot: changes.clear(p, w, slot)),
}


def test_sound_engine_is_not_complained_about() -> None:
    assert not noticed()


@pytest.mark.parametrize("name", DAMAGE)
def test_broken_balance_is_noticed(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    module, attribute, broken = DAMAGE[name]
    monkeypatch.setattr(module, attribute, broken)
    assert noticed()


def test_closing_the_balance_cannot_hide_a_leak(monkeypatch: pytest.MonkeyPatch) -> None:
    """Totals alone stay right, since every step closes them; how much that moved gives the leak away."""
    sound = run_plain(problem_of(Strand.couple(500, 500), Schedule.start(180).hold(20)))
    # rounding of some hundred steps
    assert sound.work.corrected[0] < 1e-11 * sound.tin[0].sum()
    true = step.store_derivative

    def leaky(p: Any, w: Any, stage: int, count: int, gh: float) -> None:
        w.tin[ETA] *= 1.0 - 1e-4
        true(p, w, stage, count, gh)

    monkeypatch.setattr(step, "store_derivative", leaky)
    leaking = run_plain(problem_of(Strand.couple(50, 50), Schedule.start(200).hold(200)))
    assert leaking.record.count[STATUS] == UNBALANCED


def test_event_that_makes_a_little_tin_ends_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """Far below the tolerance, and closing the balance of the next step would have hidden it."""
    true = engine.seed_between

    def generous(p: Any, w: Any, slot: int) -> bool:
        done = bool(true(p, w, slot))
        w.tin[0] *= 1.0 + 1e-9
        return done

    monkeypatch.setattr(engine, "seed_between", generous)
    run = run_plain(problem_of(Strand.couple(50, 50), Schedule.start(200).hold(1)))
    assert run.record.count[STATUS] == UNBALANCED
