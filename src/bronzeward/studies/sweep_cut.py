"""A cut through a sweep: one answer over the few values that a table or a figure can show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from bronzeward.errors import InputError
from bronzeward.model.answer_text import checked_answer

if TYPE_CHECKING:
    import xarray as xr


def cut(data: xr.Dataset, answer: str, at: Mapping[str, float] | None = None, most: int = 2) -> xr.DataArray:
    """An answer over at most `most` dimensions; the others are taken at the nearest value of `at`."""
    field = data[checked_answer(answer)]
    for dim, value in (at or {}).items():
        if dim not in field.dims:
            raise InputError(f"sweep: no dimension '{dim}'; there are {', '.join(map(str, field.dims))}")
        field = field.sel({dim: value}, method="nearest")
    field = field.squeeze()
    if field.ndim > most:
        raise InputError(
            f"sweep: {field.ndim} values vary ({', '.join(map(str, field.dims))}); fix all but {most} of them"
        )
    return field


def beside(data: xr.Dataset, field: xr.DataArray, name: str) -> xr.DataArray:
    """Another variable at the points of a field."""
    fixed = {d: field[d].values for d in data[name].dims if d not in field.dims and d in field.coords}
    return data[name].sel(fixed).squeeze()
