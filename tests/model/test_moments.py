"""Moments of a run in words."""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.model.events import events
from bronzeward.model.layers import COLUMN
from bronzeward.model.moments import find_moment
from bronzeward.model.result import Result, Variable
from drawing_cases import result


def test_landmarks():
    run = result("lean")
    liquid = run["liquid_mole_fraction"]
    first = find_moment(run, "first liquid")
    assert liquid[first] > 0
    assert (liquid[:first] == 0).all()
    assert find_moment(run, " First  LIQUID ") == first
    assert find_moment(run, "peak liquid") == int(np.argmax(liquid))
    assert find_moment(run, "start") == 0
    assert find_moment(run, "end") == len(liquid) - 1
    gone = find_moment(result("sleeve"), "liquid gone")
    assert result("sleeve")["liquid_mole_fraction"][gone] == 0
    assert result("sleeve")["liquid_mole_fraction"][gone - 1] > 0


@pytest.mark.parametrize(
    ("text", "hours"),
    [("12.5h", 12.5), ("12,5 h", 12.5), ("750min", 12.5), ("45000 s", 12.5), ("0.5d", 12.0), ("0h", 0.0)],
)
def test_times_give_the_nearest_state(text, hours):
    time = result("sleeve")["time"] / 3600
    row = find_moment(result("sleeve"), text)
    assert abs(time[row] - hours) == np.abs(time - hours).min()


@pytest.mark.parametrize(("text", "celsius"), [("300C", 300.0), ("300 °C", 300.0), ("573.15K", 300.0), ("215c", 215.0)])
def test_temperatures_give_the_first_time_there(text, celsius):
    run = result("sleeve")
    row = find_moment(run, text)
    assert run["temperature"][row] - 273.15 == pytest.approx(celsius, abs=5.0)  # stored at most 10 K apart
    assert (run["temperature"][: max(row - 1, 0)] - 273.15 <= celsius + 1e-6).all()


def test_cooling_only_temperatures_are_found_on_the_way_down():
    run = result("long")
    late = find_moment(run, "60C")
    assert run["time"][late] < 10 * 3600  # the heating passes it first
    hot = int(np.argmax(run["temperature"]))
    cut = Result(
        {k: Variable(v.dims, v.values[hot:]) if v.dims[:1] == ("time",) else v for k, v in run.variables.items()},
        run.attributes,
    )
    row = find_moment(cut, "400C")
    assert cut["temperature"][row] - 273.15 == pytest.approx(400.0, abs=10.0)


def test_events_by_name_before_and_by_number():
    run = result("lean")
    after = find_moment(run, "eta decomposes")
    assert run["amount"][after, COLUMN["eta"]] == 0
    assert find_moment(run, "η decomposes") == after
    before = find_moment(run, "before eta decomposes")
    assert run["amount"][before, COLUMN["eta"]] > 0
    assert find_moment(run, "eta decomposes 1") == after
    with pytest.raises(InputError, match="no number 2"):
        find_moment(run, "eta decomposes 2")


@pytest.mark.parametrize(
    ("name", "text", "word"),
    [
        ("sleeve", "tomorrow", "tin melts"),
        ("sleeve", "", "not understood"),
        ("sleeve", "1000h", "outside the run"),
        ("sleeve", "-1h", "outside the run"),
        ("sleeve", "900C", "never reached"),
        ("cold", "first liquid", "never melts"),
        ("lean", "liquid gone", "liquid is left"),
    ],
)
def test_moments_that_are_not_there(name, text, word):
    with pytest.raises(InputError, match=word):
        find_moment(result(name), text)


def test_end_without_quench_is_not_called_one():
    assert events(result("sleeve"))[-1].name == "end"
    assert events(result("lean"))[-1].name == "quench"
