"""Bands of all answers as a table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.model.answers import ANSWERS, answer_of
from bronzeward.model.dataset_file import as_columns
from bronzeward.reports.text_table import number, table

if TYPE_CHECKING:
    import xarray as xr

    from bronzeward.model.result import Result

MEANING = (
    "5 %, 95 %: so many members lie below. +-: largest standard error of the three.",
    "Mostly from: what moves the answer most, and its share of the variance.",
)


def band_table(data: Result | xr.Dataset | str | Path, answers: Sequence[str] | None = None) -> str:
    """The bands as a table of at most 80 columns, and what its columns mean."""
    data = as_columns(data)
    rows = []
    for key in answers or ANSWERS:
        answer = answer_of(key)
        quantiles = [answer.number(float(value)) for value in data[key]]
        error = number(float(np.max(answer.shown_difference(data[f"{key}_error"]))), answer.digits)
        rows.append([answer.title, *quantiles, error, answer.shown_unit, _main_source(data, key)])
    head = [f"{data['member'].size} members", "5 %", "median", "95 %", "+-", "", "mostly from"]
    return "\n".join([table(head, rows), "", *MEANING, fill(str(data.attributes["caveat"]), 80)])


def _main_source(data: Result, name: str) -> str:
    shares = data[f"{name}_share"]
    if not shares.size or not np.isfinite(shares).any():
        return "-"
    k = int(np.nanargmax(shares))
    return f"{data['source'][k]} {100 * shares[k]:.0f}%"
