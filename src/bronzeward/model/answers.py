"""The questions a run answers: one table of what each is, how it is shown, and the rule that computes it.

Every answer is taken from the stored history, never recomputed: `history` is anything that gives the
variables of a result by name (a `Result`, an xarray Dataset, a dict of arrays), and knows the temperature
up to which eta is stable. Summary, JSON, bands, sweeps, comparison, report and limits all read `ANSWERS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from math import isfinite, nan
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bronzeward.errors import InputError
from bronzeward.materials.phases import PHASES
from bronzeward.units import HOUR, MICROMETRE, ZERO_CELSIUS

Array = NDArray[np.float64]

#: How SI units are shown: factor, shift, unit.
SHOWN: dict[str, tuple[float, float, str]] = {
    "m": (1.0 / MICROMETRE, 0.0, "µm"),
    "s": (1.0 / HOUR, 0.0, "h"),
    "K": (1.0, -ZERO_CELSIUS, "°C"),
    "1": (100.0, 0.0, "%"),
}

FIRST_LIQUID, PERITECTIC, END = "first liquid", "peritectic", "end"
"""Moments from which on nothing changes an answer."""


class Course:
    """The columns of a history that rules look at, and the rows they have in common."""

    def __init__(self, history: Any) -> None:
        self.history = history

    def __getattr__(self, name: str) -> Array:
        values = np.asarray(self.history[name])
        setattr(self, name, values)
        return values

    @cached_property
    def liquid_rows(self) -> NDArray[np.intp]:
        """Rows with liquid."""
        return np.flatnonzero(self.liquid_mole_fraction > 0)

    @cached_property
    def _rows_of_events(self) -> dict[str, int]:
        """The first row after the first event of each name."""
        rows: dict[str, int] = {}
        for name, row in zip(self.event_name.tolist(), self.event_row.tolist(), strict=True):
            rows.setdefault(str(name), int(row))
        return rows

    @property
    def eta_split_row(self) -> int | None:
        """The first row after eta has become unstable; None where that does not happen."""
        return self._rows_of_events.get("eta decomposes")

    @property
    def melting_row(self) -> int | None:
        """The first row after solid tin has melted; None where that does not happen."""
        return self._rows_of_events.get("tin melts")

    @cached_property
    def above_eta_row(self) -> int | None:
        """The first row hotter than eta is stable; None where there is none."""
        hot = np.flatnonzero(self.temperature > attribute_of(self.history, "eta_limit_K"))
        return int(hot[0]) if hot.size else None

    @cached_property
    def least_copper(self) -> tuple[NDArray[np.intp], Array] | None:
        """Rows and their weights, together the moment of least copper outside the shell with liquid; None without.

        The shell mostly grows until the liquid goes, so the row in which it has just gone counts as well: the answer
        would else depend on how close to that moment the row before happens to lie. Where the copper passes through
        its least smoothly, as when compound dissolves on cooling, that lies between rows: at the vertex of the
        parabola through three of them. At the vertex itself nothing changes, but what else is read there does.
        """
        near = self.liquid_mole_fraction > 0
        near[1:] |= near[:-1].copy()
        rows = np.flatnonzero(near)
        if not rows.size:
            return None
        row = int(rows[self.copper[rows].argmin()])
        found, least = (np.array([row]), np.ones(1)), float(self.copper[row])
        for middle in (row - 1, row, row + 1):
            if 0 < middle < len(near) - 1 and near[middle - 1] and near[middle] and near[middle + 1]:
                three = slice(middle - 1, middle + 2)
                weights = _vertex(self.time[three].tolist(), self.copper[three].tolist())
                if weights is not None and self._smooth(middle) and weights @ self.copper[three] < least:
                    found, least = (np.arange(middle - 1, middle + 2), weights), float(weights @ self.copper[three])
        return found

    def _smooth(self, row: int) -> bool:
        """Whether nothing happens from the row before to the one after, and temperature goes on as it went."""
        three = slice(row - 1, row + 2)
        if min(self.copper[three].tolist()) <= 0.0:
            return False
        if any(row <= event <= row + 1 for event in self.event_row.tolist()):
            return False
        kelvin, time = self.temperature[three].tolist(), self.time[three].tolist()
        before, after = ((kelvin[k + 1] - kelvin[k]) / (time[k + 1] - time[k]) for k in (0, 1))
        return bool(abs(after - before) <= 1e-6 * max(abs(before), abs(after)))

    @cached_property
    def copper(self) -> Array:
        """Thickness of the copper outside the shell, filaments in a pack included [m], shape (n_times,).

        On the thin side where the core lies off the axis: layers grow alike all round, what is left there is less.
        """
        left = self.thickness[:, PHASES.index("alpha")] - attribute_of(self.history, "core_offset_m")
        return np.asarray(np.maximum(left, 0.0))

    def where_copper_is_least(self, name: str) -> float:
        """A column at the moment of `least_copper`; nan without liquid."""
        if self.least_copper is None:
            return nan
        rows, weights = self.least_copper
        return float(weights @ getattr(self, name)[rows])

    def at_first_liquid(self, name: str) -> float:
        """A column at the first row with liquid; nan where there is none."""
        return float(getattr(self, name)[self.liquid_rows[0]]) if self.liquid_rows.size else nan


def _vertex(time: list[float], values: list[float]) -> Array | None:
    """Weights of three values that give the parabola through them at its least; None where that lies outside."""
    first, second = ((values[k + 1] - values[k]) / (time[k + 1] - time[k]) for k in (0, 1))
    bend = (second - first) / (time[2] - time[0])
    if not bend > 0.0:
        return None
    at = 0.5 * (time[0] + time[1]) - 0.5 * first / bend
    if not time[0] < at < time[2]:
        return None
    away = at - np.array(time)
    products = np.array([away[1] * away[2], away[0] * away[2], away[0] * away[1]])
    gaps = np.array([(time[k] - time[k - 1]) * (time[k] - time[k - 2]) for k in range(3)])
    return np.asarray(products / gaps)


def attribute_of(history: Any, name: str) -> float:
    """A number of the whole run: an attribute of a result or Dataset, a value of a dict."""
    attributes = getattr(history, "attributes", None) or getattr(history, "attrs", None) or history
    return float(attributes[name])


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
        The value from a `Course`; nan where the run has no such moment.
    settled : str
        The moment from which on nothing changes it.
    """

    key: str
    unit: str
    title: str
    text: str
    digits: int
    rule: Callable[[Course], float]
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


