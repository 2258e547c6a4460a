"""Answers read at a moment that is itself ill known: where what defines the moment hardly changes round it.

`copper_left_liquid` is read where the copper round the liquid is least. Copper is known to `KNOWN` of the core's size;
where it stays within that of its least while the liquid changes by much, any moment of that stretch is as good as the
other, and so is any share of liquid in it. That happens where compound dissolves again on cooling, and where copper
runs out together with the tin (Cu:Sn near 3). Nothing but the run itself is looked at.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from bronzeward.model.answers import answer_of
from bronzeward.model.between_rows import Array
from bronzeward.model.course import NOWHERE, Course

KNOWN = 1e-4
"""Share of the core's size to which lengths are known, and of the tin to which shares are, as
`tests/benchmarks/growth_agreement.py` measures it."""

RELATIVE = 5e-3
"""The same as a share of the answer itself, where that is more."""

TIMES = 2.0
"""An answer that changes by less than this times what it is known to is told without a word: copper and liquid go
together, so that copper known to `KNOWN` leaves about as much open in the liquid of any run."""


def flat_answers(history: Any, core_radius: float) -> dict[str, tuple[float, float]]:
    """Answers of a run (anything `Course` takes) that are ill-conditioned, each with the least and most it may be."""
    course = Course(history)
    (rows,), (weights,) = course.least_copper
    if rows[1] == NOWHERE:
        return {}
    (least,), moment = course.copper_left, float(weights @ course.time[rows])
    block = _liquid_round(course, int(rows[1]))
    time, copper, liquid = course.time[block], course.copper[block], course.liquid_tin_fraction[block]
    start, end = _stretch(time, copper, least + KNOWN * core_radius, moment)
    if least <= 0.0:
        end = moment  # once it is gone it stays so, and the first moment of that is meant
    ends = np.clip([start, end], time[0], time[-1])
    values = np.concatenate([np.interp(ends, time, liquid), liquid[(time > start) & (time < end)]])
    known = max(KNOWN, RELATIVE * float(weights @ course.liquid_tin_fraction[rows]))
    if np.ptp(values) <= TIMES * known:
        return {}
    return {"copper_left_liquid": (float(values.min()), float(values.max()))}


def _liquid_round(course: Course, row: int) -> slice:
    """Rows without a gap in which there is liquid, round a row or up to the one before it."""
    wet = course.liquid
    last = row if wet[row] else row - 1
    dry = np.flatnonzero(~wet)
    before, after = dry[dry < last], dry[dry > last]
    return slice(int(before[-1]) + 1 if before.size else 0, int(after[0]) if after.size else len(wet))


def _stretch(time: Array, copper: Array, most: float, moment: float) -> tuple[float, float]:
    """Times round a moment between which copper stays below `most`."""
    above = copper > most
    before, after = np.flatnonzero(above & (time < moment)), np.flatnonzero(above & (time > moment))
    start, end = float(time[0]), float(time[-1])
    if before.size and before[-1] + 1 < len(time):
        k = int(before[-1])
        start = float(np.interp(-most, -copper[k : k + 2], time[k : k + 2]))
    elif before.size:
        start = end
    if after.size and after[0] > 0:
        k = int(after[0])
        end = float(np.interp(most, copper[k - 1 : k + 1], time[k - 1 : k + 1]))
    return start, end


def flat_words(flat: dict[str, tuple[float, float]]) -> list[str]:
    """One sentence for each ill-conditioned answer."""
    return [
        f"{answer_of(key).title}: ill-conditioned, anything from {answer_of(key).number(low)} to "
        f"{answer_of(key).words(high)}: copper stays within {KNOWN * 100:g} % of the core's radius of its least as long"
        for key, (low, high) in flat.items()
    ]
