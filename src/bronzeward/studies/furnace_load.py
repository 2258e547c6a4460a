"""A furnace load: how hot and how cold the strands of a batch really get.

The furnace holds what its thermocouple reads at the programme. The strand differs from that by

- the thermocouple's tolerance (`materials.thermocouples`);
- the spread over the work zone (homogeneity);
- the sensor's lag tau: it reads tau dT/dt too little while the furnace heats, so the strand runs ahead;
- the controller's overshoot at the end of a heating ramp, which fades over the settling time.

All four are added up: the hottest strand has all of them against it at once, and so has the coldest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bronzeward.errors import InputError
from bronzeward.inputs.schedule import HOTTEST_C, Schedule
from bronzeward.materials.thermocouples import sensor_classes
from bronzeward.units import HOUR, ZERO_CELSIUS

HIGHER = 200.0
"""So far above a limit, at most, is the lowest set-point that keeps all strands above it [K]."""


@dataclass(frozen=True)
class Furnace:
    """What separates a strand from the programme.

    Attributes
    ----------
    sensor_class : int
        A class of `materials.thermocouples`; 0 for a sensor taken as exact.
    sensor_type : str
        Letter of the thermocouple.
    homogeneity : float, [K]
        Half the spread of temperature over the work zone.
    overshoot : float, [K]
        Above a hold when the ramp to it ends.
    settling : float, [s]
        Time in which the overshoot fades.
    lag : float, [s]
        Time constant of the sensor.
    """

    sensor_class: int = 1
    sensor_type: str = "K"
    homogeneity: float = 3.0
    overshoot: float = 2.0
    settling: float = 1800.0
    lag: float = 60.0

    def __post_init__(self) -> None:
        classes = sensor_classes()
        if self.sensor_class not in (0, *classes) or isinstance(self.sensor_class, bool):
            allowed = ", ".join(map(str, (0, *classes)))
            raise InputError(f"margins: sensor class is {self.sensor_class!r}; allowed: {allowed}")
        types = dict.fromkeys(letter for known in classes.values() for letter in known.types)
        if self.sensor_type not in types:
            raise InputError(f"margins: sensor type is {self.sensor_type!r}; allowed: {', '.join(types)}")
        for name, most in (("homogeneity", 50.0), ("overshoot", 50.0), ("settling", 86400.0), ("lag", HOUR)):
            value = getattr(self, name)
            if not isfinite(value) or not 0.0 <= value <= most:
                raise InputError(f"margins: {name} is {value!r}; allowed are 0 to {most:g}")

    def tolerance(self, kelvin: ArrayLike) -> NDArray[np.float64]:
        """Tolerance of the thermocouple [K] at `kelvin` [K], any shape."""
        if self.sensor_class == 0:
            return np.zeros_like(kelvin, dtype=float)
        return sensor_classes()[self.sensor_class].tolerance(kelvin)


@dataclass(frozen=True)
class _Leg:
    """One straight piece of the programme: times [s], temperatures [K]."""

    start: float
    end: float
    low: float
    high: float

    @property
    def slope(self) -> float:
        return (self.high - self.low) / (self.end - self.start)

    def at(self, time: float) -> float:
        return self.low + self.slope * (time - self.start)


def _legs(schedule: Schedule) -> list[_Leg]:
    t, kelvin = schedule.time, schedule.temperature
    return [_Leg(float(t[k]), float(t[k + 1]), float(kelvin[k]), float(kelvin[k + 1])) for k in range(len(t) - 1)]


def extreme_schedule(schedule: Schedule, furnace: Furnace, hottest: bool) -> Schedule:
    """Temperature of the hottest or the coldest strand, a schedule of its own.

    Where two pieces of the programme meet, the strand is at the worse of what both say, and gets to what
    the next one says within three time constants of the sensor; after an overshoot within the settling time.
    """
    sign = 1.0 if hottest else -1.0
    legs = _legs(schedule)
    ahead = [sign * max(sign * furnace.lag * leg.slope, 0.0) for leg in legs]
    over = [_overshoots(legs, k) * furnace.overshoot if hottest else 0.0 for k in range(len(legs))]
    points: list[tuple[float, float]] = [(legs[0].start, legs[0].low + ahead[0])]
    for k, leg in enumerate(legs):
        entering = over[k - 1] if k else 0.0
        for moment, offset in _within(leg, ahead, entering, furnace, k):
            points.append((moment, leg.at(moment) + offset))
        following = ahead[k + 1] if k + 1 < len(legs) else ahead[k]
        points.append((leg.end, leg.high + sign * max(sign * ahead[k], sign * following) + over[k]))
    time, kelvin = (np.array(column) for column in zip(*points, strict=True))
    kelvin = kelvin + sign * (furnace.tolerance(kelvin) + furnace.homogeneity)
    kelvin = np.clip(kelvin, ZERO_CELSIUS, HOTTEST_C + ZERO_CELSIUS)
    return replace(schedule, time=time, temperature=kelvin, steps=())


def _overshoots(legs: list[_Leg], k: int) -> float:
    """1 where a heating ramp ends in a hold or a slower ramp, else 0."""
    if legs[k].slope <= 0.0:
        return 0.0
    return 1.0 if k + 1 == len(legs) or legs[k + 1].slope < legs[k].slope else 0.0


def _within(leg: _Leg, ahead: list[float], entering: float, furnace: Furnace, k: int) -> list[tuple[float, float]]:
    """Moment inside a piece at which the strand has got to that piece's own offset, if there is one."""
    before = ahead[k - 1] if k else ahead[k]
    needed = max(3.0 * furnace.lag if before != ahead[k] else 0.0, furnace.settling if entering else 0.0)
    if needed <= 0.0:
        return []
    moment = leg.start + min(needed, 0.5 * (leg.end - leg.start))
    return [(moment, ahead[k])]


