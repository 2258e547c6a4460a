"""A run in plain sentences, and the same as data for other tools."""

from __future__ import annotations

import json
from math import isfinite
from typing import Any

import numpy as np

from bronzeward.model.answer_bands import bands_of, caveat_of
from bronzeward.model.answers import ANSWERS, Answer, numbers
from bronzeward.model.course import Course
from bronzeward.model.result import Result, Source, as_result, names
from bronzeward.units import HOUR, ZERO_CELSIUS

SCHEMA = "bronzeward/summary/1"


def answers(source: Source) -> dict[str, Any]:
    """The answers of a run with the keys of `bronzeward run --json`; None where there is no such moment."""
    result = as_result(source)
    n = numbers(result)
    return {
        "schema": SCHEMA,
        "status": str(result.attributes["status"]),
        "first_liquid": _moment(n["first_liquid_time"], n["first_liquid_temperature"]),
        "shell_at_first_liquid_m": _number(n["shell_at_first_liquid"]),
        "tin_left_at_first_liquid": _number(n["tin_left_at_first_liquid"]),
        "overfill_at_first_liquid": _number(n["overfill_at_first_liquid"]),
        "bore_overfill_at_first_liquid": _number(n["bore_overfill_at_first_liquid"]),
        "first_overfill_temperature_K": _number(n["first_overfill_temperature"]),
        "first_overfill_temperature_C": _number(n["first_overfill_temperature"] - ZERO_CELSIUS),
        "overfill_peak": _number(n["overfill_peak"]),
        "peak_liquid": {
            "mole_fraction": n["peak_liquid"],
            "tin_fraction": n["peak_liquid_tin"],
            "time_h": _number(n["peak_liquid_time"] / HOUR),
        },
        "liquid_gone": _moment(n["liquid_gone_time"], _kelvin_at(result, n["liquid_gone_time"])),
        "eta_at_peritectic": _number(n["eta_at_peritectic"]),
        "liquid_above_peritectic": _number(n["liquid_above_peritectic"]),
        "copper_left_with_liquid_m": _number(n["copper_left_with_liquid"]),
        "copper_least": None
        if not isfinite(n["copper_left_time"])
        else {
            **(_moment(n["copper_left_time"], n["copper_left_temperature"]) or {}),
            "liquid_tin_fraction": n["copper_left_liquid"],
        },
        "shell_at_end_m": n["shell_at_end"],
        "tin_used_at_end": n["tin_used_at_end"],
        "total_hours": n["total_time"] / HOUR,
        "bands": (bands := {key: list(map(_number, band)) for key, band in bands_of(result).items()}),
        "bands_leave_out": caveat_of(result) if bands else None,
        "doubts": json.loads(str(result.attributes.get("doubts", "null"))),
        "events": events(result),
        "warnings": [line for line in str(result.attributes["warnings"]).splitlines() if line],
    }


def events(source: Source) -> list[dict[str, Any]]:
    """Events in order, with time and temperature."""
    result = as_result(source)
    rows = zip(names(result, "event_name"), result["event_time"], result["event_temperature"], strict=True)
    return [{"event": name, **(_moment(float(t), float(kelvin)) or {})} for name, t, kelvin in rows]


def sentences(source: Source) -> list[str]:
    """The answers of a run in words, each with its 5 to 95 % band in brackets where the result has one."""
    result = as_result(source)
    n, bands = numbers(result), bands_of(result)
    word = {key: answer.words(n[key]) + _brackets(answer, bands.get(key)) for key, answer in ANSWERS.items()}
    status = str(result.attributes["status"])
    lines = [] if status == "completed" else [f"The run did not complete: {status}."]
    if not isfinite(n["first_liquid_time"]):
        lines.append("Tin never melts in this schedule.")
    else:
        lines += [
            f"Tin first melts after {word['first_liquid_time']}, at {word['first_liquid_temperature']}.",
            f"The solid shell is then {word['shell_at_first_liquid']} thick and "
            f"{word['tin_left_at_first_liquid']} of the tin is still in the core.",
            *_room_sentences(n, word, bands.get("overfill_at_first_liquid")),
            f"Liquid peaks at {word['peak_liquid']} of all atoms, {word['peak_liquid_tin']} of the tin, "
            f"after {word['peak_liquid_time']}.",
            _gone_sentence(result, n, word),
            _copper_sentence(n, word),
        ]
    return [*lines, _eta_sentence(result, n, word), f"The whole schedule takes {word['total_time']}."]


