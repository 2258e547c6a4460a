"""States at moments between stored rows: computed, not taken from nearby."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import bronzeward.accessor  # noqa: F401 what a Dataset can be asked
from bronzeward.inputs.case import case_from_json
from bronzeward.inputs.schedule import Schedule
from bronzeward.model.asked_moments import state_at, with_states_at
from bronzeward.model.moments import find_moment
from bronzeward.model.simulation import run_case
from closeness import close
from drawing_cases import result


def cut_at(run, seconds):
    """The run of the same case whose schedule ends at a time."""
    case = case_from_json(run.attributes["inputs"])
    plan = case.schedule
    time = np.append(plan.time[plan.time < seconds], seconds)
    return run_case(replace(case, schedule=Schedule(time, plan.temperature_at(time))))


@pytest.mark.parametrize(
    ("name", "text"), [("sleeve", "20.3h"), ("sleeve", "341.7C"), ("lean", "410C"), ("long", "2.9 d")]
)
def test_the_state_is_that_of_a_schedule_ending_there(name, text):
    """Both are within the tolerance of the engine, 1e-3 a step, of the truth; rows of a history differ by much more."""
    run, row = state_at(result(name), text)
    ended = cut_at(run, float(run["time"][row]))
    assert run["temperature"][row] == close(ended["temperature"][-1], rel=1e-9)
    np.testing.assert_allclose(run["thickness"][row], ended["thickness"][-1], rtol=2e-3, atol=5e-9)


def test_moments_are_met_to_the_second_and_the_hundredth_of_a_kelvin():
    run, _ = with_states_at(result("sleeve"), ["20.3h", "300C", "573.15 K"])
    assert run["time"][find_moment(run, "20.3h")] == pytest.approx(20.3 * 3600, abs=0.01)
    assert run["temperature"][find_moment(run, "300C")] == pytest.approx(573.15, abs=1e-3)
    assert find_moment(run, "300C") == find_moment(run, "573.15 K")


def test_stored_states_are_not_computed_again():
    run = result("sleeve")
    for moments in (["first liquid", "end", "before tin melts"], ["0h"], ["400C"]):
        assert with_states_at(run, moments)[0] is run
    again, _ = with_states_at(run, ["20.3h"])
    assert with_states_at(again, ["20.3h"])[0] is again


@pytest.mark.parametrize(
    ("attributes", "word"),
    [
        ({"inputs": "{}"}, "cannot be computed again"),
        ({"versions": json.dumps({"bronzeward": "0.0.1"})}, "does not come out"),
        ({"tdb_sha256": "other"}, "does not come out"),
    ],
)
def test_what_cannot_be_computed_again_is_said_and_stays(attributes, word):
    run = replace(result("sleeve"), attributes={**result("sleeve").attributes, **attributes})
    same, doubt = with_states_at(run, ["20.3h"])
    assert same is run
    assert word in doubt


def test_another_growth_constant_shows_at_the_end():
    run = result("sleeve")
    inputs = json.loads(run.attributes["inputs"])
    inputs["kinetics"]["factors"] = {"delta": 0.02}
    changed = replace(run, attributes={**run.attributes, "inputs": json.dumps(inputs)})
    assert with_states_at(changed, ["20.3h"])[0] is changed


def test_every_form_of_a_run_gives_the_state():
    data = result("sleeve").to_dataset()
    assert float(data.bronzeward.at("300C")["temperature"]) == pytest.approx(573.15, abs=1e-3)
    inner = [layer.inner for layer in data.bronzeward.layers("300C")]
    row = find_moment(result("sleeve"), "300C")
    assert np.abs(result("sleeve")["temperature"][row] - 573.15) > 0.5  # else nothing is tried here
    assert inner == sorted(inner)
