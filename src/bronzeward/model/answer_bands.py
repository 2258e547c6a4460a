"""Bands of answers that a result carries when it comes from an ensemble.

Its attribute `bands` holds, as JSON, [5 %, median, 95 %] by the keys of `model.answers`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from math import isfinite

from bronzeward.errors import InputError
from bronzeward.model.result import Source, as_result


def bands_of(run: Source) -> dict[str, tuple[float, float, float]]:
    """5 %, median and 95 % of every answer that the result has them for, SI units."""
    stored = as_result(run).attributes.get("bands", "{}")
    try:
        bands = json.loads(stored)
        return {key: (float(low), float(middle), float(high)) for key, (low, middle, high) in bands.items()}
    except (ValueError, TypeError, AttributeError):
        raise InputError("result: its attribute 'bands' is not JSON with three numbers for each answer") from None


NOT_VARIED = "what else is uncertain, and what the model itself may have otherwise (`bronzeward doubts`)"


def caveat_of(run: Source) -> str:
    """What the bands of a result hold and leave out, in a sentence or two."""
    stored = json.loads(str(as_result(run).attributes.get("bands_of", "{}")))
    return str(stored.get("caveat") or f"Growth constants varied. They leave out {NOT_VARIED}.")


def caveats_of(runs: Iterable[Source]) -> list[str]:
    """What the bands of several results hold and leave out, each said once; nothing where none has bands."""
    return list(dict.fromkeys(caveat_of(run) for run in runs if bands_of(run)))


def differs(one: Source, other: Source, key: str) -> bool:
    """Whether the bands of an answer do not meet; False where either result has none."""
    first, second = bands_of(one).get(key), bands_of(other).get(key)
    if first is None or second is None or not all(map(isfinite, (*first, *second))):
        return False
    return first[2] < second[0] or second[2] < first[0]
