"""Answers of runs read end to end are those of each run alone, to the last bit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bronzeward.growth.problem import DONE
from bronzeward.inputs.case import Case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import BEHIND_SHELL, Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.materials.phases import PHASES
from bronzeward.model.answers import ANSWERS, numbers, numbers_of_runs
from bronzeward.model.batch import Shared
from bronzeward.model.course import NOWHERE, Course

STRAND = Strand.round(24, 44)
THROUGH = Schedule.start(20).ramp(50, to=210).hold(4).ramp(50, to=430).hold(2)
RETURNING = Schedule.start(20).ramp(200, to=460).ramp(30, to=200).ramp(100, to=300)
CASES = [
    Case(strand, schedule.checked(), load_set().scaled({"eta": factor}))
    for strand, schedule, factor in (
        (STRAND, THROUGH, 1.0),
        (STRAND, Schedule.start(150).hold(1e-3), 1.0),  # two or three rows, nothing happens
        (STRAND, Schedule.start(20).ramp(100, to=200), 1.0),  # no liquid
        (Strand.round(24, 44, eccentricity=0.3, initial_eta=5e-7), RETURNING, 0.3),
        (Strand.round(30, 40, [(60, 0.3)], porosity=0.01), THROUGH, 2.0),
        (replace(STRAND, void_place=BEHIND_SHELL), RETURNING, 3.0),
        (Strand.couple(5, 500), THROUGH, 1.0),
        (Strand.round(24, 25), Schedule.start(20).ramp(2000, to=500), 0.1),  # tin left over, liquid to the end
        (STRAND, Schedule.start(240).hold(5), 1.0),
        (STRAND, Schedule.start(150).hold(1e-3), 1.0),
    )
]


@pytest.mark.parametrize(("precision", "times"), [("run", 2), ("quick", 10)])
def test_answers_of_runs_in_a_block_are_those_of_each_alone(precision: str, times: int) -> None:
    shared = Shared(CASES, precision)
    recorded = [shared.integrate(case) for case in CASES]
    lengths, events = [len(one.time) for one in recorded], [len(one.events) for one in recorded]
    assert max(lengths) > times * min(lengths)
    block = shared.answers(CASES)
    assert (block["status"] == DONE).all()
    assert min(events) <= 1 < max(events)
    assert 1 < np.isnan(block["copper_left_liquid"]).sum() < len(CASES)
    for k, (case, one) in enumerate(zip(CASES, recorded, strict=True)):
        for name, value in numbers(shared.history([case], one)).items():
            np.testing.assert_array_equal(block[name][k], value, err_msg=f"{name} of case {k}")


class Block(dict[str, Any]):
    """Columns of several made-up runs end to end."""

    def __init__(self, runs: list[dict[str, Any]]) -> None:
        of_rows = ("time", "temperature", "thickness", "tin_fraction", *LEVELS)
        super().__init__({name: np.concatenate([run[name] for run in runs]) for name in (*of_rows, "event_name")})
        lengths = np.array([len(run["time"]) for run in runs])
        self.starts = np.cumsum(lengths) - lengths
        self.event_run = np.repeat(np.arange(len(runs)), [len(run["event_row"]) for run in runs])
        self["event_row"] = np.concatenate([run["event_row"] for run in runs]) + self.starts[self.event_run]
        self.attributes_of_runs = {name: np.array([run[name] for run in runs]) for name in OF_RUN}


LEVELS = ("liquid_mole_fraction", "liquid_tin_fraction", "shell_thickness", "tin_used", "overfill")
OF_RUN = ("eta_limit_K", "elastic_overfill", "core_offset_m")
NAMES = ("tin melts", "eta decomposes", "eta appears", "quench")


def made_up(rng: np.random.Generator) -> dict[str, Any]:
    """A run in which anything may follow anything, of few levels so that values are alike in many rows.

    Time and temperature go evenly in every other, so that parabolas are laid through the copper there.
    """
    rows, events, uneven = int(rng.integers(2, 30)), int(rng.integers(0, 4)), rng.integers(0, 2)
    of_run = rng.choice([299.0, 301.0, 400.0]), 0.3 * rng.random(), rng.choice([0.0, 0.5])
    levels = rng.choice([0.0, 0.0, 0.25, 0.5, 0.75, 1.0], (len(LEVELS), rows)) * rng.integers(0, 2, (len(LEVELS), 1))
    thickness = np.zeros((rows, len(PHASES)))
    thickness[:, PHASES.index("alpha")] = rng.choice([0.0, *6 * [1.0, 2.0, 3.0, 4.0]], rows)
    return {
        "time": np.cumsum(1.0 + uneven * rng.choice([-0.999, 1.0], rows)),
        "temperature": 300.0 + np.cumsum(0.25 + uneven * rng.choice([-1.25, 0.0, 0.75], rows)),
        "thickness": thickness,
        "tin_fraction": rng.random((rows, len(PHASES))),
        "event_name": rng.choice(NAMES, events).astype(object),
        "event_row": np.sort(rng.integers(0, rows + 1, events)),
        **dict(zip(LEVELS, levels, strict=True)),
        **dict(zip(OF_RUN, of_run, strict=True)),
    }


def test_answers_of_made_up_runs_in_a_block_are_those_of_each_alone() -> None:
    rng = np.random.default_rng(7)
    runs = [made_up(rng) for _ in range(400)]
    block = numbers_of_runs(Block(runs))
    alone = [numbers(run) for run in runs]
    for name in ANSWERS:
        np.testing.assert_array_equal(block[name], [values[name] for values in alone], err_msg=name)
        assert np.isfinite(block[name]).sum() > 50, name
    course = Course(Block(runs))
    for moments in (course.least_copper, course.most_liquid, course.most_molten_tin, course.most_overfill):
        between_rows = moments[1][:, 0] != 0.0
        assert 5 < between_rows.sum() < 395


def test_rows_of_each_run() -> None:
    """Against Python's own search through each run."""
    rng = np.random.default_rng(8)
    runs = [made_up(rng) for _ in range(50)]
    course = Course(Block(runs))
    rows = [
        [start + k for k, share in enumerate(run["liquid_mole_fraction"]) if share > 0]
        for start, run in zip(course.starts.tolist(), runs, strict=True)
    ]
    assert course.first(course.liquid).tolist() == [min(own, default=NOWHERE) for own in rows]
    assert course.last(course.liquid).tolist() == [max(own, default=NOWHERE) for own in rows]


