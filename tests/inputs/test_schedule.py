"""Schedules: exact at their knots, honest about bad input."""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, Numerics
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.model.boundary_tables import build_regimes
from bronzeward.model.problem_builder import cut_schedule
from closeness import close


def test_ramp_and_hold_are_exact_at_their_knots():
    plan = Schedule.start(20).ramp(25, to=215).hold(48).ramp(50, to=400)
    hours = plan.time / 3600
    assert hours == close([0, 7.8, 55.8, 59.5], rel=1e-14)
    assert plan.temperature - 273.15 == close([20, 215, 215, 400], rel=1e-14)
    assert plan.temperature_at(3600 * 3.9) - 273.15 == close(117.5, rel=1e-12)


def test_ramp_down_needs_no_sign():
    plan = Schedule.start(20).ramp(60, to=200).ramp(30, to=50)
    assert plan.hours == close(3 + 5)


def test_hold_of_nothing_is_no_step():
    assert len(Schedule.start(20).ramp(60, to=200).hold(0).time) == 2


def test_furnace_cool_follows_the_exponential():
    # Newton's law of cooling in closed form: T - room = (T0 - room) 2^(-t / half time)
    plan = Schedule.start(20).ramp(100, to=420).furnace_cool(2.0, to=60)
    start = plan.time[1]
    t = np.linspace(start, plan.time[-1], 200)
    exact = 20 + 400 * 2 ** (-(t - start) / 7200) + 273.15
    # 24 chords of an exponential: half a chord's square over eight, (ln(10)/24)^2 / 8 of 400 K
    assert np.abs(plan.temperature_at(t) - exact).max() < 400 * (np.log(10) / 24) ** 2 / 8
    assert plan.temperature[2:] == close(20 + 400 * 2 ** (-(plan.time[2:] - start) / 7200) + 273.15, rel=1e-12)


@pytest.mark.parametrize(
    ("build", "word"),
    [
        (lambda: Schedule.start(20).ramp(0, to=200), "ramp rate"),
        (lambda: Schedule.start(20).ramp(-5, to=200), "ramp rate"),
        (lambda: Schedule.start(20).ramp(float("nan"), to=200), "finite"),
        (lambda: Schedule.start(20).ramp(10, to=-300), "absolute zero"),
        (lambda: Schedule.start(20).ramp(10, to=5000), "allowed"),
        (lambda: Schedule.start(20).ramp(10, to=20), "already"),
        (lambda: Schedule.start(20).hold(-1), "negative"),
        (lambda: Schedule.start(20).hold("ten"), "finite"),
        (lambda: Schedule.start(20).hold(10).checked(), "never heats"),
        (lambda: Schedule.start(200).ramp(10, to=100).checked(), "never heats"),
        (lambda: Schedule.start(20).checked(), "no ramp"),
        (lambda: Schedule.start(20).ramp(10, to=100).quench().hold(1), "quench"),
        (lambda: Schedule.start(20).ramp(10, to=100).furnace_cool(1, to=10), "between"),
        (lambda: Schedule.from_arrays([0, 1, 1], [300, 310, 320]), "increase"),
        (lambda: Schedule.from_arrays([0, 1], [300, float("nan")]), "finite"),
    ],
)
def test_bad_schedules_are_told_in_one_line(build, word):
    with pytest.raises(InputError, match=word) as caught:
        build()
    assert "\n" not in str(caught.value)


def test_pieces_end_at_the_temperatures_where_phases_change(table):
    plan = Schedule.start(20).ramp(100, to=700).ramp(50, to=20)
    regimes = build_regimes(table, 293.15, 973.15)
    pieces = cut_schedule(plan, regimes)
    assert pieces.start[1:] == pytest.approx(pieces.end[:-1], abs=1e-9)
    inner = regimes.edges[1:-1]
    assert set(np.round(inner, 6)) <= set(np.round(pieces.end, 6))
    # every piece lies within its regime
    low, high = np.minimum(pieces.start, pieces.end), np.maximum(pieces.start, pieces.end)
    assert (low >= regimes.edges[pieces.regime] - 1e-9).all()
    assert (high <= regimes.edges[pieces.regime + 1] + 1e-9).all()
    assert plan.temperature_at(pieces.time[1:]) == pytest.approx(pieces.end, abs=1e-9)


def test_a_case_takes_some_time():
    """Also one that no command has looked at: the compiled engine would read what is not there."""
    with pytest.raises(InputError, match="schedule: it has no ramp, hold or cool"):
        Case(Strand.round(24, 44), Schedule.start(200), load_set())


def test_a_layer_starts_far_thinner_than_the_core():
    with pytest.raises(InputError, match="numerics: seed_nm is 100; of this core it may be 25 at most"):
        Case(Strand.round(1, 2), Schedule.start(200).hold(1), load_set(), numerics=Numerics(seed_nm=100.0))
