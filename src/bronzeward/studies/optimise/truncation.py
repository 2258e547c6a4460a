"""How much of a schedule an answer depends on, so that runs may stop there.

What is true of the first liquid is settled when tin first melts, what is left of eta when eta first becomes
unstable. A run over the schedule up to that moment gives these answers as a run over all of it does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bronzeward.inputs.schedule import Schedule
from bronzeward.materials.phases import LIQUID
from bronzeward.model import answers
from bronzeward.model.answers import ANSWERS
from bronzeward.studies.stability import stability

_SETTLED = (answers.FIRST_LIQUID, answers.PERITECTIC, answers.END)
MOMENTS = FIRST_LIQUID, PERITECTIC, END = (0, 1, 2)

BEYOND = 0.05
"""Runs stop this far above the temperature of their moment, when what happens there has happened [K]."""


def moment_of(answer: str) -> int:
    """The moment from which on nothing changes an answer."""
    return _SETTLED.index(ANSWERS[answer].settled)


def until(schedule: Schedule, moment: int, description: str, eta_limit_K: float | None = None) -> Schedule:
    """The part of a schedule up to just after a moment; all of it where that is not reached once and for all."""
    if moment == END:
        return schedule
    stable = stability(description, eta_limit_K)
    kelvin = (stable[LIQUID][0] if moment == FIRST_LIQUID else stable["eta"][1]) + BEYOND
    hot = schedule.temperature >= kelvin
    rises = np.flatnonzero(~hot[:-1] & hot[1:])
    if hot[0] or rises.size != 1:
        return schedule
    k = int(rises[0])
    (t0, t1), (a, b) = schedule.time[k : k + 2], schedule.temperature[k : k + 2]
    time = np.append(schedule.time[: k + 1], t0 + (kelvin - a) / (b - a) * (t1 - t0))
    return replace(schedule, time=time, temperature=np.append(schedule.temperature[: k + 1], kelvin), steps=())
