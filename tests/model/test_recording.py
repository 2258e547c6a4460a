"""One run, with the compiled engine where it is there: nothing in what is recorded tells which it was."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from bronzeward.files import cache_folder
from bronzeward.growth.compiled import compiled_integrate, load_kept
from bronzeward.growth.problem import DONE, ROWS, STATUS
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.model import recording
from bronzeward.model.recording import Recorded, integrate_one
from growth_cases import problem_of

PLAN = Schedule.start(20).ramp(100, to=210).hold(2).ramp(50, to=430)


def interpreted(problem, monkeypatch) -> Recorded:
    with monkeypatch.context() as without:
        without.setattr(recording, "load_kept", lambda _: None)
        without.setattr(recording, "warm_engine", lambda: pytest.fail("compiled"))
        return integrate_one(problem)


def test_the_same_is_recorded_with_and_without_the_compiled_engine(monkeypatch):
    """Also of a run that needs more rows than it is first given."""
    problem = problem_of(Strand.round(24, 44, initial_eta=2e-7), PLAN)
    compiled_integrate(str(cache_folder()))
    usual = integrate_one(problem)
    monkeypatch.setattr(recording, "USUAL_ROWS", usual.counts[ROWS] // 3)
    monkeypatch.setattr(recording, "EASY_ROWS", usual.counts[ROWS])
    for other in (integrate_one(problem), interpreted(problem, monkeypatch)):
        for field in fields(Recorded):
            np.testing.assert_array_equal(getattr(other, field.name), getattr(usual, field.name), err_msg=field.name)


def test_the_compiled_engine_is_used_where_it_is_there(monkeypatch):
    compiled_integrate(str(cache_folder()))
    monkeypatch.setattr(recording, "_run_interpreted", lambda *_: pytest.fail("interpreted"))
    assert integrate_one(problem_of(Strand.round(24, 44), PLAN)).counts[STATUS] == DONE


def test_a_hard_run_is_compiled(monkeypatch):
    """One that needs more rows than are interpreted in a few seconds comes out alike."""
    problem = problem_of(Strand.round(24, 44), PLAN)
    compiled_integrate(str(cache_folder()))
    usual, asked = integrate_one(problem), []
    monkeypatch.setattr(recording, "EASY_ROWS", usual.counts[ROWS] - 1)
    monkeypatch.setattr(recording, "load_kept", lambda _: None)
    monkeypatch.setattr(recording, "warm_engine", lambda: asked.append(1))
    np.testing.assert_array_equal(integrate_one(problem).tin, usual.tin)
    assert asked == [1]


def test_nothing_is_compiled_for_an_easy_run(monkeypatch, tmp_path):
    monkeypatch.setenv("BRONZEWARD_CACHE", str(tmp_path))
    assert integrate_one(problem_of(Strand.round(24, 44), PLAN)).counts[STATUS] == DONE
    assert load_kept(str(tmp_path)) is None
    assert list(tmp_path.iterdir()) == []


def test_a_run_that_the_compiled_engine_gives_up_is_interpreted(monkeypatch):
    compiled_integrate(str(cache_folder()))
    problem = problem_of(Strand.round(24, 44), PLAN)
    expected = integrate_one(problem)

    def gives_up(*_):
        raise ArithmeticError

    monkeypatch.setattr(recording, "run_compiled", gives_up)
    np.testing.assert_array_equal(integrate_one(problem).amount, expected.amount)
