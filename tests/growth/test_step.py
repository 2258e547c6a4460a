"""What one step keeps, combines, estimates and closes, against sums done by hand."""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward.growth import balance, step
from bronzeward.growth.problem import Problem
from bronzeward.growth.slots import ALPHA, BETA, CORE, EPSILON, ETA, GAMMA
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from closeness import close
from growth_cases import problem_of
from growth_pieces import cells_of, fill, shares_of, work

TABLE = np.array(step.WEIGHTS).reshape(5, 5)


def problem(strand: Strand) -> Problem:
    return problem_of(strand, Schedule.start(200).hold(1), alpha_cells=5, inner_cells=4)


@pytest.fixture
def p() -> Problem:
    return problem(Strand.round(24, 44))


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(7)


def test_weights_of_stages_in_a_step_are_those_of_the_method() -> None:
    """The table lies in `step`, which calls `balance`: an error of a stage enters over the weight of the last one."""
    np.testing.assert_allclose(balance.WEIGHT_IN_STEP, np.abs(TABLE[4]) / step.GAMMA, rtol=1e-15)


# --- keeping a state and going back to it


def test_restore_brings_back_what_was_remembered(p: Problem, rng: np.random.Generator) -> None:
    w = work(p, ETA, GAMMA, ALPHA)
    for field in (w.n, w.tin, w.s, w.u):
        field[:] = rng.random(len(field))
    kept = [field.copy() for field in (w.n, w.tin, w.s, w.u)]
    step.remember(p, w)
    for field in (w.n, w.tin, w.s, w.u, w.x):
        field[:] = -1.0
    step.restore(p, w, 3)
    for field, before in zip((w.n, w.tin, w.s, w.u), kept, strict=True):
        np.testing.assert_array_equal(field, before)
    for slot in (GAMMA, ALPHA):
        here = cells_of(p, slot)
        np.testing.assert_allclose(w.x[here], w.u[here] / (w.n[slot] * shares_of(p, slot)), rtol=1e-14)
    # a profile that is not there is left alone
    assert (w.x[cells_of(p, BETA)] == -1.0).all()


# --- what earlier stages contribute


def test_stages_of_a_constant_rate_lie_on_a_line(p: Problem) -> None:
    """An amount that changes at 3 mol/s has changed by 3 times the time of each stage."""
    w = work(p, ETA, GAMMA, ALPHA)
    w.n_start[GAMMA], w.dn[:] = 2.0, 3.0
    times = [(step.stage_amount(w, stage, GAMMA, 0.5) - 2.0) / 1.5 for stage in range(5)]
    # the nodes of that method, Hairer and Wanner's five-stage SDIRK of order 4, from memory
    assert times == close([0.25, 0.75, 0.55, 0.5, 1.0], rel=1e-12)


def test_levelling_is_the_step_over_the_time_diffusion_takes() -> None:
    p = problem(Strand.couple(24, 44))
    w = work(p, ALPHA)
    thickness, diffusivity, h = 5e-6, 2e-15, 40.0
    w.n[ALPHA], w.rate[ALPHA] = thickness / p.volume[ALPHA], diffusivity
    assert step.levelled(p, w, ALPHA, h) == close(0.25 * h * diffusivity * np.pi**2 / thickness**2)


# --- closing the tin balance


@pytest.mark.parametrize("amounts", [(9.0, 8.0, 1.0), (1.0, 8.0, 9.0)])
def test_the_two_neighbours_with_most_room_settle_it(p: Problem, amounts: tuple[float, ...]) -> None:
    w = work(p, CORE, ETA, EPSILON)
    content = np.array([0.99, 0.45, 0.25])
    slots = [CORE, ETA, EPSILON]
    w.n[slots] = amounts
    w.tin[slots] = w.n[slots] * content
    total, atoms = float(w.tin.sum()) + 1e-3, w.n.sum()
    spared = slots[int(np.argmin(amounts))]
    before = w.n[spared], w.tin[spared]
    assert step.close_tin(p, w, 3, total) == close(1e-3)
    assert w.tin.sum() == close(total, rel=1e-14)
    assert w.n.sum() == close(atoms, rel=1e-14)
    assert (w.n[spared], w.tin[spared]) == before
    np.testing.assert_allclose(w.tin[slots] / w.n[slots], content, rtol=1e-13)


