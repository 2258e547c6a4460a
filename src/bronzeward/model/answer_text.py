"""Answers as people read them: short titles, and SI values turned into µm, °C, hours and per cent."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.model.answers import ANSWERS, answer_of


def title(name: str) -> str:
    """Short title of an answer."""
    return ANSWERS[name].title if name in ANSWERS else name.replace("_", " ")


def unit(name: str) -> str:
    """Unit in which an answer is shown."""
    return ANSWERS[name].shown_unit


def shown(name: str, value: Any) -> NDArray[np.float64]:
    """An answer in SI units as it is shown, any shape."""
    return ANSWERS[name].shown(value)


def spread_shown(name: str, value: Any) -> NDArray[np.float64]:
    """A difference of answers in SI units as it is shown, any shape."""
    return ANSWERS[name].shown_difference(value)


def checked_answer(name: str) -> str:
    """The name of an answer, if it is one."""
    return answer_of(name).key


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
