"""Datasets of studies as netCDF files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bronzeward.errors import InputError
from bronzeward.files import check_source, replacing
from bronzeward.model.result import Result, of_dataset

if TYPE_CHECKING:
    import xarray as xr


def write_dataset(data: xr.Dataset, path: str | Path, overwrite: bool = False) -> Path:
    """Write a Dataset of this package as netCDF, first under a temporary name."""
    # coordinates have no gaps, and CF allows them no fill value
    encoding = {str(name): {"_FillValue": None} for name in data.coords}
    with replacing(path, overwrite) as temporary:
        data.to_netcdf(temporary, engine="netcdf4", encoding=encoding)
    return Path(path)


def as_columns(source: Result | xr.Dataset | str | Path) -> Result:
    """What a study gave, without xarray where it was computed without; see `as_dataset`."""
    return source if isinstance(source, Result) else of_dataset(as_dataset(source))


def as_dataset(source: Result | xr.Dataset | str | Path) -> xr.Dataset:
    """What a study gave: itself, or read from the file it was written to.

    Raises
    ------
    InputError
        When the file cannot be read.
    """
    import xarray as xr

    if isinstance(source, xr.Dataset):
        return source
    if isinstance(source, Result):
        return source.to_dataset()
    check_source(source)
    try:
        return xr.load_dataset(source, engine="netcdf4")
    except (OSError, ValueError, RuntimeError) as error:
        raise InputError(f"{source}: cannot be read as netCDF ({error})") from None