@dataclass(frozen=True)
class Hold:
    """One hold of the programme: number, set-point [K], start and length [s], rate of the ramp to it [K/s]."""

    number: int
    kelvin: float
    start: float
    seconds: float
    approach: float


def holds(schedule: Schedule) -> list[Hold]:
    """All holds in order."""
    rows: list[Hold] = []
    legs = _legs(schedule)
    for k, leg in enumerate(legs):
        if leg.slope == 0.0:
            approach = legs[k - 1].slope if k else 0.0
            rows.append(Hold(len(rows) + 1, leg.low, leg.start, leg.end - leg.start, approach))
    return rows


def hottest_of(kelvin: float, furnace: Furnace, approach: float = 0.0) -> float:
    """Highest temperature [K] that any strand meets at a hold of `kelvin` reached at `approach` [K/s]."""
    rise = max(approach, 0.0) * furnace.lag + (furnace.overshoot if approach > 0.0 else 0.0)
    top = kelvin + rise
    return float(top + furnace.tolerance(top) + furnace.homogeneity)


def coldest_of(kelvin: float, furnace: Furnace) -> float:
    """Lowest temperature [K] that any strand has for the whole of a hold at `kelvin`."""
    return float(kelvin - furnace.tolerance(kelvin) - furnace.homogeneity)


def highest_safe(limit: float, furnace: Furnace, approach: float = 0.0) -> float:
    """Highest set-point [K] whose hottest strand stays at or below `limit` [K]; nan where none does."""
    from scipy.optimize import brentq

    def above(kelvin: float) -> float:
        return hottest_of(kelvin, furnace, approach) - limit

    return float(brentq(above, ZERO_CELSIUS, limit)) if above(ZERO_CELSIUS) <= 0.0 else float("nan")


def lowest_safe(limit: float, furnace: Furnace) -> float:
    """Lowest set-point [K] whose coldest strand stays at or above `limit` [K]."""
    from scipy.optimize import brentq

    return float(brentq(lambda kelvin: coldest_of(kelvin, furnace) - limit, limit, limit + HIGHER))
