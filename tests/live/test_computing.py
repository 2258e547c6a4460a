"""The work beside a page: the run itself, then its band; what has been overtaken is never told."""

from __future__ import annotations

import queue
import threading

import numpy as np
import pytest

from bronzeward.inputs.case import load_case
from bronzeward.inputs.starter import STARTER
from bronzeward.live import computing
from bronzeward.live.computing import Computer
from bronzeward.model.answer_bands import bands_of
from bronzeward.model.ready_engine import warm_engine
from bronzeward.model.simulation import run_case


@pytest.fixture(scope="module")
def case():
    warm_engine()
    return load_case(STARTER)


@pytest.fixture
def told():
    return queue.Queue()


def computer(told, members=20):
    return Computer(told.put, members)


def test_a_run_comes_first_and_is_that_of_the_command_then_its_band(case, told):
    worker = computer(told)
    worker.ask(1, case)
    first, second = told.get(timeout=60), told.get(timeout=60)
    worker.stop()
    assert (first.number, first.banded, second.number, second.banded) == (1, False, 1, True)
    expected = run_case(case)
    for name, variable in first.result.variables.items():
        same = np.array_equal(variable.values, expected[name], equal_nan=variable.values.dtype.kind == "f")
        assert same, name
    assert first.result.attributes["warnings"] == expected.attributes["warnings"]
    assert "shell_at_first_liquid" in bands_of(second.result)


def test_what_is_overtaken_is_dropped(case, told, monkeypatch):
    """While the band of the first is held up, two more are asked for: only the last of them is computed."""
    begun, go_on = threading.Event(), threading.Event()
    with_bands = computing.with_bands

    def held_up(result, spread, workers, progress):
        def watched(done, total):
            begun.set()
            assert go_on.wait(60)
            progress(done, total)

        return with_bands(result, spread, workers, progress=watched)

    monkeypatch.setattr(computing, "with_bands", held_up)
    worker = computer(told)
    worker.ask(1, case)
    assert begun.wait(60)
    worker.ask(2, case)
    worker.ask(3, case)
    go_on.set()
    seen = [told.get(timeout=60) for _ in range(3)]
    worker.stop()
    assert [(one.number, one.banded) for one in seen] == [(1, False), (3, False), (3, True)]
    assert told.empty()


def test_trouble_is_told_and_the_work_goes_on(case, told, monkeypatch):
    class Failing:
        def __init__(self, cases, precision, earlier):
            raise ZeroDivisionError("odd case")

    worker = computer(told, members=0)
    with monkeypatch.context() as patched:
        patched.setattr(computing, "Shared", Failing)
        worker.ask(1, case)
        failed = told.get(timeout=60)
    assert failed.result is None
    assert "odd case" in failed.trouble
    worker.ask(2, case)
    assert told.get(timeout=60).result is not None
    worker.stop()


def test_stopping_drops_a_band_on_its_way(case, told):
    worker = computer(told, members=2000)
    worker.ask(1, case)
    told.get(timeout=60)
    worker.stop()
    worker._thread.join(60)
    assert not worker._thread.is_alive()
    assert told.empty()
