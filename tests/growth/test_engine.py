"""How the engine chooses steps, lands on layers that run out, and notes what happened, against sums done by hand."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bronzeward.growth import engine, step
from bronzeward.growth.problem import (
    APPEARS,
    DECOMPOSES,
    DONE,
    EVENT_WIDTH,
    EVENTS,
    FREEZES,
    FULL,
    MELTS,
    N_COUNTS,
    REJECTED,
    RETURNS,
    ROW_WIDTH,
    ROWS,
    STATUS,
    STEPS,
    TOO_SMALL,
    UNBALANCED,
    USED_UP,
    Problem,
    Record,
)
from bronzeward.growth.slots import ALPHA, BETA, CORE, EPSILON, ETA, GAMMA, GAMMA_TIN, N_SLOTS
from bronzeward.growth.state import find_sequence, set_temperature
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from closeness import close
from growth_cases import problem_of, regimes
from growth_pieces import cells_of, fill, shares_of, work

CELLS = 5


def problem(schedule: Schedule | None = None, **settings: Any) -> Problem:
    own = {"alpha_cells": CELLS, "inner_cells": 4, **settings}
    return problem_of(Strand.couple(20, 40), schedule or Schedule.start(200).hold(1), **own)


@pytest.fixture
def p() -> Problem:
    return problem()


def record(p: Problem, rows: int = 50, events: int = 20) -> Record:
    sizes = (rows * ROW_WIDTH, rows * p.n_cells, events * EVENT_WIDTH)
    return Record(*(np.full(size, np.nan) for size in sizes), [0] * N_COUNTS)


def events_of(r: Record) -> list[tuple[int, int]]:
    """Code and slot of each event."""
    table = np.asarray(r.event[: r.count[EVENTS] * EVENT_WIDTH]).reshape(-1, EVENT_WIDTH)
    return [(int(row[2]), int(row[3])) for row in table]


def regime_at(celsius: float) -> int:
    return int(np.searchsorted(regimes().edges, celsius + 273.15)) - 1


# --- the record


def test_a_row_holds_the_whole_state(p: Problem) -> None:
    w, r = work(p), record(p, rows=2)
    w.n[:], w.tin[:], w.u[:] = np.arange(9.0), np.arange(9.0) + 10, np.arange(float(p.n_cells))
    engine.record_row(p, w, r, 5.0, 300.0, 2)
    w.n[:] = -1.0
    engine.record_row(p, w, r, 6.0, 301.0, 3)
    assert r.count[ROWS] == 2
    rows = np.asarray(r.row).reshape(2, ROW_WIDTH)
    np.testing.assert_array_equal(rows[0], [5.0, 300.0, 2.0, *np.arange(9.0), *(np.arange(9.0) + 10)])
    np.testing.assert_array_equal(rows[1], [6.0, 301.0, 3.0, *np.full(9, -1.0), *(np.arange(9.0) + 10)])
    np.testing.assert_array_equal(np.asarray(r.cell).reshape(2, -1), [np.arange(p.n_cells)] * 2)
    assert r.count[STATUS] == DONE
    engine.record_row(p, w, r, 7.0, 302.0, 3)
    assert (r.count[STATUS], r.count[ROWS]) == (FULL, 2)


def test_a_record_without_cells_keeps_none(p: Problem) -> None:
    w, r = work(p), record(p)._replace(cell=np.full(p.n_cells + 1, np.nan))
    w.u[:] = 7.0
    engine.record_row(p, w, r, 5.0, 300.0, 2)
    engine.record_row(p, w, r, 6.0, 300.0, 2)
    assert r.count[ROWS] == 2
    assert (r.cell[:-1] == 7.0).all()
    assert np.isnan(r.cell[-1])


def test_an_event_points_at_the_row_that_follows_it(p: Problem) -> None:
    w, r = work(p), record(p, events=2)
    engine.record_event(r, 1.0, 300.0, MELTS, CORE)
    engine.record_row(p, w, r, 5.0, 300.0, 2)
    engine.record_event(r, 5.0, 310.0, APPEARS, ETA)
    table = np.asarray(r.event).reshape(2, EVENT_WIDTH)
    np.testing.assert_array_equal(table, [[1.0, 300.0, MELTS, CORE, 0.0], [5.0, 310.0, APPEARS, ETA, 1.0]])
    assert r.count[STATUS] == DONE
    engine.record_event(r, 6.0, 310.0, APPEARS, ETA)
    assert (r.count[STATUS], r.count[EVENTS]) == (FULL, 2)


# --- edge layers that run out


CURVES: dict[str, tuple[Callable[[float], float], float]] = {
    "straight": (lambda h: 1.0 - h / 3.0, 3.0),
    "parabola": (lambda h: 1.0 - (h / 3.0) ** 2, 3.0),
    "square root": (lambda h: 1.0 - (h / 3.0) ** 0.5, 3.0),
    "fifth power": (lambda h: 1.0 - (h / 9.0) ** 5, 9.0),
    "late drop": (lambda h: 1e-3 + max(0.0, 9.0 - h) - 4.0 * max(0.0, h - 9.0), 9.00025),
}


@pytest.mark.parametrize("name", CURVES)
def test_landing_where_a_layer_just_runs_out(p: Problem, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Regula falsi as improved by Anderson and Bjoerck needs few tries whatever the curve bends like."""
    curve, root = CURVES[name]
    w, p = work(p, CORE, ETA), p._replace(all_tin=0.5)
    tried: list[float] = []

    def try_step(p: Any, w: Any, regime: int, touched: int, count: int, at: float, slope: float, h: float) -> Any:
        assert (regime, touched, count, at, slope) == (1, 2, 2, 473.0, 0.5)
        assert w.n[CORE] == 1.0  # restored first
        tried.append(h)
        w.n[CORE] = curve(h)
        return 0.5, 3

    w.n[CORE] = 1.0
    w.n_start[CORE] = 1.0
    monkeypatch.setattr(engine, "try_step", try_step)
    w.n[CORE] = curve(10.0)
    landed = engine.land(p, w, 1, 2, 2, 473.0, 0.5, 10.0, 0, 1.0)
    assert landed == tried[-1]
    assert abs(curve(landed)) <= 0.1 * engine.spent_amount(p, CORE, 1.0)
    assert landed == close(root, rel=1e-5)
    assert len(tried) <= 10
    assert len(set(tried)) == len(tried)


