"""What `shorten` is asked: values that are free, limits that are to be kept, rules of the furnace."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import floor, isfinite

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.inputs.schedule import Schedule
from bronzeward.model.answers import ANSWERS, answer_of
from bronzeward.units import HOUR, ZERO_CELSIUS

#: Steps of the grid by the end of a path: what a furnace controller can be set to.
STEPS: tuple[tuple[str, float], ...] = (("ramp_C_per_h", 0.5), ("hold_h", 0.1), ("cool_half_time_h", 0.1), ("_C", 0.5))


ROUNDING = 1e-8
"""A rule broken by less than this is kept: rates and temperatures are rounded."""


@dataclass(frozen=True)
class Free:
    """A value, or several that go together, free between two bounds on a grid of `step`."""

    paths: tuple[str, ...]
    low: float
    high: float
    step: float = 0.0

    def __post_init__(self) -> None:
        if not self.paths or not all(self.paths):
            raise InputError("shorten: a free value needs its path, such as schedule.steps.1.hold_h")
        if not (isfinite(self.low) and isfinite(self.high) and self.low < self.high):
            raise InputError(f"shorten: {self.paths[0]} from {self.low:g} to {self.high:g}; the second must be higher")
        if not isfinite(self.step) or self.step < 0:
            raise InputError(f"shorten: {self.paths[0]}: step is {self.step:g}; it must be above 0")
        if self.step == 0:
            ends = [step for end, step in STEPS if self.paths[0].endswith(end)]
            object.__setattr__(self, "step", ends[0] if ends else (self.high - self.low) / 200.0)

    @property
    def most(self) -> int:
        """Number of the last grid point; the first is 0."""
        return floor((self.high - self.low) / self.step + 1e-9)

    def value(self, place: int) -> float:
        """Value of a grid point."""
        return round(self.low + place * self.step, 9)


@dataclass(frozen=True)
class Limit:
    """An answer that must be at most or at least `value` (SI units) with `confidence`.

    A member in which the moment never comes, such as a first liquid where the tin is used up before it
    could melt, keeps the limit.
    """

    answer: str
    kind: str
    value: float
    confidence: float = 0.95

    def __post_init__(self) -> None:
        answer_of(self.answer)
        if self.kind not in ("<=", ">="):
            raise InputError(f"limit on {self.answer}: '{self.kind}'; allowed: <=, >=")
        if not isfinite(self.value):
            raise InputError(f"limit on {self.answer} must be a finite number")
        if not 0.0 < self.confidence < 1.0:
            raise InputError(f"limit: confidence is {self.confidence:g}; allowed are values between 0 and 1")

    def excess(self, answers: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far each member is beyond the limit, negative inside it."""
        beyond = answers - self.value if self.kind == "<=" else self.value - answers
        return np.where(np.isnan(beyond), -np.inf, beyond)

    @property
    def scale(self) -> float:
        """What excesses of this limit are measured by, so that those of several can be compared."""
        return abs(self.value) if abs(self.value) > 1e-7 else 1.0

    def allowed(self, size: int) -> int:
        """Members of `size` that may break the limit."""
        return allowed(self.confidence, size)

    def kept(self, answers: Mapping[str, NDArray[np.float64]]) -> NDArray[np.bool_]:
        """Which members of a batch keep the limit; a run that failed keeps none."""
        return np.asarray((self.excess(answers[self.answer]) <= 0.0) & (answers["status"] == 0))

    def bound(self) -> str:
        """What is to be kept, as it is shown."""
        answer = ANSWERS[self.answer]
        return f"{answer.title} {self.kind} {float(answer.shown(self.value)):g} {answer.shown_unit}"

    def words(self) -> str:
        """The limit as it is shown."""
        return f"{self.bound()} ({100 * self.confidence:g} %)"


def allowed(confidence: float, size: int) -> int:
    """Members of `size` that may break what is to be kept with a confidence."""
    return floor((1.0 - confidence) * size + 1e-9)


def parse_limit(text: str) -> Limit:
    """A limit from text in the units answers are shown in: 'shell_at_first_liquid>=3@95' is 3 um with 95 %."""
    kind = next((kind for kind in ("<=", ">=") if kind in text), None)
    if kind is None:
        raise InputError(f"limit '{text}'; expected ANSWER<=VALUE@PERCENT or ANSWER>=VALUE@PERCENT")
    key, _, rest = text.partition(kind)
    value, _, percent = rest.partition("@")
    answer = answer_of(key.strip())
    try:
        wanted, confidence = float(value), float(percent or "95") / 100.0
    except ValueError:
        raise InputError(f"limit '{text}'; '{rest}' is not VALUE or VALUE@PERCENT") from None
    return Limit(answer.key, kind, answer.from_shown(wanted), confidence)


def parse_free(text: str) -> Free:
    """A free value from text: PATH=LOW:HIGH or PATH=LOW:HIGH:STEP; PATH+PATH go together."""
    left, equals, right = text.partition("=")
    parts = right.split(":")
    if not equals or len(parts) not in (2, 3):
        raise InputError(f"shorten: '{text}'; expected PATH=LOW:HIGH or PATH=LOW:HIGH:STEP")
    try:
        return Free(tuple(p.strip() for p in left.split("+")), *(float(part) for part in parts))
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"shorten: '{right}' is not LOW:HIGH or LOW:HIGH:STEP") from None


@dataclass(frozen=True)
class Rules:
    """What the furnace may do.

    Attributes
    ----------
    fastest : float, [C/h]
        Highest rate of any ramp, up or down; a quench is none.
    not_above : tuple of (temperature [C], hour [h])
        Nothing may be hotter than the temperature before the hour.
    """

    fastest: float = float("inf")
    not_above: tuple[tuple[float, float], ...] = ()

    def narrowed(self, free: Free) -> Free:
        """A free ramp rate with its upper bound no faster than allowed."""
        ramp = all(path.endswith("ramp_C_per_h") for path in free.paths)
        return replace(free, high=self.fastest) if ramp and free.low < self.fastest < free.high else free

    def excess(self, schedule: Schedule) -> NDArray[np.float64]:
        """How far a schedule is beyond each rule, negative inside; the first is the rate, as a share."""
        rates = np.abs(np.diff(schedule.temperature) / np.diff(schedule.time)) * HOUR
        beyond = [float(rates.max()) / self.fastest - 1.0]
        for celsius, hour in self.not_above:
            moments = np.append(schedule.time[schedule.time < hour * HOUR], min(hour * HOUR, schedule.time[-1]))
            hottest = float(schedule.temperature_at(moments).max()) - ZERO_CELSIUS
            beyond.append((hottest - celsius) / 100.0)
        return np.array(beyond) - ROUNDING

    def broken(self, schedule: Schedule) -> float:
        """By how much a schedule breaks the rules: 0 not at all."""
        return float(np.maximum(self.excess(schedule), 0.0).sum())
