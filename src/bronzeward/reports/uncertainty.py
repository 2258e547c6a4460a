"""Bands of all answers as a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.model.answer_text import checked_answer, number, shown, spread_shown, table, title, unit
from bronzeward.model.answers import NUMBERS

if TYPE_CHECKING:
    import xarray as xr


def band_table(data: xr.Dataset, answers: Sequence[str] | None = None) -> str:
    """The bands as a table of at most 80 columns."""
    rows = []
    for name in answers or NUMBERS:
        checked_answer(name)
        low, middle, high = shown(name, data[name])
        error = float(np.max(spread_shown(name, data[f"{name}_error"])))
        texts = [number(float(v)) for v in (low, middle, high)]
        rows.append([title(name), *texts, number(error), unit(name), _main_source(data, name)])
    head = [f"{data.sizes['member']} members", "5 %", "median", "95 %", "+-", "", "mostly from"]
    return table(head, rows)


def _main_source(data: xr.Dataset, name: str) -> str:
    shares = np.asarray(data[f"{name}_share"])
    if not shares.size or not np.isfinite(shares).any():
        return "-"
    k = int(np.nanargmax(shares))
    return f"{data['source'].values[k]} {100 * shares[k]:.0f}%"
