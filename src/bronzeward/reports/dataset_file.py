"""Datasets of studies as netCDF files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bronzeward.files import replacing

if TYPE_CHECKING:
    import xarray as xr


def write_dataset(data: xr.Dataset, path: str | Path, overwrite: bool = False) -> Path:
    """Write a Dataset of this package as netCDF, first under a temporary name."""
    # coordinates have no gaps, and CF allows them no fill value
    encoding = {str(name): {"_FillValue": None} for name in data.coords}
    with replacing(path, overwrite) as temporary:
        data.to_netcdf(temporary, engine="netcdf4", encoding=encoding)
    return Path(path)
