"""Bands of all answers as a table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.model.answers import ANSWERS, answer_of
from bronzeward.model.dataset_file import as_dataset
from bronzeward.reports.text_table import number, table

if TYPE_CHECKING:
    import xarray as xr

MEANING = (
    "5 %, 95 %: so many members lie below. +-: largest standard error of the three.",
    "Mostly from: what moves the answer most, and its share of the variance.",
)


def band_table(data: xr.Dataset | str | Path, answers: Sequence[str] | None = None) -> str:
    """The bands as a table of at most 80 columns, and what its columns mean."""
    data = as_dataset(data)
    rows = []
    for key in answers or ANSWERS:
        answer = answer_of(key)
        quantiles = [answer.number(float(value)) for value in data[key]]
        error = number(float(np.max(answer.shown_difference(data[f"{key}_error"]))), answer.digits)
        rows.append([answer.title, *quantiles, error, answer.shown_unit, _main_source(data, key)])
    head = [f"{data.sizes['member']} members", "5 %", "median", "95 %", "+-", "", "mostly from"]
    return "\n".join([table(head, rows), "", *MEANING, fill(str(data.attrs["caveat"]), 80)])


def _main_source(data: xr.Dataset, name: str) -> str:
    shares = np.asarray(data[f"{name}_share"])
    if not shares.size or not np.isfinite(shares).any():
        return "-"
    k = int(np.nanargmax(shares))
    return f"{data['source'].values[k]} {100 * shares[k]:.0f}%"
