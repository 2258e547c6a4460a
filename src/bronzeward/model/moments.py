"""Moments of a run given in words, and the part of a run between two of them."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from bronzeward.errors import InputError
from bronzeward.model.events import events
from bronzeward.model.result import Result
from bronzeward.units import HOUR, ZERO_CELSIUS

LANDMARKS = {
    "start": "start",
    "end": "end",
    "last": "end",
    "first liquid": "first liquid",
    "first melt": "first liquid",
    "peak liquid": "peak liquid",
    "most liquid": "peak liquid",
    "liquid gone": "liquid gone",
    "last liquid": "liquid gone",
}
"""Moments that every run may have, by the words for them."""

QUANTITY = re.compile(r"([-+]?\d*[.,]?\d+)\s*(s|min|h|d|°?c|k)")
"""A time or a temperature, in small letters."""

_SECONDS = {"s": 1.0, "min": 60.0, "h": HOUR, "d": 24.0 * HOUR}


def find_moment(result: Result, text: str) -> int:
    """Row along time of a moment given in words.

    Understood are "start", "end", "first liquid", "peak liquid", "liquid gone", a time as "12.5h" (also
    s, min, d), a temperature as "400C" or "673K" (the first time the run comes to it), and the name of an
    event as the result lists it, such as "delta appears"; the state is then the first one after the event,
    or with "before " in front the last one before it. A number after an event, as in "epsilon used up 2",
    asks for the second of that name. Of a time or temperature the nearest stored state is given;
    `asked_moments.with_states_at` computes the state itself.

    Raises
    ------
    InputError
        When the text means nothing, or the run has no such moment.
    """
    words = " ".join(str(text).split())
    plain = words.casefold()
    if plain in LANDMARKS:
        return _landmark(result, LANDMARKS[plain])
    seconds = seconds_of(result, words)
    return _at_event(result, words) if seconds is None else int(np.argmin(np.abs(result["time"] - seconds)))


def seconds_of(result: Result, text: str) -> float | None:
    """The time [s] meant by a time or by a temperature, which is first come to then; None for other words.

    Raises
    ------
    InputError
        When it lies outside the run.
    """
    words = " ".join(str(text).split())
    quantity = QUANTITY.fullmatch(words.casefold())
    if quantity is None:
        return None
    value, unit = float(quantity[1].replace(",", ".")), quantity[2].lstrip("°")
    if unit in _SECONDS:
        return _time(result, value * _SECONDS[unit], words)
    return _time_of_temperature(result, value if unit == "k" else value + ZERO_CELSIUS)


def _landmark(result: Result, landmark: str) -> int:
    liquid = result["liquid_mole_fraction"]
    if landmark == "start":
        return 0
    if landmark == "end":
        return len(liquid) - 1
    rows = np.flatnonzero(liquid > 0)
    if not rows.size:
        raise InputError(f"moment: there is no '{landmark}', tin never melts in this run")
    if landmark == "peak liquid":
        return int(np.argmax(liquid))
    if landmark == "first liquid":
        return int(rows[0])
    if rows[-1] + 1 >= len(liquid):
        raise InputError("moment: there is no 'liquid gone', liquid is left at the end of this run")
    return int(rows[-1]) + 1


def _time(result: Result, seconds: float, words: str) -> float:
    time = result["time"]
    if not time[0] <= seconds <= time[-1] + 1.0:
        raise InputError(f"moment: {words} lies outside the run, which takes {time[-1] / HOUR:.4g} h")
    return min(seconds, float(time[-1]))


def _time_of_temperature(result: Result, wanted: float) -> float:
    """Time [s] at which the run first comes to a temperature [K], straight between stored states as schedules are."""
    kelvin, time = result["temperature"], result["time"]
    if not kelvin.min() - 1e-6 <= wanted <= kelvin.max() + 1e-6:
        low, high = kelvin.min() - ZERO_CELSIUS, kelvin.max() - ZERO_CELSIUS
        raise InputError(
            f"moment: {wanted - ZERO_CELSIUS:.4g} °C is never reached; the run goes from {low:.4g} to {high:.4g} °C"
        )
    side = np.sign(kelvin - wanted)
    crossed = np.flatnonzero((np.abs(kelvin - wanted) < 1e-6) | (side != side[0]))
    k = int(crossed[0]) if crossed.size else 0
    if k == 0 or abs(kelvin[k] - wanted) < 1e-6:
        return float(time[k])
    share = (wanted - kelvin[k - 1]) / (kelvin[k] - kelvin[k - 1])
    return float(time[k - 1] + share * (time[k] - time[k - 1]))


def _at_event(result: Result, words: str) -> int:
    parts = re.fullmatch(r"(before )?(.*?)(?: (\d+))?", words.casefold())
    assert parts is not None
    name, number = parts[2], int(parts[3] or 1)
    known = events(result)
    same = [event for event in known if name in (event.name.casefold(), event.words.casefold())]
    if 1 <= number <= len(same):
        return max(same[number - 1].row - bool(parts[1]), 0)
    if same:
        raise InputError(f"moment: '{name}' happens {len(same)} times in this run, there is no number {number}")
    listed = "; ".join(dict.fromkeys(event.name for event in known))
    raise InputError(
        f"moment: '{words}' is not understood; give a time (12.5h), a temperature (400C), start, end, first liquid, "
        f"peak liquid, liquid gone, or an event of this run: {listed}"
    )


def between(result: Result, start: float, end: float) -> Result:
    """The part of a result from one time to another [h].

    Raises
    ------
    InputError
        When fewer than two states lie there.
    """
    hours, event_hours = result["time"] / HOUR, result["event_time"] / HOUR
    rows = (hours >= start) & (hours <= end)
    if not start < end or rows.sum() < 2:
        raise InputError(f"window is {start:g} to {end:g} h; it must hold a part of the run, 0 to {hours[-1]:g} h")
    kept = {"time": rows, "event": (event_hours >= start) & (event_hours <= end)}
    variables = dict(result.variables)
    for name, variable in variables.items():
        dim = "".join(variable.dims[:1])
        if dim in kept:
            variables[name] = replace(variable, values=variable.values[kept[dim]])
    row = variables["event_row"]
    variables["event_row"] = replace(row, values=row.values - int(np.argmax(rows)))
    return Result(variables, result.attributes)
