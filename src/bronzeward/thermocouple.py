"""Reading a measured temperature log: CSV with units in its header."""

from __future__ import annotations

import csv
import re
from math import isfinite
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError

_TIME_UNITS = {"s": 1.0, "sec": 1.0, "min": 60.0, "h": 3600.0, "hr": 3600.0, "hours": 3600.0}
_TEMPERATURE_UNITS = {"c": (1.0, 273.15), "k": (1.0, 0.0), "f": (5.0 / 9.0, 459.67 * 5.0 / 9.0)}

GAP_FACTOR = 20.0
"""A step this many times longer than the middle one counts as a gap."""


def read_log(path: Path, longest_gap: float | None = None) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times [s] and temperatures [K] of a log, each shape (n,).

    The header names one time column (unit s, min or h) and one temperature column (unit C, K or F),
    as in `time_h,temperature_C` or `Time (min);T [°C]`. A step longer than `longest_gap` [s], by
    default 20 times the middle step, is an error: nobody knows what the furnace did meanwhile.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error})") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: not a UTF-8 text file") from None
    lines = [(k, line) for k, line in enumerate(text.splitlines(), start=1) if line.strip()]
    if len(lines) < 3:
        raise InputError(f"{path}: needs a header and at least two rows")
    header = lines[0][1]
    separator = max(";\t,", key=header.count)
    names = [name.strip() for name in next(csv.reader([header], delimiter=separator))]
    time_column, seconds = _find_time(names, path)
    column, (scale, shift) = _find_temperature(names, path)
    time, temperature = [], []
    for number, line in lines[1:]:
        cells = next(csv.reader([line], delimiter=separator))
        time.append(_cell(cells, time_column, number, path, separator) * seconds)
        temperature.append(_cell(cells, column, number, path, separator) * scale + shift)
    t = np.array(time)
    _check_times(t, [number for number, _ in lines[1:]], longest_gap, path)
    return t - t[0], np.array(temperature)


def _unit(name: str) -> str:
    """The unit at the end of a column name: after _, or in brackets."""
    found = re.search(r"(?:[\[(]\s*([^\])]*?)\s*[\])]|[_ ]([^_ \[\]()]+))\s*$", name)
    return "" if found is None else (found[1] or found[2] or "").replace("°", "").replace("deg", "").strip().lower()


def _find_time(names: list[str], path: Path) -> tuple[int, float]:
    for k, name in enumerate(names):
        if name.lower().startswith(("time", "t_", "elapsed")) and _unit(name) in _TIME_UNITS:
            return k, _TIME_UNITS[_unit(name)]
    raise InputError(f"{path}: no time column with a unit (s, min or h) in the header: {', '.join(names)}")


def _find_temperature(names: list[str], path: Path) -> tuple[int, tuple[float, float]]:
    for k, name in enumerate(names):
        if not name.lower().startswith(("time", "elapsed")) and _unit(name) in _TEMPERATURE_UNITS:
            return k, _TEMPERATURE_UNITS[_unit(name)]
    raise InputError(f"{path}: no temperature column with a unit (C, K or F) in the header: {', '.join(names)}")


def _cell(cells: list[str], column: int, number: int, path: Path, separator: str) -> float:
    text = cells[column].strip() if column < len(cells) else ""
    if separator != ",":
        text = text.replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        raise InputError(f"{path}: line {number}: {text!r} is not a number; the log must not have gaps") from None
    if not isfinite(value):
        raise InputError(f"{path}: line {number}: {text} is not a finite number; the log must not have gaps")
    return value


def _check_times(t: NDArray[np.float64], numbers: list[int], longest: float | None, path: Path) -> None:
    steps = np.diff(t)
    if (steps <= 0).any():
        k = int(np.argmax(steps <= 0))
        kind = "repeats the time before it" if steps[k] == 0 else "goes back in time"
        raise InputError(f"{path}: line {numbers[k + 1]} {kind}; times must increase")
    limit = GAP_FACTOR * float(np.median(steps)) if longest is None else longest
    if (steps > limit).any() and steps.size > 2:
        k = int(np.argmax(steps > limit))
        raise InputError(
            f"{path}: a gap of {steps[k] / 3600:.3g} h before line {numbers[k + 1]}; at most {limit / 3600:.3g} h is "
            "allowed (longest_gap_h in the case file changes that)"
        )