def test_two_profiles_settle_it_only_where_there_is_nothing_else(p: Problem) -> None:
    w = work(p, EPSILON, BETA, ALPHA)
    w.n[EPSILON], w.tin[EPSILON] = 1e-3, 0.25e-3
    fill(p, w, BETA, 4.0, 0.14)
    fill(p, w, ALPHA, 5.0, 0.05)
    profiles = w.u.copy()
    step.close_tin(p, w, 3, float(w.tin.sum()) + 1e-6)
    np.testing.assert_array_equal(w.u, profiles)  # the compound took it
    assert w.tin[EPSILON] == close(0.25e-3 + 1e-6, rel=1e-12)
    w = work(p, BETA, ALPHA)
    fill(p, w, BETA, 4.0, 0.14)
    fill(p, w, ALPHA, 5.0, 0.05)
    step.close_tin(p, w, 2, float(w.tin.sum()) * (1.0 + 1e-6))
    assert w.u.sum() == close(w.tin.sum(), rel=1e-14)
    assert w.u.sum() == close(profiles.sum() * (1.0 + 1e-6), rel=1e-14)


def test_a_phase_that_is_alone_takes_what_is_missing(p: Problem) -> None:
    w = work(p, EPSILON)
    w.n[EPSILON], w.tin[EPSILON] = 4.0, 0.9
    assert step.close_tin(p, w, 1, 1.0) == close(0.1)
    assert (w.n[EPSILON], w.tin[EPSILON]) == (4.0, close(1.0))
    w = work(p, ALPHA)
    fill(p, w, ALPHA, 4.0, [0.01, 0.02, 0.03, 0.04, 0.05])
    before, total = w.u.copy(), float(w.tin[ALPHA]) * 1.02
    step.close_tin(p, w, 1, total)
    np.testing.assert_allclose(w.u, before * 1.02, rtol=1e-13)
    assert w.tin[ALPHA] == close(total, rel=1e-13)


def test_cells_below_zero_are_no_tin_that_is_missing(p: Problem) -> None:
    w = work(p, EPSILON, ALPHA)
    w.n[EPSILON], w.tin[EPSILON] = 4.0, 1.0
    fill(p, w, ALPHA, 4.0, [0.03, 0.02, 0.01, -1e-6, 0.01])
    total = float(w.tin.sum())
    assert step.close_tin(p, w, 2, total) == pytest.approx(0.0, abs=1e-15)
    assert w.u.min() == 0.0
    assert w.tin.sum() == close(total, rel=1e-14)
    assert w.n[EPSILON] == close(4.0, rel=1e-13)


def test_a_profile_of_nothing_but_negative_tin_is_emptied(p: Problem) -> None:
    w = work(p, EPSILON, ALPHA)
    fill(p, w, ALPHA, 4.0, -1e-9)
    step.keep_positive(p, w, 2)
    assert (w.u == 0.0).all()
    assert w.tin[ALPHA] == 0.0
    fill(p, w, ALPHA, 4.0, [1e-9, -1e-9, -1e-9, -1e-9, -1e-9])  # less than nothing in all
    step.keep_positive(p, w, 2)
    assert (w.u == 0.0).all()


# --- a step that cannot be solved


def test_a_stage_without_solution_fails_the_step(p: Problem, monkeypatch: pytest.MonkeyPatch) -> None:
    w = work(p, ALPHA)
    fill(p, w, ALPHA, 4.0, 0.02)
    w.area_in[ALPHA], w.area_out[ALPHA] = 0.0, p.area
    step.remember(p, w)
    used = iter((3, 2, 0))
    monkeypatch.setattr(step, "solve_stage", lambda *_: next(used))
    assert step.try_step(p, w, 0, -1, 1, 473.0, 0.0, 1.0) == (-1.0, 5)


# --- the error estimate of what follows at once


