"""The result of a run: named variables with dimensions and units, as netCDF file or xarray Dataset.

One table of variables serves both, and bands as well. Writing a file needs only netCDF4, so that the command line does
not wait for xarray to load, nor for all that it loads in turn where that is installed (dask, distributed, pint).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Union

import numpy as np
from numpy.typing import NDArray

import bronzeward
from bronzeward.errors import InputError
from bronzeward.files import check_source, open_netcdf, replacing
from bronzeward.materials.phases import PHASES

if TYPE_CHECKING:
    import xarray as xr

MOST_VALUES = 20_000_000
"""Values in a stored result at most; a made-up file may claim any number, and compress it to nothing."""

HOTTEST, LONGEST, LARGEST = 1e4, 1e12, 1e6
"""A stored result has no temperature [K], time [s] or other value (SI) beyond these."""

ROUNDING = 1e-6
"""By which shares of a stored result may miss 1, or 0 [-]."""


@dataclass(frozen=True)
class Variable:
    """Values with their dimensions and CF attributes."""

    dims: tuple[str, ...]
    values: NDArray[Any]
    attributes: dict[str, Any] = field(default_factory=dict)

    def is_coordinate(self, name: str) -> bool:
        """Whether it serves as a coordinate of the Dataset: what has the name of its dimension."""
        return self.dims == (name,)


@dataclass(frozen=True)
class Result:
    """All variables and global attributes of one run, or of a band."""

    variables: dict[str, Variable]
    attributes: dict[str, Any]

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self.variables[name].values

    def to_dataset(self) -> xr.Dataset:
        """The same as an `xarray.Dataset`."""
        import xarray as xr

        columns = {name: (v.dims, v.values, v.attributes) for name, v in self.variables.items()}
        coordinates = {name: columns.pop(name) for name, v in self.variables.items() if v.is_coordinate(name)}
        return without_fill(xr.Dataset(columns, coords=coordinates, attrs=self.attributes))


Source = Union[Result, "xr.Dataset", str, Path]
"""A result in any of its forms; see `as_result`."""


def without_fill(data: xr.Dataset) -> xr.Dataset:
    """The same; its coordinates have no gaps, and xarray will write no fill value for them, as CF asks."""
    for name in data.coords:
        data[name].encoding["_FillValue"] = None
    return data


def cf_attributes(title: str) -> dict[str, str]:
    """Global attributes that CF asks for."""
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    source = f"bronzeward {bronzeward.__version__}"
    return {"Conventions": "CF-1.11", "title": title, "history": f"{now} computed by {source}", "source": source}


def write_netcdf(result: Result, path: str | Path, overwrite: bool = False) -> Path:
    """Write a result; a reader never meets half a file."""
    import netCDF4

    with replacing(path, overwrite) as temporary, netCDF4.Dataset(temporary, "w", format="NETCDF4") as file:
        _fill(file, result)
    return Path(path)


def read_netcdf(path: str | Path) -> Result:
    """Read a result that `write_netcdf` or xarray wrote."""
    check_source(path)
    try:
        with open_netcdf(path) as file:
            if (size := sum(int(v.size) for v in file.variables.values())) > MOST_VALUES:
                raise InputError(f"it holds {size} values, which is too much to be meant")
            variables = {
                name: Variable(v.dimensions, _values(v), {k: v.getncattr(k) for k in v.ncattrs() if k != "_FillValue"})
                for name, v in file.variables.items()
            }
            attributes = {name: file.getncattr(name) for name in file.ncattrs()}
    except Exception as error:  # a damaged file makes the netCDF library raise nearly anything
        raise InputError(f"{path}: cannot be read as netCDF ({error})") from None
    return _sound(Result(variables, attributes), str(path))


def as_result(source: Source) -> Result:
    """The result in any of its forms: itself, the Dataset of `simulate` or of `xarray.open_dataset`, or a file.

    Raises
    ------
    InputError
        When it is none of these, or not a whole result.
    """
    if isinstance(source, Result):
        return source
    if isinstance(source, str | Path):
        return read_netcdf(source)
    if type(source).__name__ != "Dataset" or not hasattr(source, "data_vars"):
        raise InputError(f"result: a {type(source).__name__} is none; give a Dataset, a Result or a file name")
    return _sound(of_dataset(source), "Dataset")


def of_dataset(data: xr.Dataset) -> Result:
    """The variables and attributes of a Dataset."""
    variables = {
        str(name): Variable(tuple(map(str, column.dims)), _plain(column.values), dict(column.attrs))
        for name, column in data.variables.items()
    }
    return Result(variables, {str(name): value for name, value in data.attrs.items()})


def _plain(values: NDArray[Any]) -> NDArray[Any]:
    """Seconds where xarray has made time differences of them, text where it has made objects of it."""
    if values.dtype.kind == "m":
        return np.asarray(values / np.timedelta64(1, "s"))
    return values.astype(str) if values.dtype.kind == "O" else values


def _sound(result: Result, where: str) -> Result:
    """The same result, if its readers can rely on it."""
    if "bronzeward_schema" not in result.attributes:
        raise InputError(f"{where}: not a bronzeward result (no bronzeward_schema attribute)")
    fault = _fault(result)
    if fault:
        raise InputError(f"{where}: a damaged result: {fault}")
    return result


_HISTORIES = (
    "temperature", "liquid_mole_fraction", "liquid_volume_fraction", "liquid_tin_fraction", "liquid_composition",
    "shell_thickness", "tin_used", "overfill", "void_fraction", "wall_yield_pressure", "total_atoms", "total_tin",
)  # fmt: skip
_BY_PHASE = (
    "amount", "thickness", "inner_radius", "outer_radius", "mole_fraction", "volume_fraction", "tin_fraction",
    "equilibrium_mole_fraction",
)  # fmt: skip
_SHARES = ("mole_fraction", "volume_fraction", "tin_fraction")
_FINITE = (
    "amount", "thickness", "liquid_mole_fraction", "liquid_volume_fraction", "liquid_tin_fraction", "shell_thickness",
    "tin_used", "overfill", "void_fraction", "total_atoms", "total_tin",
)  # fmt: skip
_EVENTS = ("event_time", "event_temperature", "event_row")
_TEXTS = (
    "title", "source", "history", "inputs", "references", "warnings", "status", "versions", "tdb_sha256",
    "thermodynamic_description", "kinetic_set",
)  # fmt: skip
_TABLES = {"inputs": True, "versions": True, "bands": False, "bands_of": False}
"""Attributes that hold a JSON object, and whether every result has them."""

#: Dimensions of the variables that every result has.
LAYOUT: dict[str, tuple[str, ...]] = {
    "time": ("time",),
    "phase": ("phase",),
    **dict.fromkeys(_HISTORIES, ("time",)),
    **dict.fromkeys(_BY_PHASE, ("time", "phase")),
    "event_name": ("event",),
    **dict.fromkeys(_EVENTS, ("event",)),
}


def _fault(result: Result) -> str | None:
    """What makes a stored result unusable: its readers rely on shapes, kinds and increasing times."""
    return _fault_of_layout(result) or _fault_of_attributes(result) or _fault_of_history(result)


def _fault_of_layout(result: Result) -> str | None:
    for name, dims in LAYOUT.items():
        column = result.variables.get(name)
        if column is None:
            return f"no variable {name}"
        text = name in ("phase", "event_name")
        if column.dims != dims or column.values.ndim != len(dims):
            return f"{name} has the dimensions {', '.join(column.dims) or 'none'} instead of {', '.join(dims)}"
        if column.values.dtype.kind not in ("U" if text else "fiu") and column.values.size:
            return f"{name} does not hold {'text' if text else 'numbers'}"
    return None


def _fault_of_attributes(result: Result) -> str | None:
    for name in _TEXTS:
        if not isinstance(result.attributes.get(name), str):
            return f"no text in the attribute {name}"
    for name, always in _TABLES.items():
        if (always or name in result.attributes) and not _is_table(result.attributes[name]):
            return f"no JSON table in the attribute {name}"
    for name in ("eta_limit_K", "elastic_overfill", "core_offset_m"):
        if not isinstance(result.attributes.get(name), float | np.floating):
            return f"no number in the attribute {name}, which earlier versions did not write: run its case again"
    return None if _is_case(result.attributes["inputs"]) else "its inputs are no case"


def _is_case(inputs: str) -> bool:
    """Whether stored inputs have the shape that figures rely on; who computes them again checks all of them."""
    schedule = json.loads(inputs).get("schedule")
    steps = schedule.get("steps", []) if isinstance(schedule, dict) else None
    return isinstance(steps, list) and all(isinstance(step, dict) for step in steps)


def _is_table(text: object) -> bool:
    try:
        return isinstance(json.loads(str(text)), dict)
    except (ValueError, RecursionError):
        return False


def _fault_of_history(result: Result) -> str | None:
    time, row = result["time"], result["event_row"]
    if tuple(map(str, result["phase"])) != PHASES:
        return f"its phases are not {', '.join(PHASES)}"
    if time.size < 2 or not np.isfinite(time).all() or not (np.diff(time) > 0).all():
        return "its times do not increase"
    if np.abs(time).max() > LONGEST:
        return f"its times go beyond {LONGEST:g} s"
    if not ((result["temperature"] >= 0.0) & (result["temperature"] <= HOTTEST)).all():
        return f"a temperature is not between 0 and {HOTTEST:g} K"
    if not ((row >= 0) & (row <= time.size)).all():
        return "an event lies outside its history"
    if not (np.isfinite(result["event_time"]) & np.isfinite(result["event_temperature"])).all():
        return "an event has no time or temperature"
    return _fault_of_layers(result)


def _fault_of_layers(result: Result) -> str | None:
    """Figures and sections divide by shares, and draw to radii."""
    for name in _SHARES:
        if not (np.abs(result[name].sum(axis=1) - 1.0) <= ROUNDING).all() or result[name].min() < -ROUNDING:
            return f"{name} does not add up to 1, of shares above 0"
    for name in _FINITE:
        if not (np.abs(result[name]) <= LARGEST).all():
            return f"{name} holds what is no number, or none that can be meant"
    inner, outer = result["inner_radius"], result["outer_radius"]
    if not (np.isfinite(inner) & np.isfinite(outer)).any(axis=1).all():
        return "at some moment no layer has radii"
    if np.nanmax(np.abs(inner)) > LARGEST or np.nanmax(np.abs(outer)) > LARGEST:
        return "a radius is larger than any strand"
    return None


def names(result: Result | xr.Dataset | Mapping[str, Any], variable: str) -> list[str]:
    """A string variable as a list."""
    return [str(name) for name in np.asarray(result[variable])]


def _fill(file: Any, result: Result) -> None:
    """Describe all variables, then write their values: going to and fro takes twice the time."""
    for name, value in result.attributes.items():
        file.setncattr(name, value)
    for variable in result.variables.values():
        for name, size in zip(variable.dims, variable.values.shape, strict=True):
            if name not in file.dimensions:
                file.createDimension(name, size)
    columns = {name: _described(file, name, variable) for name, variable in result.variables.items()}
    for name, variable in result.variables.items():
        columns[name][...] = variable.values.astype(object) if _is_text(variable) else variable.values


def _described(file: Any, name: str, variable: Variable) -> Any:
    """A variable in a file, without its values."""
    text = _is_text(variable)
    compress = {} if text or variable.values.size < 64 else {"zlib": True, "complevel": 1, "shuffle": True}
    gaps = variable.values.dtype.kind == "f" and not variable.is_coordinate(name)
    fill = {"fill_value": np.nan} if gaps else {}
    column = file.createVariable(name, str if text else variable.values.dtype, variable.dims, **compress, **fill)
    for key, value in variable.attributes.items():
        column.setncattr(key, value)
    return column


def _is_text(variable: Variable) -> bool:
    return variable.values.dtype.kind in "UO"


def _values(column: Any) -> NDArray[Any]:
    values = column[...]
    if isinstance(values, np.ma.MaskedArray):
        values = values.filled(np.nan) if values.dtype.kind == "f" else values.filled()
    array = np.asarray(values)
    return array.astype(str) if array.dtype.kind == "O" else array