def test_a_peak_between_rows_is_the_vertex_of_a_parabola() -> None:
    """Rows of a parabola give its vertex however they lie; where something happens, the highest row."""
    time = np.array([0.0, 1.0, 2.5, 3.0, 5.0, 9.0])
    run = made_up(np.random.default_rng(9)) | {
        "time": time, "temperature": 300.0 + time, "thickness": np.zeros((6, len(PHASES))),
        "tin_fraction": np.zeros((6, len(PHASES))), "event_name": np.array([], dtype=object),
        "event_row": np.array([], dtype=int), "elastic_overfill": 0.0,
        **dict.fromkeys(LEVELS, 0.7 - 0.01 * (time - 3.9) ** 2),
    }  # fmt: skip
    answers = numbers(run)
    assert answers["peak_liquid"] == pytest.approx(0.7, rel=1e-14)
    assert answers["peak_liquid_tin"] == pytest.approx(0.7, rel=1e-14)
    assert answers["peak_liquid_time"] == pytest.approx(3.9, rel=1e-14)
    assert answers["overfill_peak"] == pytest.approx(0.7, rel=1e-14)
    for between in ({"event_row": np.array([4]), "event_name": np.array(["quench"])}, {"temperature": 300 + time**2}):
        assert numbers(run | between)["overfill_peak"] == run["overfill"].max() == run["overfill"][3]


