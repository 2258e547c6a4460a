"""Limits held against a run and its band: a sign that can be told without its colour, and what it says."""

from __future__ import annotations

from math import isfinite
from typing import NamedTuple

import numpy as np

from bronzeward.model.answers import ANSWERS
from bronzeward.studies.optimise.limits import Limit

KEPT, AT_RISK, BROKEN = "✔ kept", "▲ at risk", "✖ BROKEN"


class Sign(NamedTuple):
    """One of `KEPT`, `AT_RISK` and `BROKEN`, the limit, and why."""

    sign: str
    limit: str
    reason: str


def sign(limit: Limit, value: float, band: tuple[float, float, float] | None) -> Sign:
    """The sign of a limit for the value of this run and its 5, 50 and 95 % quantiles, SI units.

    A limit is at risk where this run keeps it and the band's end on its side does not.
    """
    answer = ANSWERS[limit.answer]
    symbol = "≤" if limit.kind == "<=" else "≥"
    words = f"{answer.title} {symbol} {answer.words(limit.value)}"
    if not isfinite(value):
        return Sign(KEPT, words, "there is no such moment")
    this_run = f"this run: {answer.words(value)}"
    if _beyond(limit, value):
        return Sign(BROKEN, words, this_run)
    if band is None:
        return Sign(KEPT, words, f"{this_run}; its band is being computed")
    end = band[2] if limit.kind == "<=" else band[0]
    reach = f"{this_run}; one in twenty runs is {'above' if limit.kind == '<=' else 'below'} {answer.words(end)}"
    return Sign(AT_RISK if _beyond(limit, end) else KEPT, words, reach)


def _beyond(limit: Limit, value: float) -> bool:
    return bool(limit.excess(np.array([value]))[0] > 0.0)