def band_lines(source: Source) -> list[str]:
    """Each answer that the result has a band for, with it, and what the band leaves out; nothing without bands."""
    result = as_result(source)
    n, bands = numbers(result), bands_of(result)
    lines = [
        f"  {answer.title}: {answer.words(n[key])}; {answer.number(bands[key][0])} to {answer.words(bands[key][2])}"
        for key, answer in ANSWERS.items()
        if key in bands and bands[key][0] < bands[key][2]
    ]
    if not lines:
        return []
    first = "In brackets above, and here beside this run: 5 to 95 % of runs with varied inputs."
    return [first, *lines, caveat_of(result)]


Band = tuple[float, float, float]


def _brackets(answer: Answer, band: Band | None, sign: float = 1.0) -> str:
    """A band in brackets, nothing where there is none or where it is a point."""
    if band is None or not band[0] < band[2]:
        return ""
    low, high = sorted((sign * band[0], sign * band[2]))
    return f" ({answer.number(low)} to {answer.number(high)})"


def _bracketed(word: str) -> str:
    """The band alone of a number with its band."""
    return "".join(word.partition(" (")[1:])


def _room_sentences(n: dict[str, float], word: dict[str, str], band: Band | None) -> list[str]:
    """Room when tin melts, both ways; a shortage that elastic strain takes up is not told."""
    after, bore = n["overfill_at_first_liquid"], n["bore_overfill_at_first_liquid"]
    answer = ANSWERS["overfill_at_first_liquid"]
    share = answer.words(abs(after)) + _brackets(answer, band, 1.0 if after > 0.0 else -1.0)
    state = (
        f"Just after melting the contents exceed their cavity by {share} of the core volume"
        if after > 0
        else f"Just after melting {share} of the core volume is void, if voids anywhere inside the barrier help"
    )
    lines = [f"{state}."]
    if isfinite(bore):
        lines.append(
            f"The liquid needs {word['bore_overfill_at_first_liquid']} of the core volume more than the solid it "
            "came from: so much is missing inside the shell if all voids lie outside it."
        )
    if isfinite(n["first_overfill_temperature"]):
        lines.append(
            f"Room runs out at {word['first_overfill_temperature']} and is short by {word['overfill_peak']} at most, "
            "voids anywhere counted."
        )
    return lines


def _gone_sentence(result: Result, n: dict[str, float], word: dict[str, str]) -> str:
    if not isfinite(n["liquid_gone_time"]):
        return "There is still liquid at the end."
    row = int(np.searchsorted(result["time"], n["liquid_gone_time"]))
    frozen = ("tin freezes", row) in zip(names(result, "event_name"), result["event_row"].astype(int), strict=True)
    kelvin = _kelvin_at(result, n["liquid_gone_time"])
    what = "still left freezes" if frozen else "is gone"
    return f"The last liquid {what} after {word['liquid_gone_time']}, at {kelvin - ZERO_CELSIUS:.1f} °C."


def _copper_sentence(n: dict[str, float], word: dict[str, str]) -> str:
    liquid = (
        f"with {word['copper_left_liquid']} of the tin liquid"
        if n["copper_left_liquid"] > 0.0
        else "when the last of it goes"
    )
    moment = f"after {word['copper_left_time']}, at {word['copper_left_temperature']}, {liquid}"
    if n["copper_left_with_liquid"] == 0.0:
        left = _bracketed(word["copper_left_with_liquid"]).replace(")", " µm left)")
        return f"While there is liquid, compound or liquid reaches the barrier{left}: {moment}."
    return f"While there is liquid, at least {word['copper_left_with_liquid']} of copper is left outside it: {moment}."


def _eta_sentence(result: Result, n: dict[str, float], word: dict[str, str]) -> str:
    if not isfinite(n["liquid_above_peritectic"]):
        return "The schedule stays below the temperature where η melts."
    liquid = f"{word['liquid_above_peritectic']} of the tin is liquid just above that"
    if n["eta_at_peritectic"] == 0.0:
        left = _bracketed(word["eta_at_peritectic"]).replace(")", " % of the tin)")
        return f"No η is left where it would melt{left}; {liquid}."
    row = max(int(Course(result).eta_split_row[0]), 1)
    again = "again " if result["liquid_tin_fraction"][row - 1] == 0.0 and isfinite(n["first_liquid_time"]) else ""
    return f"{word['eta_at_peritectic']} of the tin is still in η where it melts; {again}{liquid}."


def _kelvin_at(result: Result, seconds: float) -> float:
    return float(np.interp(seconds, result["time"], result["temperature"])) if isfinite(seconds) else seconds


def _moment(seconds: float, kelvin: float) -> dict[str, float] | None:
    if not isfinite(seconds):
        return None
    hours, celsius = seconds / HOUR, kelvin - ZERO_CELSIUS
    return {"time_s": seconds, "time_h": hours, "temperature_K": kelvin, "temperature_C": celsius}


def _number(value: float) -> float | None:
    return value if isfinite(value) else None
