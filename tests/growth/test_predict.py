"""Guesses of stages: exact for polynomials of their degree, and worth their while without changing what comes out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from bronzeward.growth import predict, step
from bronzeward.growth.problem import ITERATIONS
from bronzeward.growth.slots import ALPHA, BETA, GAMMA, GAMMA_TIN, N_SLOTS
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from growth_cases import problem_of, run_plain
from growth_pieces import work

LAYERS = 4
PROFILES = (GAMMA_TIN, GAMMA, BETA, ALPHA)
"""Layers that have cells, all of them."""


@pytest.mark.parametrize(("stage", "degree"), [(1, 0), (2, 1), (3, 2), (4, 2)])
def test_guess_is_exact_for_polynomials(stage: int, degree: int) -> None:
    p = problem_of(Strand.round(24, 44), Schedule.start(200).hold(1), alpha_cells=5, inner_cells=2)
    w = work(p, *PROFILES)
    draw = np.random.default_rng(stage)
    speeds, compositions = draw.normal(size=(LAYERS - 1, degree + 1)), draw.normal(size=(p.n_cells, degree + 1))
    for j in range(stage):
        w.s[: LAYERS - 1] = [np.polyval(c, step.NODES[j]) for c in speeds]
        w.x[:] = [np.polyval(c, step.NODES[j]) for c in compositions]
        predict.keep_stage(p, w, j, LAYERS)
    w.s[:], w.x[:] = 0.0, 0.0
    predict.guess_stage(p, w, stage, LAYERS, 1.0)
    np.testing.assert_allclose(w.s[: LAYERS - 1], [np.polyval(c, step.NODES[stage]) for c in speeds], atol=1e-13)
    np.testing.assert_allclose(w.x, [np.polyval(c, step.NODES[stage]) for c in compositions], atol=1e-13)
    assert not w.s[LAYERS - 1 :].any()


def test_first_stage_follows_the_trend_of_the_step_before() -> None:
    p = problem_of(Strand.round(24, 44), Schedule.start(200).hold(1), alpha_cells=5, inner_cells=2)
    w = work(p, *PROFILES)
    h, slope_s, slope_x = 80.0, np.array([2.0, -3.0, 0.5]), np.linspace(-1.0, 1.0, p.n_cells)
    for j, node in enumerate(step.NODES):
        w.s[: LAYERS - 1], w.x[:] = 1.0 + slope_s * node * h, 2.0 + slope_x * node * h
        predict.keep_stage(p, w, j, LAYERS)
    predict.keep_trend(p, w, LAYERS, 0.5 * h)
    predict.guess_stage(p, w, 0, LAYERS, 10.0)
    np.testing.assert_allclose(w.s[: LAYERS - 1], 1.0 + slope_s * (h + 10.0), rtol=1e-12)
    np.testing.assert_allclose(w.x, 2.0 + slope_x * (h + 10.0), rtol=1e-12)
    predict.forget_trend(p, w)
    before_s, before_x = np.array(w.s), np.array(w.x)
    predict.guess_stage(p, w, 0, LAYERS, 10.0)
    assert (w.s == before_s).all()
    assert (w.x == before_x).all()
    assert w.s_trend.size == N_SLOTS


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
