"""Furnace margins: how hot and how cold the strands of a batch really get, and what that does to the answers.

The furnace holds what its thermocouple reads at the programme. The strand differs from that by

- the thermocouple's tolerance, IEC 60584-1:2013, types K and N: class 1 the greater of 1.5 C and 0.4 % of
  the temperature in C (-40 to 1000 C), class 2 the greater of 2.5 C and 0.75 % (-40 to 1200 C);
- the spread over the work zone (homogeneity);
- the sensor's lag tau: it reads tau dT/dt too little while the furnace heats, so the strand runs ahead;
- the controller's overshoot at the end of a heating ramp, which fades over the settling time.

All four are added up: the hottest strand has all of them against it at once, and so has the coldest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case
from bronzeward.inputs.schedule import HOTTEST_C, Schedule
from bronzeward.materials.phases import LIQUID, SOLID_TIN
from bronzeward.model.batch import answers_dataset
from bronzeward.model.provenance import provenance
from bronzeward.model.result import without_fill
from bronzeward.studies.uncertainty import run_members
from bronzeward.thermo import load_table
from bronzeward.units import HOUR, ZERO_CELSIUS

if TYPE_CHECKING:
    import xarray as xr

#: Class: (least deviation [K], share of the temperature in C, highest temperature [C]).
CLASSES: dict[int, tuple[float, float, float]] = {1: (1.5, 0.004, 1000.0), 2: (2.5, 0.0075, 1200.0)}
TYPES = ("K", "N")
COLDEST_SENSOR_C = -40.0

STRANDS = ("as programmed", "hottest", "coldest")

#: Reactions a hold must keep away from, by the phases that take part.
REACTIONS: dict[str, frozenset[str]] = {
    "eutectic": frozenset((LIQUID, "eta", SOLID_TIN)),
    "peritectic": frozenset((LIQUID, "eta", "epsilon")),
}


@dataclass(frozen=True)
class Furnace:
    """What separates a strand from the programme.

    Attributes
    ----------
    sensor_class : int
        1 or 2 of IEC 60584-1:2013; 0 for a sensor taken as exact.
    sensor_type : str
        "K" or "N"; both have the same tolerance.
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
        if self.sensor_class not in (0, *CLASSES) or isinstance(self.sensor_class, bool):
            raise InputError(f"margins: sensor class is {self.sensor_class!r}; allowed: 0, 1, 2")
        if self.sensor_type not in TYPES:
            raise InputError(f"margins: sensor type is {self.sensor_type!r}; allowed: {', '.join(TYPES)}")
        for name, most in (("homogeneity", 50.0), ("overshoot", 50.0), ("settling", 86400.0), ("lag", HOUR)):
            value = getattr(self, name)
            if not isfinite(value) or not 0.0 <= value <= most:
                raise InputError(f"margins: {name} is {value!r}; allowed are 0 to {most:g}")

    def tolerance(self, kelvin: Any) -> NDArray[np.float64]:
        """Tolerance of the thermocouple [K] at `kelvin` [K], any shape."""
        celsius = np.asarray(kelvin, dtype=float) - ZERO_CELSIUS
        if self.sensor_class == 0:
            return np.zeros_like(celsius)
        least, share, highest = CLASSES[self.sensor_class]
        if celsius.size and (celsius.min() < COLDEST_SENSOR_C or celsius.max() > highest + 1e-6):
            raise InputError(
                f"margins: class {self.sensor_class} holds from {COLDEST_SENSOR_C:g} to {highest:g} °C; "
                f"asked for {celsius.min():g} to {celsius.max():g} °C"
            )
        return np.maximum(least, share * np.abs(celsius))


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
    found: list[Hold] = []
    legs = _legs(schedule)
    for k, leg in enumerate(legs):
        if leg.slope == 0.0:
            approach = legs[k - 1].slope if k else 0.0
            found.append(Hold(len(found) + 1, leg.low, leg.start, leg.end - leg.start, approach))
    return found


def hottest_of(kelvin: float, furnace: Furnace, approach: float = 0.0) -> float:
    """Highest temperature [K] that any strand meets at a hold of `kelvin` reached at `approach` [K/s]."""
    rise = max(approach, 0.0) * furnace.lag + (furnace.overshoot if approach > 0.0 else 0.0)
    top = kelvin + rise
    return float(top + furnace.tolerance(top) + furnace.homogeneity)


def coldest_of(kelvin: float, furnace: Furnace) -> float:
    """Lowest temperature [K] that any strand has for the whole of a hold at `kelvin`."""
    return float(kelvin - furnace.tolerance(kelvin) - furnace.homogeneity)


