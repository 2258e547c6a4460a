"""A sweep as a table: an answer over one or two of the values that vary."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.model.dataset_file import as_dataset
from bronzeward.reports.text_table import number, table
from bronzeward.studies.sweep_cut import Cut, cut

if TYPE_CHECKING:
    import xarray as xr

MOST_COLUMNS = 8


def sweep_table(data: xr.Dataset | str | Path, answer: str, at: Mapping[str, float] | None = None) -> str:
    """An answer as a table of at most 80 columns: one value down, the other across."""
    part = cut(as_dataset(data), answer, at)
    head = f"{part.answer.title} [{part.answer.shown_unit}]"
    if part.values.ndim == 0:
        return f"{head}: {number(float(part.values), part.answer.digits)}"
    return _column(part, head) if part.values.ndim == 1 else _rectangle(part, head)


def _column(part: Cut, head: str) -> str:
    columns = [part.values, *(part.band or ())]
    heads = [str(part.values.dims[0]), head, *(("5 %", "95 %") if part.band else ())]
    down = part.values[part.values.dims[0]].values
    lines = zip(down, *(column.values for column in columns), strict=True)
    return table(heads, [[f"{v:g}", *(number(x, part.answer.digits) for x in line)] for v, *line in lines])


def _rectangle(part: Cut, head: str) -> str:
    down, across = part.values.dims
    size = part.values.sizes[across]
    places = np.unique(np.linspace(0, size - 1, min(MOST_COLUMNS, size)).round().astype(int))
    heads = [str(down), *(f"{v:g}" for v in part.values[across].values[places])]
    lines = zip(part.values[down].values, part.values.values[:, places], strict=True)
    rows = [[f"{v:g}", *(number(x, part.answer.digits) for x in line)] for v, line in lines]
    return f"{head}; across: {across}\n{table(heads, rows)}"