@pytest.mark.parametrize("behind", [0, 1])
def test_errors_are_damped_twice_by_the_matrix_of_the_stage(p: Problem, rng: np.random.Generator, behind: int) -> None:
    """(I - gh J)^-1 twice, J written out by numpy from the slopes: how a unit more of each layer moves the interfaces.

    A compound passes on what it takes in. Its own amount makes its way longer; that of the neighbour towards which it
    is laid, its outer one, or where the void lies behind the shell its inner one, moves it into another zone.
    The tin that a layer's amount leaves open counts once, as a flow out of its copper side (of the last, into it).
    """
    p = p._replace(void_outside=behind)
    layers, h, bend = (CORE, ETA, EPSILON), 8.0, 0.25
    w, gh, count = work(p, *layers), step.GAMMA * 8.0 * 1.25, 3
    w.x_in[:], w.x_out[:] = 0.3, 0.3
    w.dn[:], w.dtin[:] = rng.normal(size=(2, 45))
    # flows in and out and their slopes with the speeds of both sides, diagonally dominant as those of layers
    slopes = rng.normal(size=(count, 2, 2))
    slopes[:, 0, 0] -= 6.0
    slopes[:, 1, 1] -= 3.0
    for slot, own in zip(layers, slopes, strict=True):
        w.flow[6 * slot + 2 : 6 * slot + 6] = own.ravel()
    error = (TABLE[4] - np.array(step.LOWER_ORDER)) @ np.reshape(w.dn, (5, 9)) * h
    tin = (TABLE[4] - np.array(step.LOWER_ORDER)) @ np.reshape(w.dtin, (5, 9)) * h
    # mismatch of interface k: flow out of layer k less flow into layer k + 1
    by_speed = np.array([
        [slopes[0, 1, 1] - slopes[1, 0, 0], -slopes[1, 0, 1]],
        [slopes[1, 1, 0], slopes[1, 1, 1] - slopes[2, 0, 0]],
    ])  # fmt: skip
    # a unit of speed outside gives gh of its own amount and takes as much from the outer neighbour; inside likewise
    by_inner, by_outer = slopes[1, 1, 0] / gh, slopes[1, 0, 1] / gh
    of_amounts = [by_outer + by_inner, by_outer, 0.0] if behind else [0.0, -by_inner, -by_outer - by_inner]
    by_amount = np.outer([-1.0, 1.0], of_amounts)
    move = gh * np.array([[1.0, 0.0], [-1.0, 1.0], [0.0, -1.0]])
    expected = error[list(layers)]
    open_tin = 0.3 * expected - tin[list(layers)]
    for turn in range(2):
        mismatch = by_amount @ expected
        if turn == 0:
            mismatch += np.array([-open_tin[0], -open_tin[1] - open_tin[2]]) / gh
        before = expected
        expected = before + move @ np.linalg.solve(by_speed, -mismatch)
        if turn == 1:
            expected = np.where(np.abs(expected) < step.AGAIN * np.abs(before), step.AGAIN * before, expected)
    step.damped_errors(p, w, count, h, bend)
    np.testing.assert_allclose(w.held[:count], expected, rtol=1e-10, atol=0.0)


def test_a_second_damping_leaves_a_tenth(p: Problem) -> None:
    """An interface that follows its mismatch at once takes all of an error of what lies beside it."""
    layers, gh = (CORE, ETA), 2.0
    w = work(p, *layers)
    for slot in layers:
        w.flow[6 * slot + 2 : 6 * slot + 6] = -1.0, 0.0, 0.0, 1.0
    w.held[:2], w.face[:2] = (3.0, -3.0), (-3.0, -3.0)
    # the tin left open moves the interface by -3 / 2, which takes all of both errors
    assert step.damp_errors(p, w, 2, gh, 0.0)
    assert w.held[:2] == pytest.approx([0.0, 0.0], abs=1e-15)
    w.held[:2], w.face[:2] = (3.0, -3.0), (-3.0, -3.0)
    assert step.damp_errors(p, w, 2, gh, step.AGAIN)
    assert w.held[:2] == pytest.approx([0.3, -0.3])


@pytest.mark.parametrize(("left", "counts"), [(0.6, False), (0.4, True), (-1e-3, True)])
def test_the_error_of_a_core_that_is_going_counts_undamped(
    p: Problem, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch, left: float, counts: bool
) -> None:
    """A matrix of the moment in which the last of it goes says nothing of what went before."""
    monkeypatch.setattr(step, "damped_errors", lambda *_: None)
    w, h = work(p, CORE, ETA), 8.0
    for slot, now in ((CORE, left), (ETA, 0.2)):
        w.n_start[slot], w.n[slot] = 1.0, now
    w.dn[:] = rng.normal(size=45)
    error = (TABLE[4] - np.array(step.LOWER_ORDER)) @ np.reshape(w.dn, (5, 9))[:, CORE] * h
    expected = abs(error) / (1.0 + p.floor * p.perimeter / p.volume[CORE]) / p.tolerance if counts else 0.0
    assert step.error_norm(p, w, 2, h, 0.0) == pytest.approx(expected, rel=1e-9)
