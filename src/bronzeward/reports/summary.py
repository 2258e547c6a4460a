"""A run in plain sentences, and the same as data for other tools."""

from __future__ import annotations

from math import isfinite
from typing import Any

import numpy as np

from bronzeward.model import answers as _answers
from bronzeward.model.answers import NUMBERS
from bronzeward.model.result import names
from bronzeward.units import HOUR, ZERO_CELSIUS

SCHEMA = "bronzeward/summary/1"


def answers(result: Any) -> dict[str, Any]:
    """The answers of a run with the keys of `bronzeward run --json`; None where there is no such moment."""
    n = _answers.numbers(result)
    return {
        "schema": SCHEMA,
        "status": str(result.attributes["status"]),
        "first_liquid": _moment(n["first_liquid_time"], n["first_liquid_temperature"]),
        "shell_at_first_liquid_m": _number(n["shell_at_first_liquid"]),
        "tin_left_at_first_liquid": _number(n["tin_left_at_first_liquid"]),
        "overfill_at_first_liquid": _number(n["overfill_at_first_liquid"]),
        "first_overfill_temperature_K": _number(n["first_overfill_temperature"]),
        "first_overfill_temperature_C": _celsius(n["first_overfill_temperature"]),
        "overfill_peak": _number(n["overfill_peak"]),
        "peak_liquid": {
            "mole_fraction": n["peak_liquid"],
            "tin_fraction": n["peak_liquid_tin"],
            "time_h": _hours(n["peak_liquid_time"]),
        },
        "liquid_gone": _gone(result, n),
        "eta_at_peritectic": _eta(result, n),
        "liquid_returned": n["liquid_returned"],
        "shell_at_end_m": n["shell_at_end"],
        "tin_used_at_end": n["tin_used_at_end"],
        "total_hours": n["total_time"] / HOUR,
        "events": events(result),
        "warnings": [line for line in str(result.attributes["warnings"]).splitlines() if line],
    }


def events(result: Any) -> list[dict[str, Any]]:
    """Events in order, with time and temperature."""
    rows = zip(names(result, "event_name"), result["event_time"], result["event_temperature"], strict=True)
    return [{"event": name, **(_moment(float(t), float(kelvin)) or {})} for name, t, kelvin in rows]


def sentences(found: dict[str, Any]) -> list[str]:
    """The answers in words."""
    lines: list[str] = []
    if found["status"] != "completed":
        lines.append(f"The run did not complete: {found['status']}.")
    first = found["first_liquid"]
    if first is None:
        lines.append("Tin never melts in this schedule.")
    else:
        lines.append(f"Tin first melts after {first['time_h']:.2f} h, at {first['temperature_C']:.1f} °C.")
        lines.append(
            f"The solid shell is then {found['shell_at_first_liquid_m'] * 1e6:.2f} µm thick and "
            f"{100 * found['tin_left_at_first_liquid']:.0f} % of the tin is still in the core."
        )
        lines.append(_overfill_sentence(found))
        peak = found["peak_liquid"]
        lines.append(
            f"Liquid peaks at {100 * peak['mole_fraction']:.1f} % of all atoms, "
            f"{100 * peak['tin_fraction']:.0f} % of the tin, after {peak['time_h']:.2f} h."
        )
        gone = found["liquid_gone"]
        lines.append(
            "There is still liquid at the end."
            if gone is None
            else f"The last liquid is gone after {gone['time_h']:.2f} h, at {gone['temperature_C']:.1f} °C."
        )
    lines.append(_eta_sentence(found))
    lines.append(f"The whole schedule takes {found['total_hours']:.1f} h.")
    return lines


def _overfill_sentence(found: dict[str, Any]) -> str:
    after = found["overfill_at_first_liquid"]
    state = (
        f"Just after melting the contents exceed their cavity by {100 * after:.1f} % of the core volume"
        if after > 0
        else f"Just after melting {-100 * after:.1f} % of the core volume is void"
    )
    start = found["first_overfill_temperature_C"]
    if start is None:
        return f"{state}; at no time is there too little room."
    peak = found["overfill_peak"]
    return f"{state}; room first runs out at {start:.0f} °C and is short by {100 * peak:.2f} % at most."


def _eta_sentence(found: dict[str, Any]) -> str:
    left = found["eta_at_peritectic"]
    if left is None:
        return "The schedule stays below the temperature where η melts."
    if left == 0.0:
        return "No η is left where it would melt."
    return (
        f"{100 * left:.1f} % of the tin is still in η where it melts; "
        f"{100 * found['liquid_returned']:.1f} % of the tin is liquid again."
    )


def _eta(result: Any, n: dict[str, float]) -> float | None:
    """Share of tin in eta at the peritectic: 0 when the run gets there without eta, None when it never does."""
    if isfinite(n["eta_at_peritectic"]):
        return n["eta_at_peritectic"]
    passed = bool(np.asarray(result["temperature"]).max() > float(result.attributes["eta_limit_K"]))
    return 0.0 if passed else None


def _gone(result: Any, n: dict[str, float]) -> dict[str, float] | None:
    moment = n["liquid_gone_time"]
    if not isfinite(moment):
        return None
    return _moment(moment, float(np.interp(moment, result["time"], result["temperature"])))


def _moment(time: float, kelvin: float) -> dict[str, float] | None:
    if not isfinite(time):
        return None
    return {"time_s": time, "time_h": time / HOUR, "temperature_K": kelvin, "temperature_C": kelvin - ZERO_CELSIUS}


def _number(value: float) -> float | None:
    return value if isfinite(value) else None


def _celsius(value: float) -> float | None:
    return value - ZERO_CELSIUS if isfinite(value) else None


def _hours(value: float) -> float | None:
    return value / HOUR if isfinite(value) else None


__all__ = ["NUMBERS", "answers", "events", "sentences"]