def _bore_overfill(course: Course) -> float:
    """What melting adds to the volume of everything, at one temperature: liquid less the solids that it came from."""
    row = course.melting_row
    return nan if not row else float(course.overfill[row] - course.overfill[row - 1])


def _overfill_peak(course: Course) -> float:
    """A shortage that elastic strain takes up is none."""
    peak = float(course.overfill.max())
    return peak if peak > attribute_of(course.history, "elastic_overfill") else min(peak, 0.0)


def _first_overfill(course: Course) -> float:
    """Temperature at which overfill first passes what elastic strain takes up; at a jump that of the jump."""
    overfill, kelvin = course.overfill, course.temperature
    elastic = attribute_of(course.history, "elastic_overfill")
    over = np.flatnonzero(overfill > elastic)
    if not over.size:
        return nan
    k = int(over[0])
    if k == 0 or overfill[k] <= overfill[k - 1]:
        return float(kelvin[k])
    share = max(elastic - overfill[k - 1], 0.0) / (overfill[k] - overfill[k - 1])
    return float(kelvin[k - 1] + share * (kelvin[k] - kelvin[k - 1]))


def _liquid_gone(course: Course) -> float:
    rows = course.liquid_rows
    return float(course.time[rows[-1] + 1]) if rows.size and rows[-1] + 1 < len(course.time) else nan


def _eta_at_peritectic(course: Course) -> float:
    if course.eta_split_row is None:
        return nan if course.above_eta_row is None else 0.0
    return float(course.tin_fraction[max(course.eta_split_row - 1, 0), PHASES.index("eta")])


def _liquid_above_peritectic(course: Course) -> float:
    row = course.above_eta_row if course.eta_split_row is None else course.eta_split_row
    return nan if row is None else float(course.liquid_tin_fraction[min(row, len(course.time) - 1)])


def _table(*answers: Answer) -> dict[str, Answer]:
    return {answer.key: answer for answer in answers}


ANSWERS: dict[str, Answer] = _table(
    Answer(
        "first_liquid_time", "s", "first liquid after", "time of the first liquid", 2,
        lambda course: course.at_first_liquid("time"), FIRST_LIQUID,
    ),
    Answer(
        "first_liquid_temperature", "K", "first liquid at", "temperature of the first liquid", 1,
        lambda course: course.at_first_liquid("temperature"), FIRST_LIQUID,
    ),
    Answer(
        "shell_at_first_liquid", "m", "shell at first liquid",
        "thickness of all solid compound between core and copper at the first liquid", 2,
        lambda course: course.at_first_liquid("shell_thickness"), FIRST_LIQUID,
    ),
    Answer(
        "tin_left_at_first_liquid", "1", "tin left at first liquid",
        "share of the tin still in the core when it first melts", 1,
        lambda course: 1.0 - course.at_first_liquid("tin_used"), FIRST_LIQUID,
    ),
    Answer(
        "overfill_at_first_liquid", "1", "overfill at first liquid",
        "contents less cavity just after the first melting, over the initial core volume", 2,
        lambda course: course.at_first_liquid("overfill"), FIRST_LIQUID,
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
        lambda course: float(course.liquid_mole_fraction.max()),
    ),
    Answer(
        "peak_liquid_time", "s", "most liquid after", "time of the most liquid", 2,
        lambda course: float(course.time[np.argmax(course.liquid_mole_fraction)]) if course.liquid_rows.size else nan,
    ),
    Answer(
        "peak_liquid_tin", "1", "most liquid, of all tin", "largest share of all tin that is liquid", 1,
        lambda course: float(course.liquid_tin_fraction.max()),
    ),
    Answer(
        "liquid_gone_time", "s", "liquid gone after", "time after which there is no liquid any more", 2, _liquid_gone
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
        lambda course: course.where_copper_is_least("copper"),
    ),
    Answer(
        "copper_left_time", "s", "least copper after", "time of the least copper round liquid", 2,
        lambda course: course.where_copper_is_least("time"),
    ),
    Answer(
        "copper_left_temperature", "K", "least copper at", "temperature of the least copper round liquid", 1,
        lambda course: course.where_copper_is_least("temperature"),
    ),
    Answer(
        "copper_left_liquid", "1", "liquid then, of all tin",
        "share of all tin that is liquid when the copper round it is least", 1,
        lambda course: course.where_copper_is_least("liquid_tin_fraction"),
    ),
    Answer(
        "shell_at_end", "m", "shell at the end", "thickness of all solid compound at the end", 2,
        lambda course: float(course.shell_thickness[-1]),
    ),
    Answer(
        "tin_used_at_end", "1", "tin used at the end", "share of the tin that has left the core at the end", 1,
        lambda course: float(course.tin_used[-1]),
    ),
    Answer(
        "total_time", "s", "length of the schedule", "length of the schedule", 1,
        lambda course: float(course.time[-1]),
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
