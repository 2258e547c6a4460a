"""A cut through a sweep: one answer over the few values that a table or a figure can show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from bronzeward.errors import InputError
from bronzeward.model.answers import Answer, answer_of

if TYPE_CHECKING:
    import xarray as xr


class Cut(NamedTuple):
    """An answer, its values over what varies, and its band where the sweep has one; as the answer is shown."""

    answer: Answer
    values: xr.DataArray
    band: tuple[xr.DataArray, xr.DataArray] | None
    caveat: str = ""
    """What the band holds and leaves out."""


def _taken(column: xr.DataArray, at: Mapping[str, float | str]) -> xr.DataArray:
    """At the nearest numbers, and at the very names."""
    for dim, value in at.items():
        if column[dim].dtype.kind == "U" and value not in column[dim].values:
            raise InputError(f"sweep: {dim} is never '{value}'; there are {', '.join(column[dim].values)}")
        column = column.sel({dim: value}, method=None if column[dim].dtype.kind == "U" else "nearest")
    return column


def cut(data: xr.Dataset, key: str, at: Mapping[str, float | str] | None = None) -> Cut:
    """An answer over at most two dimensions; the others are taken at the nearest value of `at`.

    Raises
    ------
    InputError
        For an answer or a dimension that is not known, or when more than two values vary.
    """
    answer = answer_of(key)
    dims = data[key].dims
    for dim in at or {}:
        if dim not in dims:
            raise InputError(f"sweep: no dimension '{dim}'; there are {', '.join(map(str, dims))}")
    columns = [data[name] for name in (key, f"{key}_low", f"{key}_high") if name in data]
    values, *band = (_taken(column, at or {}).squeeze() for column in columns)
    if values.ndim > 2:
        raise InputError(
            f"sweep: {values.ndim} values vary ({', '.join(map(str, values.dims))}); fix all but 2 of them"
        )
    values, *band = (column.copy(data=answer.shown(column)) for column in (values, *band))
    return Cut(answer, values, (band[0], band[1]), str(data.attrs["caveat"])) if band else Cut(answer, values, None)
