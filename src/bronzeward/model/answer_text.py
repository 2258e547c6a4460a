"""Answers as people read them: short titles, and SI values turned into µm, °C, hours and per cent."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.model.answers import NUMBERS
from bronzeward.units import HOUR, ZERO_CELSIUS

TITLES: dict[str, str] = {
    "first_liquid_time": "first liquid after",
    "first_liquid_temperature": "first liquid at",
    "shell_at_first_liquid": "shell at first liquid",
    "tin_left_at_first_liquid": "tin left at first liquid",
    "overfill_at_first_liquid": "overfill at first liquid",
    "overfill_peak": "largest overfill",
    "first_overfill_temperature": "contents outgrow cavity at",
    "peak_liquid": "most liquid, of all atoms",
    "peak_liquid_time": "most liquid after",
    "peak_liquid_tin": "most liquid, of all tin",
    "liquid_gone_time": "liquid gone after",
    "eta_at_peritectic": "tin in η at the peritectic",
    "liquid_returned": "tin liquid again after it",
    "shell_at_end": "shell at the end",
    "tin_used_at_end": "tin used at the end",
    "total_time": "length of the schedule",
}

_EDGE: dict[str, tuple[float, float, str]] = {
    "m": (1e6, 0.0, "µm"),
    "s": (1.0 / HOUR, 0.0, "h"),
    "K": (1.0, -ZERO_CELSIUS, "°C"),
    "1": (100.0, 0.0, "%"),
}


def title(name: str) -> str:
    """Short title of an answer."""
    return TITLES.get(name, name.replace("_", " "))


def unit(name: str) -> str:
    """Unit in which an answer is shown."""
    return _EDGE[NUMBERS[name][0]][2]


def shown(name: str, value: Any) -> NDArray[np.float64]:
    """An answer in SI units as it is shown, any shape."""
    scale, shift, _ = _EDGE[NUMBERS[name][0]]
    return np.asarray(value, dtype=float) * scale + shift


def spread_shown(name: str, value: Any) -> NDArray[np.float64]:
    """A difference of answers in SI units as it is shown, any shape."""
    return np.asarray(value, dtype=float) * _EDGE[NUMBERS[name][0]][0]


def checked_answer(name: str) -> str:
    """The name of an answer, if it is one."""
    if name not in NUMBERS:
        raise InputError(f"answer '{name}' is not known; allowed: {', '.join(NUMBERS)}")
    return name


def number(value: float, places: int = 2) -> str:
    """A number for a table; a dash where there is none."""
    return "-" if not np.isfinite(value) else f"{value:.{places}f}"


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns lined up, the first to the left and the others to the right."""
    lines = [list(head), *(list(row) for row in rows)]
    widths = [max(len(line[k]) for line in lines) for k in range(len(head))]
    return "\n".join(_line(line, widths) for line in lines)


def _line(texts: Sequence[str], widths: Sequence[int]) -> str:
    first, *others = (t.rjust(w) for t, w in zip(texts, widths, strict=True))
    return "  ".join([first.strip().ljust(widths[0]), *others]).rstrip()