def test_a_peak_above_what_strain_takes_up_between_rows_is_told_with_its_temperature() -> None:
    time = np.array([0.0, 1.0, 2.0, 3.0])
    rows = {"overfill": 0.1 - (time - 1.5) ** 2, "time": time, "temperature": 300.0 + time}
    run = made_up(np.random.default_rng(10)) | {
        "thickness": np.zeros((4, len(PHASES))), "tin_fraction": np.zeros((4, len(PHASES))), "elastic_overfill": 0.05,
        "event_name": np.array([], dtype=object), "event_row": np.array([], dtype=int),
        **dict.fromkeys(LEVELS, np.zeros(4)), **rows,
    }  # fmt: skip
    assert numbers(run)["overfill_peak"] == pytest.approx(0.1)
    assert numbers(run)["first_overfill_temperature"] == pytest.approx(301.5)


def crossing_run(course_of: str, values: np.ndarray, **changes: Any) -> dict[str, Any]:
    """A made-up run of six rows in which one column has these values and nothing else happens."""
    time = np.array([0.0, 1.0, 2.5, 3.0, 5.0, 9.0])
    return made_up(np.random.default_rng(11)) | {
        "time": time, "temperature": 300.0 + 2.0 * time, "thickness": np.zeros((6, len(PHASES))),
        "tin_fraction": np.zeros((6, len(PHASES))), "event_name": np.array([], dtype=object),
        "event_row": np.array([], dtype=int), "elastic_overfill": 0.0, "core_offset_m": 0.0,
        **dict.fromkeys(LEVELS, np.full(6, 0.5)), course_of: values, **changes,
    }  # fmt: skip


def cubic(time: np.ndarray) -> np.ndarray:
    """Passes zero upwards at 4 only."""
    return (time - 4.0) * ((time - 1.0) ** 2 + 1.0) / 100.0


TIMES = np.array([0.0, 1.0, 2.5, 3.0, 5.0, 9.0])


def test_what_passes_between_rows_does_so_where_a_cubic_through_four_of_them_does() -> None:
    assert numbers(crossing_run("overfill", cubic(TIMES)))["first_overfill_temperature"] == pytest.approx(308.0)
    # where it jumps, and where it is so from the start, the row
    time = TIMES.copy()
    time[3] = 5.0 - 1e-3
    jumps = crossing_run("overfill", cubic(TIMES), time=time, temperature=300.0 + 2.0 * time)
    assert numbers(jumps)["first_overfill_temperature"] == 310.0
    assert numbers(crossing_run("overfill", cubic(TIMES) + 1.0))["first_overfill_temperature"] == 300.0


def test_copper_on_the_thin_side_goes_between_rows() -> None:
    """What is read there is read at that moment; the copper itself is nothing, not less."""
    left = np.zeros((6, len(PHASES)))
    left[:, PHASES.index("alpha")] = 1.0 - cubic(TIMES)
    run = crossing_run("liquid_tin_fraction", 0.9 - 0.05 * TIMES, thickness=left, core_offset_m=1.0)
    answers = numbers(run)
    assert answers["copper_left_with_liquid"] == 0.0
    assert answers["copper_left_time"] == pytest.approx(4.0)
    assert answers["copper_left_temperature"] == pytest.approx(308.0)
    assert answers["copper_left_liquid"] == pytest.approx(0.7)


def test_copper_that_is_gone_between_two_rows_only_is_nothing() -> None:
    left = np.zeros((6, len(PHASES)))
    left[:, PHASES.index("alpha")] = 1.0 + 0.1 * (TIMES - 4.0) ** 2 - 0.05
    answers = numbers(crossing_run("liquid_tin_fraction", 0.9 - 0.05 * TIMES, thickness=left, core_offset_m=1.0))
    assert answers["copper_left_with_liquid"] == 0.0
    assert answers["copper_left_time"] == pytest.approx(4.0 - np.sqrt(0.5))
