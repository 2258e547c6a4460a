"""The furnace schedule: temperature as a piecewise linear function of time, exact at its knots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import isfinite, log
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bronzeward.errors import InputError
from bronzeward.units import HOUR, ZERO_CELSIUS

HOTTEST_C = 1000.0
"""Schedules may not go beyond this temperature [C]; the layer sequence is only modelled up to here."""

LONGEST = 1e13
"""Schedules may not last longer than this, some hundred thousand years [s]; beyond, a second is lost in rounding."""

ROOM_C = 40.0
"""Up to this temperature a schedule that never heats is taken for a slip [C]."""

LARGEST_OFFSET = 100.0
"""A furnace is off its programme by this at most [K]."""

RATES = 1e-6, 1e9
"""Ramps are between these [C/h]: a century for a tenth of a degree, and any quench."""

HALF_TIMES = 1e-6, 1e9
"""Half times of furnace cools [h]."""

COOLING_KNOTS = 24
"""Straight pieces that stand for one exponential furnace cool."""


@dataclass(frozen=True)
class Schedule:
    """Temperature against time.

    Attributes
    ----------
    time : ndarray, shape (n_knots,), [s]
        Strictly increasing, from 0.
    temperature : ndarray, shape (n_knots,), [K]
    quenched : bool
        Whether the schedule ends with a quench that freezes the state.

    Build one step by step; the steps speak degrees Celsius and hours:

    >>> plan = Schedule.start(20).ramp(25, to=215).hold(48).quench()
    >>> round(plan.hours, 1)
    55.8
    """

    time: NDArray[np.float64]
    temperature: NDArray[np.float64]
    quenched: bool = False
    steps: tuple[dict[str, Any], ...] = field(default=(), compare=False)

    @classmethod
    def start(cls, celsius: float = 20.0) -> Schedule:
        """A schedule that begins at `celsius` [C]."""
        kelvin = _checked_kelvin(celsius, "start")
        return cls(np.array([0.0]), np.array([kelvin]), steps=({"start_C": float(celsius)},))

    @classmethod
    def from_steps(cls, start_celsius: float, steps: Sequence[Mapping[str, object]]) -> Schedule:
        """A schedule from the step tables of a case file."""
        schedule = cls.start(start_celsius)
        for number, step in enumerate(steps, start=1):
            schedule = _add_step(schedule, step, f"schedule step {number}")
        return schedule

    @classmethod
    def from_arrays(cls, time: object, temperature: object) -> Schedule:
        """A measured schedule: `time` [s] strictly increasing and `temperature` [K], shape (n,), n >= 2."""
        try:
            t, kelvin = np.array(time, dtype=float), np.array(temperature, dtype=float)
        except (TypeError, ValueError, OverflowError):
            raise InputError("schedule: time and temperature must be rows of numbers") from None
        if t.ndim != 1 or t.shape != kelvin.shape or t.size < 2:
            raise InputError("schedule: time and temperature must be two rows of the same length, 2 or more")
        if not (np.isfinite(t).all() and np.isfinite(kelvin).all()):
            raise InputError("schedule: time and temperature must be finite numbers")
        if not t[-1] - t[0] <= LONGEST:
            raise InputError(f"schedule: lasts {t[-1] - t[0]:.3g} s; at most {LONGEST:.3g} s are allowed")
        if (np.diff(t) <= 0).any():
            k = int(np.argmax(np.diff(t) <= 0))
            raise InputError(f"schedule: times must increase; point {k + 2} is not later than the one before it")
        for value in kelvin:
            _checked_kelvin(value - ZERO_CELSIUS, "schedule")
        return cls(t - t[0], kelvin)

    def ramp(self, rate: float, to: float) -> Schedule:
        """Change at `rate` [C/h], always positive, to the temperature `to` [C]."""
        rate = _positive(rate, "ramp rate", "°C/h", RATES)
        target = _checked_kelvin(to, "ramp target")
        if target == self.temperature[-1]:
            raise InputError(f"schedule: ramp to {to:g} °C starts there already; leave it out or use a hold")
        seconds = abs(target - self.temperature[-1]) / rate * HOUR
        return self._with([seconds], [target], {"ramp_C_per_h": rate, "to_C": float(to)})

    def hold(self, hours: float) -> Schedule:
        """Stay at the present temperature for `hours` [h]; no hours at all change nothing but the list of steps."""
        hours = _number(hours, "hold")
        if hours < 0:
            raise InputError(f"schedule: hold of {hours:g} h; hours must not be negative")
        if hours == 0 and not self.quenched:
            return replace(self, steps=(*self.steps, {"hold_h": 0.0}))
        return self._with([hours * HOUR], [self.temperature[-1]], {"hold_h": hours})

    def furnace_cool(self, half_time: float, to: float, room: float = 20.0) -> Schedule:
        """Cool with the furnace: the distance to `room` [C] halves every `half_time` [h], down to `to` [C].

        The exponential is drawn with straight pieces of equal temperature ratio.
        """
        half_time = _positive(half_time, "furnace cool half time", "h", HALF_TIMES)
        target, ambient = _checked_kelvin(to, "furnace cool target"), _checked_kelvin(room, "room")
        hot = self.temperature[-1]
        if not ambient < target < hot:
            raise InputError(
                f"schedule: furnace cool from {hot - ZERO_CELSIUS:g} to {to:g} °C with the room at {room:g} °C; "
                "the target must lie between the two"
            )
        ratios = np.linspace(0.0, log((hot - ambient) / (target - ambient)), COOLING_KNOTS + 1)[1:]
        temperatures = ambient + (hot - ambient) * np.exp(-ratios)
        temperatures[-1] = target
        seconds = np.diff(ratios, prepend=0.0) * half_time / log(2.0) * HOUR
        note = {"cool_half_time_h": half_time, "to_C": float(to), "room_C": float(room)}
        return self._with(list(seconds), list(temperatures), note)

    def quench(self) -> Schedule:
        """End here with a quench: the state is frozen."""
        return Schedule(self.time, self.temperature, True, (*self.steps, {"quench": True}))

    def temperature_at(self, time: ArrayLike) -> NDArray[np.float64]:
        """Temperature [K] at `time` [s], any shape; held at the ends."""
        return np.asarray(np.interp(np.asarray(time, dtype=float), self.time, self.temperature))

    def to_data(self) -> dict[str, object]:
        """The schedule with the keys of a case file: its steps where they say what it is, else its knots."""
        if self._is_of_steps():
            return {"start_C": self.steps[0]["start_C"], "steps": [dict(step) for step in self.steps[1:]]}
        knots = {"time_s": self.time.tolist(), "temperature_K": self.temperature.tolist()}
        return {"measured": {**knots, "quench": True} if self.quenched else knots}

    def _is_of_steps(self) -> bool:
        """Whether there are steps from a start on, and what they say is still what it is."""
        if not self.steps or "start_C" not in self.steps[0]:
            return False
        again = Schedule.from_steps(self.steps[0]["start_C"], self.steps[1:])
        same = (np.array_equal(getattr(again, k), getattr(self, k)) for k in ("time", "temperature", "quenched"))
        return all(same)

    @property
    def hours(self) -> float:
        """Length of the schedule [h]."""
        return float(self.time[-1] / HOUR)

    def with_length(self) -> Schedule:
        """The schedule, if it takes any time."""
        if self.time.size < 2:
            raise InputError("schedule: it has no ramp, hold or cool; add at least one")
        return self

    def checked(self) -> Schedule:
        """The schedule, if it is worth a run: it has a length, and heats at some time or is held hot from the start."""
        self.with_length()
        steps = np.diff(self.temperature)
        held = (steps == 0) & (self.temperature[1:] > ZERO_CELSIUS + ROOM_C)
        if not (steps > 0).any() and not held.any():
            raise InputError(
                "schedule: it never heats; add a ramp to a temperature above the start, or start at the temperature of "
                "a hold"
            )
        return self

    def offset(self, kelvin: float) -> Schedule:
        """The same in a furnace hotter by `kelvin` than programmed, or colder; never below 0 °C."""
        shift = _number(kelvin, "offset")
        if not abs(shift) <= LARGEST_OFFSET:
            raise InputError(
                f"schedule: offset of {shift:g} K; allowed are -{LARGEST_OFFSET:g} to {LARGEST_OFFSET:g} K"
            )
        moved = np.maximum(self.temperature + shift, ZERO_CELSIUS)
        for value in moved:
            _checked_kelvin(value - ZERO_CELSIUS, "offset schedule")
        return Schedule(self.time, moved, self.quenched)

    def _with(self, seconds: list[float], temperatures: list[float], note: dict[str, Any]) -> Schedule:
        if self.quenched:
            raise InputError("schedule: nothing can follow a quench")
        time = np.concatenate([self.time, self.time[-1] + np.cumsum(seconds)])
        if not time[-1] <= LONGEST:
            raise InputError(f"schedule: step {note} makes it longer than {LONGEST / HOUR:.2g} h")
        if not (np.diff(time) > 0).all():
            raise InputError(f"schedule: step {note} is too short to be told from none")
        return Schedule(time, np.concatenate([self.temperature, temperatures]), False, (*self.steps, note))


_STEP_KEYS: dict[str, set[str]] = {
    "ramp_C_per_h": {"ramp_C_per_h", "to_C"},
    "hold_h": {"hold_h"},
    "cool_half_time_h": {"cool_half_time_h", "to_C", "room_C"},
    "quench": {"quench"},
}


def _add_step(schedule: Schedule, step: Mapping[str, Any], where: str) -> Schedule:
    """Append one step table of a case file."""
    kinds = [key for key in _STEP_KEYS if key in step]
    if len(kinds) != 1:
        raise InputError(
            f"{where}: expected exactly one of {', '.join(_STEP_KEYS)}; got {', '.join(step) or 'nothing'}"
        )
    kind = kinds[0]
    unknown = set(step) - _STEP_KEYS[kind]
    if unknown:
        allowed = ", ".join(sorted(_STEP_KEYS[kind]))
        raise InputError(f"{where}: unknown key '{sorted(unknown)[0]}'; allowed here: {allowed}")
    if kind in ("ramp_C_per_h", "cool_half_time_h") and "to_C" not in step:
        raise InputError(f"{where}: to_C is missing; say to which temperature")
    try:
        if kind == "ramp_C_per_h":
            return schedule.ramp(step[kind], to=step["to_C"])
        if kind == "hold_h":
            return schedule.hold(step[kind])
        if kind == "cool_half_time_h":
            return schedule.furnace_cool(step[kind], to=step["to_C"], room=step.get("room_C", 20.0))
        if step[kind] is not True:
            raise InputError("schedule: quench must be true")
        return schedule.quench()
    except InputError as error:
        raise InputError(str(error).replace("schedule", where, 1)) from None


def _number(value: object, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not isfinite(value):
        raise InputError(f"schedule: {what} is {value!r}; it must be a finite number")
    return float(value)


def _positive(value: object, what: str, unit: str, bounds: tuple[float, float]) -> float:
    number, (low, high) = _number(value, what), bounds
    if number <= 0:
        raise InputError(f"schedule: {what} is {number:g} {unit}; it must be above 0")
    if not low <= number <= high:
        raise InputError(f"schedule: {what} is {number:g} {unit}; allowed are {low:g} to {high:g}")
    return number


def _checked_kelvin(celsius: object, what: str) -> float:
    number = _number(celsius, what)
    if not -ZERO_CELSIUS < number:
        raise InputError(f"schedule: {what} at {number:g} °C is below absolute zero")
    if not 0.0 <= number <= HOTTEST_C:
        raise InputError(f"schedule: {what} at {number:g} °C; allowed are 0 to {HOTTEST_C:g} °C")
    return number + ZERO_CELSIUS
