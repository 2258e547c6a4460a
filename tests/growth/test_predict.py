"""Guesses of stages: exact for polynomials of their degree, and worth their while without changing what comes out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from bronzeward.growth import predict, step
from bronzeward.growth.problem import ITERATIONS
from bronzeward.growth.slots import ALPHA, BETA, GAMMA, GAMMA_TIN
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from growth_cases import problem_of, run_plain
from growth_pieces import work

LAYERS = 4
PROFILES = (GAMMA_TIN, GAMMA, BETA, ALPHA)
"""Layers that have cells, all of them."""


@pytest.mark.parametrize(
    ("smooth", "stage", "degree"),
    [(0, 1, 0), (0, 2, 1), (0, 3, 2), (0, 4, 2), (1, 1, 1), (1, 2, 2), (1, 3, 3), (1, 4, 3)],
)
def test_guess_is_exact_for_polynomials(smooth: int, stage: int, degree: int) -> None:
    """Of one degree more where the course goes on from the step before, whose end then counts as well."""
    p = problem_of(Strand.round(24, 44), Schedule.start(200).hold(1), alpha_cells=5, inner_cells=2)
    w = work(p, *PROFILES)
    draw = np.random.default_rng(stage)
    speeds, compositions = draw.normal(size=(LAYERS - 1, degree + 1)), draw.normal(size=(p.n_cells, degree + 1))
    w.smooth[0] = smooth
    for j, node in [(predict.START, 0.0 if smooth else 7.0), *enumerate(step.NODES[:stage])]:
        w.s[: LAYERS - 1] = [np.polyval(c, node) for c in speeds]
        w.x[:] = [np.polyval(c, node) for c in compositions]
        predict.keep_stage(p, w, j, LAYERS)
    w.s[:], w.x[:] = 0.0, 0.0
    predict.guess_stage(p, w, stage, LAYERS, 1.0)
    np.testing.assert_allclose(w.s[: LAYERS - 1], [np.polyval(c, step.NODES[stage]) for c in speeds], atol=1e-13)
    np.testing.assert_allclose(w.x, [np.polyval(c, step.NODES[stage]) for c in compositions], atol=1e-13)
    assert not w.s[LAYERS - 1 :].any()


@pytest.mark.parametrize("bend", [0.0, 0.6])
@pytest.mark.parametrize("beyond", [0.3, 0.49, 0.51, 4.0])
def test_first_stage_goes_on_as_the_step_before_went(bend: float, beyond: float) -> None:
    """A parabola in what the step is straight in, t = h (x + b (x^2 - x)); a straight line far beyond it."""
    p = problem_of(Strand.round(24, 44), Schedule.start(200).hold(1), alpha_cells=5, inner_cells=2)
    w = work(p, *PROFILES)
    draw, h = np.random.default_rng(1), 80.0
    speeds, compositions = draw.normal(size=(LAYERS - 1, 3)), draw.normal(size=(p.n_cells, 3))
    for j, node in enumerate(step.NODES):
        w.s[: LAYERS - 1] = [np.polyval(c, node) for c in speeds]
        w.x[:] = [np.polyval(c, node) for c in compositions]
        predict.keep_stage(p, w, j, LAYERS)
    predict.keep_trend(p, w, LAYERS, h, bend)
    assert w.smooth[0] == 1.0
    at = 1.0 + beyond
    predict.guess_stage(p, w, 0, LAYERS, h * (at + bend * (at * at - at)) - h)

    def expected(course: np.ndarray) -> float:
        if beyond < predict.FURTHEST_CURVED:
            return float(np.polyval(course, at))
        end, three_quarters = np.polyval(course, 1.0), np.polyval(course, 0.75)
        return float(end + 4.0 * beyond * (end - three_quarters))

    np.testing.assert_allclose(w.s[: LAYERS - 1], [expected(c) for c in speeds], atol=1e-11)
    np.testing.assert_allclose(w.x, [expected(c) for c in compositions], atol=1e-11)


def test_after_an_event_the_first_stage_stays() -> None:
    p = problem_of(Strand.round(24, 44), Schedule.start(200).hold(1), alpha_cells=5, inner_cells=2)
    w = work(p, *PROFILES)
    w.s_trend[:], w.s_curve[:], w.x_trend[:], w.x_curve[:] = 1.0, 2.0, 3.0, 4.0
    w.last[:], w.smooth[:], w.age[:], w.pace[:] = 5.0, 1.0, 6.0, 0.1
    predict.forget_trend(p, w)
    before_s, before_x = np.array(w.s), np.array(w.x)
    predict.guess_stage(p, w, 0, LAYERS, 10.0)
    assert (w.s == before_s).all()
    assert (w.x == before_x).all()
    assert (w.smooth[0], w.age[0], w.pace[0]) == (0.0, 0.0, 1.0)


def test_guesses_save_iterations_and_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    problem = problem_of(Strand.round(24, 44), Schedule.start(20).ramp(50, to=300).hold(5))
    guessed = run_plain(problem)

    def stay(_p: Any, _w: Any, _stage: int, _count: int, _elapsed: float) -> None:
        pass

    monkeypatch.setattr(step, "guess_stage", stay)
    plain = run_plain(problem)
    share = float(np.abs(guessed.amount[-1] - plain.amount[-1]).max() / plain.amount[-1].sum())
    assert share < 2e-5  # the tolerance is 1e-3 a step
    assert guessed.record.count[ITERATIONS] < 0.85 * plain.record.count[ITERATIONS]
