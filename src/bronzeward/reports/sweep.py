"""A sweep as a table: an answer over one or two of the values that vary."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING

from bronzeward.inputs.case_values import words
from bronzeward.model.dataset_file import as_dataset
from bronzeward.reports.text_table import number, table
from bronzeward.studies.sweep_cut import Cut, cut

if TYPE_CHECKING:
    import xarray as xr

WIDEST = 80
"""Columns of text that a table takes at most; further values across come in further tables below."""


def sweep_table(data: xr.Dataset | str | Path, answer: str, at: Mapping[str, float | str] | None = None) -> str:
    """An answer as a table: one value down, the other across."""
    data = as_dataset(data)
    part = cut(data, answer, at)
    head = f"{part.answer.title} [{part.answer.shown_unit}]"
    if part.band:
        some = "" if float(data[f"{answer}_present"].min()) == 1.0 else " that have one"
        head += f", median of the {json.loads(str(data.attrs['spread']))['size']} members{some}"
    if part.values.ndim == 0:
        body = f"{head}: {number(float(part.values), part.answer.digits)}"
    else:
        body = _column(part, head) if part.values.ndim == 1 else _rectangle(part, head)
    return f"{body}\n\n{fill(part.caveat, WIDEST)}" if part.caveat else body


def _column(part: Cut, head: str) -> str:
    columns = [part.values, *(part.band or ())]
    heads = [str(part.values.dims[0]), *(("median", "5 %", "95 %") if part.band else (head,))]
    lines = zip(_labels(part.values, 0), *(column.values for column in columns), strict=True)
    rows = [[label, *(number(x, part.answer.digits) for x in line)] for label, *line in lines]
    return (f"{head}\n" if part.band else "") + table(heads, rows)


def _rectangle(part: Cut, head: str) -> str:
    down, across = part.values.dims
    labels, heads = _labels(part.values, 0), _labels(part.values, 1)
    cells = [[number(x, part.answer.digits) for x in line] for line in part.values.values]
    tables = []
    for start, end in _stretches([str(down), *labels], heads, cells):
        rows = [[label, *line[start:end]] for label, line in zip(labels, cells, strict=True)]
        tables.append(table([str(down), *heads[start:end]], rows))
    return f"{head}; across: {across}\n" + "\n\n".join(tables)


def _stretches(first: Sequence[str], heads: Sequence[str], cells: Sequence[Sequence[str]]) -> list[tuple[int, int]]:
    """From where to where the columns of each table go, so that none is too wide and no column is left out."""
    left = WIDEST - max(map(len, first))
    stretches, start, room = [], 0, left
    for k, head in enumerate(heads):
        width = 2 + max(len(head), *(len(line[k]) for line in cells))
        if width > room and k > start:
            stretches.append((start, k))
            start, room = k, left
        room -= width
    return [*stretches, (start, len(heads))]


def _labels(values: xr.DataArray, axis: int) -> list[str]:
    return [words(value) for value in values[values.dims[axis]].values.tolist()]
