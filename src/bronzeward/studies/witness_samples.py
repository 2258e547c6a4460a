"""Quench samples that could be made: moments of the planned schedule, and short anneals at one temperature."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case
from bronzeward.inputs.layer_measurements import isothermal
from bronzeward.inputs.schedule import HOTTEST_C, Schedule
from bronzeward.materials.phases import LIQUID
from bronzeward.studies.stability import stability
from bronzeward.units import HOUR, ZERO_CELSIUS

TEMPERATURES_C = (150.0, 180.0, 210.0, 250.0, 300.0, 350.0, 400.0)
HOURS = (1.0, 4.0, 24.0)
"""Of anneals, where none are given."""

APART = 0.03
"""Moments of the plan lie at least this share of its length apart."""

BEFORE_K = 0.5
"""Moments so far below the temperature of a reaction show what there is when it begins [K]."""


@dataclass(frozen=True)
class Sample:
    """A sample that could be made.

    Attributes
    ----------
    name : str
    schedule : Schedule
        Up to its quench.
    run : int
        Which of the runs goes through it.
    """

    name: str
    schedule: Schedule
    run: int

    @property
    def time(self) -> float:
        """Of the quench [s]."""
        return float(self.schedule.time[-1])


def samples_of(
    case: Case, temperatures: Sequence[float] = TEMPERATURES_C, hours: Sequence[float] = HOURS
) -> tuple[list[Schedule], list[Sample]]:
    """Schedules to run, the first the planned one, and all samples that lie on them.

    Parameters
    ----------
    temperatures : sequence of float, [C]
        Of the anneals.
    hours : sequence of float, [h]
        How long they last.
    """
    for celsius in temperatures:
        if not 0.0 <= celsius <= HOTTEST_C:
            raise InputError(f"witness: an anneal at {celsius:g} °C; allowed are 0 to {HOTTEST_C:g}")
    if any(not 0.0 < value <= 1e4 for value in hours):
        raise InputError("witness: anneals must last more than 0 h and at most 10000 h")
    plan = case.schedule
    moments = _moments(case)
    runs = [with_knots(plan, moments)]
    samples = [Sample(_planned_name(plan, t), until_time(plan, t), 0) for t in moments]
    for celsius in temperatures:
        runs.append(with_knots(isothermal(celsius, max(hours)), np.array(sorted(hours)) * HOUR))
        for value in hours:
            samples.append(Sample(f"{celsius:g} °C, {value:g} h", isothermal(celsius, value).quench(), len(runs) - 1))
    return runs, samples


def _planned_name(plan: Schedule, seconds: float) -> str:
    return f"plan at {seconds / HOUR:.1f} h, {float(plan.temperature_at(seconds)) - ZERO_CELSIUS:.0f} °C"


def _moments(case: Case) -> NDArray[np.float64]:
    """Ends and middles of the pieces of a plan, and just before tin melts and before eta does."""
    plan, stable = case.schedule, stability(case.description, case.eta_limit_K)
    whole, special = plan.time[-1], []
    for kelvin in (stable[LIQUID][0] - BEFORE_K, stable["eta"][1] - BEFORE_K):
        above = plan.temperature > kelvin
        for k in np.flatnonzero(~above[:-1] & above[1:])[:1]:
            share = (kelvin - plan.temperature[k]) / (plan.temperature[k + 1] - plan.temperature[k])
            special.append(plan.time[k] + share * (plan.time[k + 1] - plan.time[k]))
    ends = [*plan.time[1:]]
    middles = [0.5 * (a + b) for a, b in zip(plan.time[:-1], plan.time[1:], strict=True)]
    kept: list[float] = []
    for moment in (*special, *ends, *middles):
        if all(abs(moment - other) > APART * whole for other in kept):
            kept.append(float(moment))
    return np.array(sorted(kept))


def with_knots(schedule: Schedule, moments: NDArray[np.float64]) -> Schedule:
    """The same schedule with knots at some moments [s], which a run then lands on."""
    time = np.union1d(schedule.time, moments)
    far = np.append(np.diff(time) > 1e-6, True)  # what is one moment but for rounding
    return replace(schedule, time=time[far], temperature=schedule.temperature_at(time[far]), steps=())


def until_time(schedule: Schedule, moment: float) -> Schedule:
    """The part of a schedule up to a moment [s], and a quench."""
    time = np.append(schedule.time[schedule.time < moment - 1e-6], moment)
    return Schedule(time, schedule.temperature_at(time), True)
