"""A sweep as a table: an answer over one or two of the values that vary."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.model.answer_text import number, shown, table, title, unit
from bronzeward.studies.sweep_cut import beside, cut

if TYPE_CHECKING:
    import xarray as xr


def sweep_table(data: xr.Dataset, answer: str, at: Mapping[str, float] | None = None) -> str:
    """An answer as a table of at most 80 columns: one value down, the other across."""
    field = cut(data, answer, at)
    values = shown(answer, field)
    head = f"{title(answer)} [{unit(answer)}]"
    if field.ndim == 0:
        return f"{head}: {number(float(values))}"
    down = field.dims[0]
    if field.ndim == 1:
        rows = [[f"{v:g}", number(float(x))] for v, x in zip(field[down].values, values, strict=True)]
        heads = [str(down), head]
        if f"{answer}_low" in data:
            ends = [shown(answer, beside(data, field, f"{answer}{end}")) for end in ("_low", "_high")]
            rows = [[*row, number(float(a)), number(float(b))] for row, a, b in zip(rows, *ends, strict=True)]
            heads += ["5 %", "95 %"]
        return table(heads, rows)
    across = field.dims[1]
    columns = np.unique(np.linspace(0, field.sizes[across] - 1, min(8, field.sizes[across])).round().astype(int))
    heads = [f"{down} \\ {across}"[:24], *(f"{field[across].values[k]:g}" for k in columns)]
    lines = zip(field[down].values, values, strict=True)
    rows = [[f"{v:g}", *(number(float(line[k])) for k in columns)] for v, line in lines]
    return f"{head}; across: {across}\n{table(heads, rows)}"