@pytest.mark.parametrize("jump", [False, True])
def test_landing_where_a_phase_at_an_edge_is_due(p: Problem, jump: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between what is worth starting and twice that; where the surplus jumps past both, as close behind as can be."""
    w = work(p, CORE, ETA)
    due = [0.0]

    def try_step(p: Any, w: Any, regime: int, touched: int, count: int, at: float, slope: float, h: float) -> Any:
        assert (regime, touched, count, at, slope) == (1, 2, 2, 473.0, 0.5)
        due[0] = (50.0 if h > 7.0 else 0.0) if jump else max(0.0, h - 7.0) ** 2
        return 0.5, 3

    monkeypatch.setattr(engine, "try_step", try_step)
    monkeypatch.setattr(engine, "restore", lambda p, w, count: None)
    monkeypatch.setattr(engine, "supersaturation", lambda *_: (ETA, due[0]))
    due[0] = 9.0
    landed = engine.land_on_start(p, w, 1, 2, 2, 473.0, 0.5, 10.0, 1.0)
    if jump:
        assert landed == close(7.0, rel=2e-9)
        assert due[0] == 50.0
    else:
        assert 1.0 < due[0] <= engine.MOST_OVERDUE
        assert due[0] == close((landed - 7.0) ** 2)
    due[0] = engine.MOST_OVERDUE
    assert engine.land_on_start(p, w, 1, 2, 2, 473.0, 0.5, 10.0, 1.0) == 10.0
    due[0] = 9.0
    monkeypatch.setattr(engine, "try_step", lambda *_: (-1.0, 1))
    assert engine.land_on_start(p, w, 1, 2, 2, 473.0, 0.5, 10.0, 1.0) < 0.0


@pytest.mark.parametrize("k", [0, 2])
def test_a_used_up_layer_goes_to_its_neighbours(p: Problem, k: int) -> None:
    regime = regime_at(200)
    w, r = work(p), record(p)
    set_temperature(p, w, regime, 473.15, -1)
    fill(p, w, CORE, 1e-9 if k == 0 else 1.0, 1.0)
    fill(p, w, ETA, 2.0, float(w.x_in[ETA]))
    fill(p, w, EPSILON, 1e-9 if k == 2 else 3.0, float(w.x_in[EPSILON]))
    count = find_sequence(p, w, regime)
    atoms, tin = w.n.sum(), w.tin.sum()
    w.s[:] = np.arange(9.0) + 1.0
    w.s_trend[:] = 1.0
    spent = (CORE, EPSILON)[k // 2]
    assert engine.use_up(p, w, r, regime, count, k, 7.0, 473.15) == 2
    assert events_of(r) == [(USED_UP, spent)]
    assert list(r.event[:2]) == [7.0, 473.15]
    assert w.n[spent] == w.tin[spent] == 0.0
    assert w.n.sum() == close(atoms, rel=1e-15)
    assert w.tin.sum() == close(tin, rel=1e-15)
    assert list(w.sequence[:2]) == ([ETA, EPSILON] if k == 0 else [CORE, ETA])
    # both that are left keep their composition, so both took part
    assert w.tin[ETA] / w.n[ETA] == close(w.x_in[ETA], rel=1e-14)
    kept = EPSILON if k == 0 else CORE
    assert w.tin[kept] / w.n[kept] == close(w.x_in[EPSILON] if k == 0 else 1.0, rel=1e-14)
    assert (w.s_trend == 0.0).all()
    # speeds belong to positions: the first one goes with the innermost layer
    assert list(w.s[:2]) == ([2.0, 3.0] if k == 0 else [1.0, 2.0])


def test_the_last_but_one_layer_hands_over_what_it_has(p: Problem) -> None:
    regime = regime_at(200)
    w, r = work(p), record(p)
    fill(p, w, CORE, 1e-6, 1.0)
    fill(p, w, ALPHA, 2.0, 0.02)
    atoms, tin = w.n.sum(), w.tin.sum()
    assert engine.use_up(p, w, r, regime, find_sequence(p, w, regime), 0, 7.0, 473.15) == 1
    assert (w.n[ALPHA], w.tin[ALPHA]) == (close(atoms, rel=1e-15), close(tin, rel=1e-15))
    first = int(p.cell_start[ALPHA])
    assert w.u.sum() == close(tin, rel=1e-15)
    assert w.x[first] > 0.02 > w.x[first + 1]  # its tin lies at the tin side, its atoms everywhere


# --- guesses


# --- layers that no step can follow


def thin(p: Problem, share: float, slot: int) -> float:
    """Atoms of a layer with a share of the seed's thickness."""
    return share * p.seed * p.perimeter / p.volume[slot]


@pytest.mark.parametrize(
    ("eta", "epsilon", "gone"),
    [(0.9, 0.5, EPSILON), (0.5, 0.9, ETA), (0.999, 5.0, ETA), (5.0, 0.999, EPSILON), (1.001, 5.0, None)],
)
@pytest.mark.parametrize("strand", [Strand.couple(20, 40), Strand.round(24, 44)])
def test_the_thinnest_inner_layer_goes(strand: Strand, eta: float, epsilon: float, gone: int | None) -> None:
    p = problem_of(strand, Schedule.start(200).hold(1), alpha_cells=CELLS, inner_cells=4)
    regime = regime_at(200)
    w = work(p)
    fill(p, w, CORE, 1.0, 1.0)
    fill(p, w, ETA, thin(p, eta, ETA), 0.45)
    fill(p, w, EPSILON, thin(p, epsilon, EPSILON), 0.25)
    fill(p, w, ALPHA, 2.0, 0.03)
    before = w.n.sum(), w.tin.sum(), w.n[CORE], w.u.copy()
    assert engine.drop_thinnest(p, w, find_sequence(p, w, regime), regime) is (gone is not None)
    assert [slot for slot in (ETA, EPSILON) if w.n[slot] == 0.0] == ([] if gone is None else [gone])
    assert w.n.sum() == close(before[0], rel=1e-14)
    assert w.tin.sum() == close(before[1], rel=1e-14)
    # beside copper its last tin goes into the first cell, else into the compounds on both sides
    assert np.any(w.u != before[3]) == (gone == EPSILON)
    assert (w.n[CORE] != before[2]) == (gone == ETA)
    here = cells_of(p, ALPHA)
    np.testing.assert_allclose(w.x[here], w.u[here] / (w.n[ALPHA] * shares_of(p, ALPHA)), rtol=1e-13)


# --- seeds and invariants


def test_gaps_are_seeded_and_told(p: Problem) -> None:
    regime = regime_at(200)
    set_up = []
    for tell in (True, False):
        w, r = work(p), record(p)
        set_temperature(p, w, regime, 473.15, -1)
        fill(p, w, CORE, 1.0, 1.0)
        fill(p, w, ALPHA, 2.0, 0.0)
        w.s[:] = 1.0
        atoms, tin = w.n.sum(), w.tin.sum()
        assert engine.fill_gaps(p, w, r, regime, 7.0, 473.15, tell) == 4
        assert list(w.sequence[:4]) == [CORE, ETA, EPSILON, ALPHA]
        assert events_of(r) == ([(APPEARS, ETA), (APPEARS, EPSILON)] if tell else [])
        assert not w.s.any()
        assert w.n.sum() == close(atoms, rel=1e-14)
        assert w.tin.sum() == close(tin, rel=1e-14)
        set_up.append(w.n.copy())
        # nothing left to seed: speeds stay
        w.s[:] = 1.0
        assert engine.fill_gaps(p, w, r, regime, 7.0, 473.15, tell) == 4
        assert w.s.all()
    np.testing.assert_array_equal(*set_up)


def crossing(p: Problem, from_c: float, to_c: float, layers: dict[int, tuple[float, float]]) -> tuple[Any, Any, int]:
    """Work, record and number of layers after crossing from the regime of one temperature to that of another."""
    w, r = work(p), record(p)
    for slot, (amount, composition) in layers.items():
        fill(p, w, slot, amount, composition)
    old, new = regime_at(from_c), regime_at(to_c)
    find_sequence(p, w, old)
    w.s[:] = 1.0
    w.s_trend[:] = 1.0
    before = w.n.sum(), w.tin.sum()
    count = engine.change_regime(p, w, r, old, new, 7.0, to_c + 273.15)
    # guesses by position hold where nothing happens
    changed = bool(events_of(r)) or count != len(layers)
    assert w.s.any() != changed
    assert w.s_trend.any() != changed
    assert (w.n.sum(), w.tin.sum()) == (close(before[0], rel=1e-13), close(before[1], rel=1e-13))
    return w, r, count


@pytest.fixture(scope="module")
def wide_range() -> Problem:
    return problem(Schedule.start(150).ramp(100, to=690), alpha_cells=CELLS, inner_cells=4)


def test_tin_melts_and_freezes(wide_range: Problem) -> None:
    layers = {CORE: (1.0, 1.0), ETA: (0.5, 0.4545), EPSILON: (0.5, 0.25), ALPHA: (2.0, 0.0)}
    w, r, count = crossing(wide_range, 226, 228, layers)
    assert events_of(r) == [(MELTS, CORE)]
    assert count == 4
    assert w.n[CORE] > 1.0
    assert w.tin[CORE] / w.n[CORE] == close(w.x_out[CORE], rel=1e-12)
    layers[CORE] = (1.0, 0.985)
    w, r, count = crossing(wide_range, 228, 226, layers)
    assert events_of(r) == [(FREEZES, CORE)]
    assert w.tin[CORE] / w.n[CORE] == close(w.x_out[CORE], rel=1e-9)
    assert w.n[ETA] > 0.5


def test_nothing_melts_where_there_is_no_tin(wide_range: Problem) -> None:
    w, r, count = crossing(wide_range, 226, 228, {ETA: (0.5, 0.4545), EPSILON: (0.5, 0.25), ALPHA: (2.0, 0.0)})
    assert events_of(r) == []
    assert count == 3
    assert w.n[CORE] == 0.0


def test_eta_melts_again_where_it_outlived_the_core(wide_range: Problem) -> None:
    peritectic = next(float(e) for e in regimes().edges if 400 < e - 273.15 < 420) - 273.15
    layers = {ETA: (0.5, 0.4545), EPSILON: (0.5, 0.25), ALPHA: (2.0, 0.0)}
    w, r, _ = crossing(wide_range, peritectic - 0.5, peritectic + 0.5, layers)
    assert (DECOMPOSES, ETA) in events_of(r)
    assert (RETURNS, CORE) in events_of(r)
    assert events_of(r).index((DECOMPOSES, ETA)) < events_of(r).index((RETURNS, CORE))
    assert w.n[ETA] == 0.0
    assert w.n[CORE] > 0.0
    # where the core is liquid already, nothing returns
    layers[CORE] = (0.2, 0.95)
    w, r, _ = crossing(wide_range, peritectic - 0.5, peritectic + 0.5, layers)
    assert (DECOMPOSES, ETA) in events_of(r)
    assert (RETURNS, CORE) not in events_of(r)


# --- the length of a step


class Fake:
    """Steps that change nothing, with errors as given (the last one for good)."""

    def __init__(self, *errors: float) -> None:
        self.errors: Iterator[float] = iter(errors)
        self.last = errors[-1]
        self.steps: list[float] = []

    def __call__(
        self, p: Any, w: Any, regime: int, touched: int, count: int, at: float, slope: float, h: float
    ) -> tuple[float, int]:
        self.steps.append(h)
        return next(self.errors, self.last), 2


def run(p: Problem, fake: Fake, monkeypatch: pytest.MonkeyPatch, rows: int = 400) -> Record:
    monkeypatch.setattr(engine, "try_step", fake)
    r = record(p, rows=rows)
    engine.integrate(p, work(p), r)
    return r


def test_a_run_that_cannot_go_on_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    p = problem()._replace(longest_step=1e9)
    fake = Fake(-1.0)
    r = run(p, fake, monkeypatch)
    assert r.count[STATUS] == TOO_SMALL
    assert min(fake.steps) >= 1e-18 > 0.25 * min(fake.steps)
    assert r.count[STEPS] == 0
    # seeds are as thick as seeds, so none of them was dropped
    assert len(fake.steps) == r.count[REJECTED] == int(np.floor(np.log(engine.FIRST_STEP / 1e-18) / np.log(4))) + 1


def test_a_layer_thinner_than_a_seed_is_dropped_before_giving_up(monkeypatch: pytest.MonkeyPatch) -> None:
    p = problem()._replace(longest_step=1e9)
    tries = []

    def stuck_while_eta_is_thin(p: Any, w: Any, regime: int, touched: int, count: int, *rest: float) -> Any:
        tries.append(rest[-1])
        if len(tries) == 1:
            w.n[ETA] *= 0.5
            w.n[EPSILON] += w.n[ETA]
            w.tin[ETA] *= 0.5
            w.tin[EPSILON] += w.tin[ETA]
            return 0.1, 1
        return (0.1 if w.n[ETA] == 0.0 else -1.0), 1

    monkeypatch.setattr(engine, "try_step", stuck_while_eta_is_thin)
    r = record(p, rows=400)
    w = work(p)
    engine.integrate(p, w, r)
    assert r.count[STATUS] == DONE
    assert w.n[ETA] == 0.0
    assert engine.FIRST_STEP in tries[2:]  # begun anew after it


def test_a_full_record_ends_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    p = problem()._replace(longest_step=1e9)
    fake = Fake(1e-12)
    r = run(p, fake, monkeypatch, rows=4)
    assert (r.count[STATUS], r.count[ROWS], len(fake.steps)) == (FULL, 4, 3)


@pytest.mark.parametrize(("share", "status"), [(0.09, DONE), (0.11, UNBALANCED)])
def test_tin_that_closing_had_to_move(share: float, status: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A tenth of the tolerance in all is allowed."""
    p = problem()._replace(longest_step=1e9)
    lost = share * p.tolerance * float(np.sum(p.tin))
    fake = Fake(1e-12)

    def leaking(p: Any, w: Any, *rest: Any) -> Any:
        if not fake.steps:
            w.tin[CORE] -= 0.5 * lost
        if len(fake.steps) == 1:
            w.tin[CORE] += 0.5 * lost
        return fake(p, w, *rest)

    monkeypatch.setattr(engine, "try_step", leaking)
    r = record(p)
    engine.integrate(p, work(p), r)
    assert r.count[STATUS] == status


@pytest.mark.parametrize(("share", "status"), [(0.9, DONE), (1.1, UNBALANCED), (-0.9, DONE), (-1.1, UNBALANCED)])
def test_tin_that_profiles_were_given(share: float, status: int, monkeypatch: pytest.MonkeyPatch) -> None:
    p = problem()._replace(longest_step=1e9)
    given = share * p.tolerance * float(np.sum(p.tin))
    fake = Fake(1e-12)

    def generous(p: Any, w: Any, *rest: Any) -> Any:
        w.corrected[1] = given
        return fake(p, w, *rest)

    monkeypatch.setattr(engine, "try_step", generous)
    r = record(p)
    w = work(p)
    w.corrected[:] = 1e9  # of an earlier run
    engine.integrate(p, w, r)
    assert r.count[STATUS] == status


def test_pieces_are_followed_at_their_own_rates(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two ramps and a hold below every reaction: step, slope and temperature of each try."""
    p = problem(Schedule.start(100).ramp(60, to=130).hold(0.5).ramp(120, to=100))._replace(
        longest_step=600.0, widest_step=4.0
    )
    seen = []

    def watched(p: Any, w: Any, regime: int, touched: int, count: int, at: float, slope: float, h: float) -> Any:
        seen.append((at, slope, h))
        return 1e-12, 1

    monkeypatch.setattr(engine, "try_step", watched)
    r = record(p, rows=400)
    engine.integrate(p, work(p), r)
    assert r.count[STATUS] == DONE
    at, slope, h = np.array(seen).T
    assert {round(3600 * s, 6) for s in slope} == {60.0, 0.0, -120.0}
    assert h[slope > 0].sum() == close(1800.0)
    assert h[slope == 0].sum() == close(1800.0)
    assert h[slope < 0].sum() == close(900.0)
    assert h[slope > 0].max() == close(240.0)
    assert h[slope == 0].max() == close(600.0)
    assert h[slope < 0].max() == close(120.0)
    # each begins where the one before ended, and steps go on growing from piece to piece
    np.testing.assert_allclose(at[1:], (at + slope * h)[:-1], rtol=1e-13)
    assert h[0] == engine.FIRST_STEP
    assert h[slope == 0][0] > 100.0
    rows = np.asarray(r.row[: r.count[ROWS] * ROW_WIDTH]).reshape(-1, ROW_WIDTH)
    # knots are met exactly, however their pieces were cut up
    ends = list(zip(p.time[1:], p.temperature_end, strict=True))
    assert set(ends) <= {(row[0], row[1]) for row in rows}
    assert ends[-1] == (rows[-1, 0], rows[-1, 1])
    assert list(rows[0, 3:]) == list(p.amount) + list(p.tin)


def test_a_start_above_melting_begins_molten(monkeypatch: pytest.MonkeyPatch) -> None:
    p = problem(Schedule.start(300).hold(1))._replace(longest_step=1e9)
    r = run(p, Fake(1e-12), monkeypatch)
    assert events_of(r)[0] == (MELTS, CORE)
    rows = np.asarray(r.row[: r.count[ROWS] * ROW_WIDTH]).reshape(-1, ROW_WIDTH)
    assert rows[0, 3 + N_SLOTS + CORE] == rows[0, 3 + CORE]  # pure as it was laid in
    assert rows[1, 3 + N_SLOTS + CORE] < rows[1, 3 + CORE]
    p = problem(Schedule.start(200).hold(1))._replace(longest_step=1e9)
    assert (MELTS, CORE) not in events_of(run(p, Fake(1e-12), monkeypatch))


def test_films_that_are_not_stable_at_the_start_split(monkeypatch: pytest.MonkeyPatch) -> None:
    filmed = replace(Strand.round(24, 44), initial_eta=0.2e-6, initial_epsilon=0.2e-6)
    hot = problem_of(filmed, Schedule.start(450).hold(1), alpha_cells=CELLS, inner_cells=4)
    r = run(hot._replace(longest_step=1e9), Fake(1e-12), monkeypatch)
    assert (DECOMPOSES, ETA) in events_of(r)
    assert (DECOMPOSES, EPSILON) not in events_of(r)


# --- gamma on both sides of epsilon


@pytest.fixture(scope="module")
def gamma_edge() -> float:
    """The temperature below which epsilon lies inside gamma [C]."""
    both = [g for g in range(len(regimes().edges) - 1) if regime_has(g, GAMMA_TIN)]
    return float(regimes().edges[max(both) + 1]) - 273.15


def regime_has(regime: int, slot: int) -> bool:
    p = problem(Schedule.start(150).ramp(100, to=690))
    return bool(p.present[regime * N_SLOTS + slot])


def test_epsilon_forms_inside_gamma_on_cooling(wide_range: Problem, gamma_edge: float) -> None:
    """What is richer in tin than epsilon goes to its tin side, with its tin."""
    gamma = [0.28, 0.27, 0.22, 0.21]
    w, _, count = crossing(wide_range, gamma_edge + 0.2, gamma_edge - 0.2, {GAMMA: (2.0, gamma), ALPHA: (1.0, 0.0)})
    assert regime_has(regime_at(gamma_edge - 0.2), EPSILON)
    assert not regime_has(regime_at(gamma_edge + 0.2), EPSILON)
    shares = shares_of(wide_range, GAMMA)
    # all but what the seeds took
    assert w.n[GAMMA_TIN] == close(2.0 * shares[:2].sum(), rel=0.02)
    assert w.tin[GAMMA_TIN] == close(2.0 * (shares[:2] * gamma[:2]).sum(), rel=0.02)
    assert 0.0 < w.n[EPSILON] < 0.02
    assert count == len([slot for slot in range(N_SLOTS) if w.n[slot] > 0.0])
    # without gamma there is nothing to split
    w, _, _ = crossing(wide_range, gamma_edge + 0.2, gamma_edge - 0.2, {ALPHA: (1.0, 0.0)})
    assert w.n[ALPHA] == 1.0


def test_gamma_is_not_split_where_epsilon_was_before(wide_range: Problem, gamma_edge: float) -> None:
    coldest = min(g for g in range(len(regimes().edges) - 1) if regime_has(g, GAMMA_TIN))
    entry = float(regimes().edges[coldest]) - 273.15
    layers = {EPSILON: (1.0, 0.25), GAMMA: (2.0, [0.28, 0.27, 0.22, 0.21]), ALPHA: (1.0, 0.0)}
    w, _, _ = crossing(wide_range, entry - 0.2, entry + 0.2, layers)
    assert w.n[GAMMA] > 1.95
    assert w.n[GAMMA_TIN] < 0.02


# --- starts that are not plain


def test_copper_that_holds_tin_from_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    p = problem()._replace(longest_step=1e9)
    tin = np.array(p.tin, dtype=float)
    tin[ALPHA] = 0.03 * p.amount[ALPHA]
    w, r = work(p), record(p, rows=400)
    monkeypatch.setattr(engine, "try_step", Fake(1e-12))
    engine.integrate(p._replace(tin=tin), w, r)
    here = cells_of(p, ALPHA)
    np.testing.assert_allclose(np.asarray(r.cell)[here], tin[ALPHA] * shares_of(p, ALPHA), rtol=1e-14)
    assert not np.asarray(r.cell)[: here.start].any()


# --- events inside a run


def test_rows_stand_at_both_sides_of_an_event(monkeypatch: pytest.MonkeyPatch) -> None:
    p = problem(Schedule.start(220).ramp(60, to=235))._replace(longest_step=1e9, widest_step=1e9)
    r = run(p, Fake(1e-12), monkeypatch)
    rows = np.asarray(r.row[: r.count[ROWS] * ROW_WIDTH]).reshape(-1, ROW_WIDTH)
    events = np.asarray(r.event[: r.count[EVENTS] * EVENT_WIDTH]).reshape(-1, EVENT_WIDTH)
    for moment, _, code, _, row in events[events[:, 2] == MELTS]:
        k = int(row)
        assert code == MELTS
        assert rows[k - 1, 0] == rows[k, 0] == moment
        assert rows[k - 1, 3 + CORE] < rows[k, 3 + CORE]
    # where the sequence of phases changes and no layer does, no row is doubled
    doubled = int((np.diff(rows[1:, 0]) == 0.0).sum())
    assert doubled == len({row for *_, row in events if row < len(rows)})


@pytest.mark.parametrize(("edge", "layers"), [(GAMMA_TIN, (EPSILON, ALPHA)), (BETA, (CORE, EPSILON))])
def test_a_phase_at_an_edge_starts_from_the_layer_there(
    edge: int, layers: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    p = problem()
    amount, tin = np.zeros(N_SLOTS), np.zeros(N_SLOTS)
    for slot, content in zip(layers, (0.25, 0.0) if edge == GAMMA_TIN else (1.0, 0.25), strict=True):
        amount[slot], tin[slot] = 2.0, 2.0 * content
    p = p._replace(longest_step=1e9, amount=amount, tin=tin)
    asked: list[tuple[int, int]] = []
    fake = Fake(1e-12)
    monkeypatch.setattr(engine, "supersaturation", lambda *_: (edge, 1.5) if len(fake.steps) == 3 else (edge, 1.0))
    monkeypatch.setattr(engine, "seed_at_edge", lambda p, w, slot, host, atoms: asked.append((slot, host)))
    r = run(p, fake, monkeypatch)
    assert asked == [(edge, EPSILON)]
    assert (APPEARS, edge) in events_of(r)
    assert fake.steps[3] == engine.FIRST_STEP


def test_landing_gives_up_where_a_try_fails(p: Problem, monkeypatch: pytest.MonkeyPatch) -> None:
    w = work(p, CORE, ETA)
    w.n_start[CORE] = 1.0
    for answer in (-1.0, float("nan")):
        w.n[CORE] = -1.0
        monkeypatch.setattr(engine, "try_step", lambda *_, answer=answer: (answer, 1))
        assert engine.land(p, w, 1, 2, 2, 473.0, 0.5, 10.0, 0, 1.0) == -1.0


def test_relief_of_a_profile_begins_small_steps_again(monkeypatch: pytest.MonkeyPatch) -> None:
    p = problem()._replace(longest_step=1e9)
    fake = Fake(1e-12)
    monkeypatch.setattr(engine, "relieve_all", lambda *_: len(fake.steps) == 3)
    r = run(p, fake, monkeypatch)
    assert r.count[STATUS] == DONE
    assert [h for h in fake.steps if h == engine.FIRST_STEP] == [engine.FIRST_STEP] * 2
    assert fake.steps[3] == engine.FIRST_STEP


def test_a_landing_that_fails_is_tried_from_a_shorter_step(monkeypatch: pytest.MonkeyPatch) -> None:
    p = problem()._replace(longest_step=1e9)
    fake = Fake(1e-12)
    monkeypatch.setattr(engine, "land", lambda *_: -1.0)
    monkeypatch.setattr(engine, "overdrawn_edge", lambda w, count: 0 if len(fake.steps) == 3 else -1)
    r = run(p, fake, monkeypatch)
    assert r.count[STATUS] == DONE
    assert fake.steps[3] == close(0.25 * fake.steps[2])
    assert r.count[REJECTED] == 1
    monkeypatch.setattr(engine, "overdrawn_edge", lambda w, count: 0)
    assert run(p, Fake(1e-12), monkeypatch).count[STATUS] == TOO_SMALL


@pytest.mark.parametrize("bend", [0.0, 0.4])
def test_the_guess_of_a_landing_is_exact_for_a_quartic(p: Problem, bend: float) -> None:
    """Amounts at the ends and the stages at a quarter, a half and three quarters, root at 0.62 of the way."""
    w, h = work(p, CORE, ETA), 5.0

    def amount(x: float) -> float:
        return (0.62 - x) * (1.0 + 0.7 * x - 0.4 * x**2 + 0.9 * x**3)

    w.n_start[CORE], w.n[CORE] = amount(0.0), amount(1.0)
    table, slopes = np.array(step.WEIGHTS).reshape(5, 5), np.zeros(5)
    for stage, node in enumerate(step.NODES):
        known = amount(0.0) + h * table[stage, :stage] @ slopes[:stage]
        slopes[stage] = (amount(node) - known) / (h * step.GAMMA)
    w.dn[CORE::N_SLOTS] = slopes
    assert engine.landing_guess(w, 0, bend, h) == close(h * 0.62 * (1.0 - bend * 0.38), rel=1e-8)