def highest_safe(limit: float, furnace: Furnace, approach: float = 0.0) -> float:
    """Highest set-point [K] whose hottest strand stays at or below `limit` [K]."""
    low, high = ZERO_CELSIUS, limit
    if hottest_of(low, furnace, approach) > limit:
        return float("nan")
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if hottest_of(middle, furnace, approach) <= limit else (low, middle)
    return low


def lowest_safe(limit: float, furnace: Furnace) -> float:
    """Lowest set-point [K] whose coldest strand stays at or above `limit` [K]."""
    low, high = limit, limit + 200.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if coldest_of(middle, furnace) >= limit else (middle, high)
    return high


def reactions(description: str) -> dict[str, float]:
    """Temperatures [K] of the reactions in `REACTIONS`."""
    found: dict[str, float] = {}
    for own in load_table(description).invariants:
        phases = frozenset("eta" if label == "eta_prime" else label for label in own.phases)
        found |= {name: own.temperature for name, wanted in REACTIONS.items() if phases == wanted}
    return found


def margins(case: Case, furnace: Furnace | None = None, workers: int = 2, precision: str = "quick") -> xr.Dataset:
    """Hottest and coldest strand of a furnace load, their answers, and the room each hold has.

    Returns
    -------
    xarray.Dataset
        SI units. Every answer of `answers.ANSWERS` over (strand): as programmed, hottest, coldest.
        Over (hold): hold_temperature, hold_hottest, hold_coldest [K], hold_hours [h]. Over (hold, reaction):
        touches (1 where the strands of the load lie at both sides of it), highest_safe [K] (set-point up
        to which all strands stay below) and lowest_safe [K] (from which all stay above). Over (reaction):
        reaction_temperature. Over (strand, knot): knot_time [s] and knot_temperature [K], nan-padded.
    """
    furnace = furnace or Furnace()
    plans = [case.schedule, *(extreme_schedule(case.schedule, furnace, hot) for hot in (True, False))]
    cases = [replace(case, schedule=plan) for plan in plans]
    data = answers_dataset(run_members(cases, workers, None, precision), {"strand": list(STRANDS)}, provenance(case))
    found, known = holds(case.schedule), reactions(case.description)
    hot = np.array([hottest_of(hold.kelvin, furnace, hold.approach) for hold in found])
    cold = np.array([coldest_of(hold.kelvin, furnace) for hold in found])
    limits = np.array(list(known.values()))
    columns: dict[str, Any] = {
        "hold_temperature": ("hold", [hold.kelvin for hold in found], _kelvin("set-point")),
        "hold_hottest": ("hold", hot, _kelvin("hottest strand")),
        "hold_coldest": ("hold", cold, _kelvin("coldest strand")),
        "hold_hours": ("hold", [hold.seconds / HOUR for hold in found], {"units": "h", "long_name": "length"}),
        "reaction_temperature": ("reaction", limits, _kelvin("temperature of the reaction")),
        "touches": (
            ("hold", "reaction"),
            ((cold[:, None] <= limits) & (hot[:, None] >= limits)).astype(np.int8),
            {"long_name": "1 where the load lies at both sides of the reaction"},
        ),
        "highest_safe": (
            ("hold", "reaction"),
            np.reshape([highest_safe(t, furnace, hold.approach) for hold in found for t in limits], (-1, len(limits))),
            _kelvin("highest set-point below the reaction"),
        ),
        "lowest_safe": (
            ("reaction",), [lowest_safe(t, furnace) for t in limits], _kelvin("lowest set-point above the reaction")
        ),
    }  # fmt: skip
    longest = max(plan.time.size for plan in plans)
    for name, rows, about in (
        ("knot_time", [plan.time for plan in plans], {"units": "s", "long_name": "time"}),
        ("knot_temperature", [plan.temperature for plan in plans], _kelvin("temperature of the strand")),
    ):
        padded = [np.pad(row, (0, longest - row.size), constant_values=np.nan) for row in rows]
        columns[name] = (("strand", "knot"), np.array(padded), about)
    attributes = {f"furnace_{key}": value for key, value in vars(furnace).items()}
    coordinates = {
        "hold": (("hold",), [hold.number for hold in found], {"long_name": "number of the hold"}),
        "reaction": (("reaction",), list(known), {"long_name": "reaction a hold must keep away from"}),
    }
    made = data.assign(columns).assign_coords(coordinates)
    return without_fill(made.assign_attrs(title=case.title or "furnace margins", **attributes))


def _kelvin(text: str) -> dict[str, str]:
    return {"units": "K", "long_name": text}
