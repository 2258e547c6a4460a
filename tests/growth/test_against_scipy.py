"""A whole schedule against scipy's BDF on the same equations: what is compared is the stepping, through all events."""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from growth_by_scipy import Baseline, before_events
from growth_cases import problem_of, run_fast, run_plain


@pytest.mark.parametrize(
    ("strand", "schedule"),
    [
        (Strand.round(24, 44), Schedule.start(20).ramp(25, to=210).hold(24).ramp(25, to=400).hold(24)),
        (Strand.round(24, 26, [(60, 0.25)]), Schedule.start(100).ramp(100, to=380).hold(5).ramp(200, to=250).hold(2)),
        (Strand.couple(20, 40), Schedule.start(20).ramp(50, to=300).hold(10)),
    ],
)
def test_whole_schedule(strand: Strand, schedule: Schedule) -> None:
    problem = problem_of(strand, schedule)
    _, at_ends = Baseline(problem, 1e-7).run()
    theirs = np.array(at_ends) / problem.amount.sum()
    ours = before_events(run_fast(problem_of(strand, schedule, tolerance=1e-6), rows=19000))
    # tolerances are 1e-7 and 1e-6 a step; layers run out at 1e-5 of all atoms at the latest
    assert np.abs(theirs - ours).max() < 1e-5
    assert np.abs(theirs - before_events(run_fast(problem))).max() < 1e-4


@pytest.mark.parametrize(
    ("strand", "schedule", "factors", "slowing"),
    [
        (Strand.couple(4, 8), Schedule.start(200).ramp(200, to=350).hold(1), {"alpha": 1e4}, {}),
        (
            Strand.round(10, 12, [(20, 0.3), (24, 0.8)]),
            Schedule.start(250).ramp(500, to=480).hold(2), {"alpha": 1e3}, {},
        ),
        (Strand.round(10, 16), Schedule.start(20).ramp(2000, to=410).ramp(1000, to=180).hold(1), {"delta": 3.0}, {}),
        (
            Strand.round(10, 16, void_place="between shell and copper"),
            Schedule.start(20).ramp(2000, to=380).hold(0.2), {}, {"eta": 1.0, "epsilon": 0.5},
        ),
    ],
)  # fmt: skip
def test_in_plain_python(
    strand: Strand, schedule: Schedule, factors: dict[str, float], slowing: dict[str, float]
) -> None:
    """The same with few cells and the engine interpreted; alpha is made to take part, or layers to slow."""
    kinetics = load_set().scaled(factors).slowed(slowing)
    problem = problem_of(strand, schedule, kinetics, alpha_cells=12, inner_cells=4, tolerance=3e-5)
    # at 1e-6 BDF itself is off by up to 3e-5, now and then, with the last digits of the boundary tables
    _, at_ends = Baseline(problem, 1e-7).run()
    theirs, run = np.array(at_ends) / problem.amount.sum(), run_plain(problem)
    assert run.complaints() == []
    assert np.abs(theirs - before_events(run)).max() < 2e-5
