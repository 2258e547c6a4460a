"""The programme as it is edited: what a case file says, corners where the schedule has them, drags on the grid."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bronzeward.errors import InputError
from bronzeward.inputs.schedule import Schedule
from bronzeward.live.programme import CELSIUS, HOURS, RATE, Programme, Segment
from closeness import close

SCHEDULE = {
    "start_C": 20.0,
    "steps": [
        {"ramp_C_per_h": 25.0, "to_C": 210.0}, {"hold_h": 24.0}, {"ramp_C_per_h": 50.0, "to_C": 400.0},
        {"cool_half_time_h": 2.0, "to_C": 60.0, "room_C": 20.0}, {"quench": True},
    ],
}  # fmt: skip


def programme(**more):
    return Programme.from_data({**SCHEDULE, **more})


def schedule(made: Programme) -> Schedule:
    data = made.to_data()
    return Schedule.from_steps(data["start_C"], data["steps"])


def test_it_says_what_the_case_file_says():
    assert programme().to_data() == SCHEDULE
    assert programme().segments[0] == Segment(210.0, 25.0, 24.0)
    assert Programme.from_data({"measured": {"time_s": [0, 1], "temperature_K": [300, 301]}}) is None


def test_holds_on_end_are_one_dwell_and_one_before_any_ramp_is_a_segment():
    made = programme(steps=[{"hold_h": 2.0}, {"ramp_C_per_h": 25.0, "to_C": 50.0}, {"hold_h": 1.0}, {"hold_h": 2.5}])
    assert made.segments == (Segment(20.0, dwell=2.0), Segment(50.0, 25.0, 3.5))
    assert made.with_start(30.0).segments[0].to == 30.0
    assert schedule(made).hours == close(2.0 + 30.0 / 25.0 + 3.5)


def test_corners_lie_on_the_schedule_and_end_where_it_ends():
    made = programme()
    plan = schedule(made)
    corners = made.corners()
    assert [corner.kind for corner in corners] == ["start", "arrival", "departure", "arrival", "arrival"]
    assert corners[-1].hours == close(plan.hours)  # the exponential cool in closed form
    for corner in corners:
        assert plan.temperature_at(3600 * corner.hours) - 273.15 == close(corner.celsius, rel=1e-9)


def test_the_end_of_a_ramp_sets_rate_and_set_point_and_the_rest_moves_along():
    made = programme().moved(1, 10.0, 220.2)
    assert made.segments[0] == Segment(220.0, 20.0, 24.0)
    assert made.corners()[2][:2] == (34.0, 220.0)
    assert made.segments[1:] == programme().segments[1:]


def test_the_end_of_a_dwell_sets_its_length_and_with_the_rate_kept_the_set_point():
    made = programme().moved(2, 7.6 + 30.04, 205.1)
    assert made.segments[0] == Segment(205.0, 25.0, 30.0)


def test_a_ramp_cannot_be_dragged_flat_nor_a_dwell_away_nor_time_back():
    assert programme().moved(1, 5.0, 20.0).segments[0].to == 20.0 + CELSIUS
    assert programme().moved(2, 3.0, 210.0).segments[0].dwell == HOURS
    assert programme().moved(1, -5.0, 210.0).segments[0].rate > 1000.0
    assert programme().moved(1, 1e9, 210.0).segments[0].rate == RATE


def test_a_furnace_cool_keeps_its_exponential():
    before = programme().corners()[-2]
    made = programme().moved(4, before.hours + 10.0, 100.0)
    # from 400 to 100 with the room at 20: log2(380 / 80) halvings in 10 h, rounded to 0.1 h
    assert made.segments[2].half_time == 4.4
    with pytest.raises(InputError, match="does not lie between"):
        made.with_values(2, to=10.0).corners()


def test_segments_come_and_go():
    made = programme()
    assert made.with_segment().segments[-1] == Segment(110.0, 50.0, 1.0)
    assert made.without_segment(1).segments == (made.segments[0], made.segments[2])
    assert made.without_corners([2]).segments[0].dwell == 0.0
    assert made.without_corners([1]).segments == made.segments[1:]
    assert made.without_corners([0]) == made


@given(st.integers(0, 3), st.floats(-10.0, 200.0), st.floats(-50.0, 1100.0))
def test_wherever_a_corner_is_dropped_there_is_a_schedule_on_the_grid(k, hours, celsius):
    made = Programme.from_data({**SCHEDULE, "steps": SCHEDULE["steps"][:3]}).moved(k, hours, celsius)
    plan = schedule(made)
    assert plan.hours > 0.0
    for segment in made.segments:
        for value, step in ((segment.to, CELSIUS), (segment.rate, RATE), (segment.dwell, HOURS)):
            assert value / step == pytest.approx(round(value / step), abs=1e-5)
    assert 0.0 <= made.corners()[k].celsius <= 1000.0
    assert abs(made.corners()[k].celsius - min(max(celsius, 0.0), 1000.0)) <= CELSIUS
