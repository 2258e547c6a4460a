"""The questions a run answers: one table of what each is, how it is shown, and the rule that computes it.

Every answer is taken from the stored history, never recomputed: `history` is anything that gives the
variables of a result by name (a `Result`, an xarray Dataset, a dict of arrays), and knows the temperature
up to which eta is stable. Summary, JSON, bands, sweeps, comparison, report and limits all read `ANSWERS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from bronzeward.errors import InputError
from bronzeward.materials.phases import PHASES
from bronzeward.model.between_rows import Array
from bronzeward.model.course import NOWHERE, Course
from bronzeward.units import HOUR, MICROMETRE, ZERO_CELSIUS

#: How SI units are shown: factor, shift, unit.
SHOWN: dict[str, tuple[float, float, str]] = {
    "m": (1.0 / MICROMETRE, 0.0, "µm"),
    "s": (1.0 / HOUR, 0.0, "h"),
    "K": (1.0, -ZERO_CELSIUS, "°C"),
    "1": (100.0, 0.0, "%"),
}

FIRST_LIQUID, PERITECTIC, END = "first liquid", "peritectic", "end"
"""Moments from which on nothing changes an answer."""


@dataclass(frozen=True)
class Answer:
    """One question.

    Attributes
    ----------
    unit : str
        Of the value: m, s, K or 1.
    title : str
        A few words for a table.
    text : str
        What it is, in full.
    digits : int
        After the point, as it is shown.
    rule : callable
        The values from a `Course`, one for each run, shape (n_runs,); nan where a run has no such moment.
    settled : str
        The moment from which on nothing changes it.
    """

    key: str
    unit: str
    title: str
    text: str
    digits: int
    rule: Callable[[Course], Array]
    settled: str = END

    @property
    def shown_unit(self) -> str:
        """Unit in which it is shown."""
        return SHOWN[self.unit][2]

    def shown(self, value: ArrayLike) -> Array:
        """Values in SI units as they are shown, any shape."""
        factor, shift, _ = SHOWN[self.unit]
        return np.asarray(value, dtype=float) * factor + shift

    def shown_difference(self, value: ArrayLike) -> Array:
        """Differences in SI units as they are shown, any shape."""
        return np.asarray(value, dtype=float) * SHOWN[self.unit][0]

    def from_shown(self, value: float) -> float:
        """SI units from a value as it is shown."""
        factor, shift, _ = SHOWN[self.unit]
        return (value - shift) / factor

    def number(self, value: float) -> str:
        """A value in SI units as the number that is shown; a dash where there is none."""
        if not isfinite(value):
            return "-"
        text = f"{float(self.shown(value)):.{self.digits}f}"
        return text.removeprefix("-") if not text.strip("-0.") else text

    def words(self, value: float) -> str:
        """The same with its unit."""
        return f"{self.number(value)} {self.shown_unit}" if isfinite(value) else "-"


def _bore_overfill(course: Course) -> Array:
    """What melting adds to the volume of everything, at one temperature: liquid less the solids that it came from."""
    row = course.melting_row
    row = np.where((row > course.starts) & (row < course.ends), row, NOWHERE)
    return course.at(course.overfill, row) - course.at(course.overfill, course.before(row))


def _overfill_peak(course: Course) -> Array:
    """A shortage that elastic strain takes up is none."""
    peak = course.read(course.overfill, course.most_overfill)
    return np.where(peak > course.of_run("elastic_overfill"), peak, np.minimum(peak, 0.0))


def _first_overfill(course: Course) -> Array:
    """Temperature at which overfill first passes what elastic strain takes up; at a jump that of the jump."""
    over = course.overfill - course.of_run("elastic_overfill")[course.run]
    row = course.first(over > 0.0)
    passed = course.read(course.temperature, course.passing(over, row))
    # or it is only between rows that it does
    peak = course.read(over, course.most_overfill) > 0.0
    return np.where((row == NOWHERE) & peak, course.read(course.temperature, course.most_overfill), passed)


def _peak_liquid(course: Course) -> Array:
    return np.nan_to_num(course.read(course.liquid_mole_fraction, course.most_liquid))


def _peak_liquid_tin(course: Course) -> Array:
    return np.nan_to_num(course.read(course.liquid_tin_fraction, course.most_molten_tin))


def _copper_left_liquid(course: Course) -> Array:
    return np.maximum(course.read(course.liquid_tin_fraction, course.least_copper), 0.0)


def _eta_at_peritectic(course: Course) -> Array:
    split = course.eta_split_row
    left = course.at(course.tin_fraction[:, PHASES.index("eta")], course.before(split))
    return np.where((split == NOWHERE) & (course.above_eta_row != NOWHERE), 0.0, left)


def _liquid_above_peritectic(course: Course) -> Array:
    row = np.where(course.eta_split_row == NOWHERE, course.above_eta_row, course.eta_split_row)
    return course.at(course.liquid_tin_fraction, np.minimum(row, course.ends - 1))


def _table(*answers: Answer) -> dict[str, Answer]:
    return {answer.key: answer for answer in answers}


ANSWERS: dict[str, Answer] = _table(
    Answer(
        "first_liquid_time", "s", "first liquid after", "time of the first liquid", 2,
        lambda course: course.at(course.time, course.first_liquid_row), FIRST_LIQUID,
    ),
    Answer(
        "first_liquid_temperature", "K", "first liquid at", "temperature of the first liquid", 1,
        lambda course: course.at(course.temperature, course.first_liquid_row), FIRST_LIQUID,
    ),
    Answer(
        "shell_at_first_liquid", "m", "shell at first liquid",
        "thickness of all solid compound between core and copper at the first liquid", 2,
        lambda course: course.at(course.shell_thickness, course.first_liquid_row), FIRST_LIQUID,
    ),
    Answer(
        "tin_left_at_first_liquid", "1", "tin left at first liquid",
        "share of the tin still in the core when it first melts", 1,
        lambda course: 1.0 - course.at(course.tin_used, course.first_liquid_row), FIRST_LIQUID,
    ),
    Answer(
        "overfill_at_first_liquid", "1", "overfill at first liquid",
        "contents less cavity just after the first melting, over the initial core volume", 2,
        lambda course: course.at(course.overfill, course.first_liquid_row), FIRST_LIQUID,
    ),
    Answer(
        "bore_overfill_at_first_liquid", "1", "overfill of the bore then",
        "liquid just after melting less the hot solid tin and compound it came from, over the initial core volume", 2,
        _bore_overfill, FIRST_LIQUID,
    ),
    Answer(
        "overfill_peak", "1", "largest overfill", "largest overfill of the run, none where elastic strain takes it up",
        2, _overfill_peak,
    ),
    Answer(
        "first_overfill_temperature", "K", "contents outgrow cavity at",
        "temperature at which the contents first exceed the cavity by more than elastic strain takes up", 1,
        _first_overfill,
    ),
    Answer(
        "peak_liquid", "1", "most liquid, of all atoms", "largest share of all atoms that is liquid", 1,
        _peak_liquid,
    ),
    Answer(
        "peak_liquid_time", "s", "most liquid after", "time of the most liquid", 2,
        lambda course: course.read(course.time, course.most_liquid),
    ),
    Answer(
        "peak_liquid_tin", "1", "most liquid, of all tin", "largest share of all tin that is liquid", 1,
        _peak_liquid_tin,
    ),
    Answer(
        "liquid_gone_time", "s", "liquid gone after", "time after which there is no liquid any more", 2,
        lambda course: course.at(course.time, course.after(course.last(course.liquid))),
    ),
    Answer(
        "eta_at_peritectic", "1", "tin in η at the peritectic",
        "share of all tin that is in eta when it first becomes unstable on heating", 2, _eta_at_peritectic, PERITECTIC,
    ),
    Answer(
        "liquid_above_peritectic", "1", "tin liquid above peritectic",
        "share of all tin that is liquid just above the temperature up to which eta is stable", 1,
        _liquid_above_peritectic, PERITECTIC,
    ),
    Answer(
        "copper_left_with_liquid", "m", "least copper round liquid",
        "least thickness of copper outside the shell with liquid inside; 0 with compound or liquid at the barrier", 2,
        lambda course: course.copper_left,
    ),
    Answer(
        "copper_left_time", "s", "least copper after", "time of the least copper round liquid", 2,
        lambda course: course.read(course.time, course.least_copper),
    ),
    Answer(
        "copper_left_temperature", "K", "least copper at", "temperature of the least copper round liquid", 1,
        lambda course: course.read(course.temperature, course.least_copper),
    ),
    Answer(
        "copper_left_liquid", "1", "liquid then, of all tin",
        "share of all tin that is liquid when the copper round it is least", 1,
        _copper_left_liquid,
    ),
    Answer(
        "shell_at_end", "m", "shell at the end", "thickness of all solid compound at the end", 2,
        lambda course: course.shell_thickness[course.ends - 1],
    ),
    Answer(
        "tin_used_at_end", "1", "tin used at the end", "share of the tin that has left the core at the end", 1,
        lambda course: course.tin_used[course.ends - 1],
    ),
    Answer(
        "total_time", "s", "length of the schedule", "length of the schedule", 1,
        lambda course: course.time[course.ends - 1],
    ),
)  # fmt: skip
"""Every answer by its key, in the order they are shown."""


DECISIVE = (
    "shell_at_first_liquid", "overfill_at_first_liquid", "bore_overfill_at_first_liquid", "peak_liquid_tin",
    "liquid_above_peritectic", "copper_left_with_liquid",
)  # fmt: skip
"""Answers that decide on a schedule."""


def numbers(history: Mapping[str, object] | Any) -> dict[str, float]:
    """All answers of `ANSWERS`, SI units; nan where the run has no such moment."""
    return {key: float(value) for key, (value,) in numbers_of_runs(history).items()}


def numbers_of_runs(history: Mapping[str, object] | Any) -> dict[str, Array]:
    """The same of every run of a history of several, each shape (n_runs,)."""
    course = Course(history)
    return {key: answer.rule(course) for key, answer in ANSWERS.items()}


def answer_of(key: str) -> Answer:
    """The answer of that key.

    Raises
    ------
    InputError
        When there is none.
    """
    if key not in ANSWERS:
        raise InputError(f"answer '{key}' is not known; allowed: {', '.join(ANSWERS)}")
    return ANSWERS[key]
