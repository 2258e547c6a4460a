"""Which answers of a run rest on growth constants that are only estimates.

A phase is named when it comes to hold `MATTERS` of the tin. What happens from its first atoms on rests on its constant,
how few they stay included; an answer that the history up to then gives as well was settled before. Where eta becomes
unstable later, liquid may come back or not, so that nothing that is asked of the whole run was settled.
"""

from __future__ import annotations

import numpy as np

from bronzeward.materials.kinetics import KineticSet
from bronzeward.materials.phases import PHASES
from bronzeward.model.answers import ANSWERS, END, numbers
from bronzeward.model.course import Course
from bronzeward.model.moments import between
from bronzeward.model.result import Result
from bronzeward.units import HOUR

MATTERS = 0.01
"""Share of all tin from which on a phase's constant is named where it is an estimate."""

GIVEN = "total_time"
"""The answer that no constant changes."""


def estimates_that_matter(result: Result, kinetics: KineticSet) -> list[str]:
    """A line for each phase with an estimated constant that matters: its share, and the answers that rest on it."""
    lines = []
    for phase in sorted({c.phase for c in kinetics.constants if c.grade == "estimated"}, key=PHASES.index):
        share = result["tin_fraction"][:, PHASES.index(phase)]
        if share.max() >= MATTERS:
            titles = [ANSWERS[key].title for key in resting_on(result, int(np.argmax(share > 0)))]
            told = f"; on it rest: {'; '.join(titles)}" if titles else "; no answer rests on it"
            lines.append(
                f"{phase}: holds up to {100 * share.max():.0f} % of the tin, and its growth constant is only an "
                f"estimate{told}"
            )
    return lines


def resting_on(result: Result, row: int) -> list[str]:
    """Keys of the answers that what happens from a row on decides."""
    keys = [key for key in ANSWERS if key != GIVEN]
    if row < 2:
        return keys
    whole, before = numbers(result), numbers(between(result, 0.0, float(result["time"][row - 1]) / HOUR))
    may_return = Course(result).above_eta_row[0] >= row
    return [
        key
        for key in keys
        if (may_return and ANSWERS[key].settled == END) or not np.array_equal(before[key], whole[key], equal_nan=True)
    ]
