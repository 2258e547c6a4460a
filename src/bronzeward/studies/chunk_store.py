"""Finished chunks of a sweep in a folder, one small file each, so that a sweep that was stopped goes on."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.files import check_target, replacing

if TYPE_CHECKING:
    import xarray as xr

Columns = dict[str, NDArray[np.float64]]
"""Answers by name, one value a point."""

TRIES = 10
"""Times that a folder is made again which another process removes."""


class Chunks:
    """The finished chunks of one sweep; their folder is there as long as it holds some."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def _make(self) -> None:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"{self.folder}: the folder cannot be made ({error.strerror or error})") from None

    def read(self) -> Iterator[tuple[list[int], Columns]]:
        """Points and answers of every chunk; a damaged file counts as missing."""
        for path in sorted(self.folder.glob("part-*.npz")):
            try:
                with path.open("rb") as file, np.load(file) as data:
                    columns = {name: np.array(data[name], dtype=float) for name in data.files if name != "points"}
                    points = [int(k) for k in data["points"]]
            except (OSError, ValueError, KeyError, EOFError, BadZipFile):
                continue
            yield points, columns

    def write(self, points: Sequence[int], columns: Mapping[str, NDArray[np.float64]]) -> None:
        """Keep a chunk, also when another process has finished the same sweep and removed the folder."""
        target = self.folder / f"part-{points[0]:07d}-{len(points)}.npz"
        for _ in range(TRIES):
            self._make()
            try:
                with replacing(target, overwrite=True) as temporary, temporary.open("wb") as file:
                    np.savez(file, points=np.array(points), **columns)  # type: ignore[arg-type]
                return
            except InputError:
                if self.folder.is_dir():
                    _remove_empty(self.folder, self.folder.parent)
                    raise
        raise InputError(f"{self.folder}: is removed again and again while it is written to")


def folder_beside(target: Path) -> Path:
    """The folder for chunks of sweeps that will be written to `target`."""
    return target.with_name(f".{target.name}.parts")


def clear_chunks(folder: str | Path, data: xr.Dataset) -> None:
    """Remove the chunks in `folder` of a sweep whose result is stored elsewhere."""
    shutil.rmtree(Path(folder) / str(data.attrs["digest"]), ignore_errors=True)
    _remove_empty(Path(folder))


def _remove_empty(*folders: Path) -> None:
    for folder in folders:
        with suppress(OSError):  # it holds something; or another process was faster
            folder.rmdir()


def clear_finished(target: Path) -> None:
    """Remove chunks whose sweep is in `target` already: it was stopped between writing that and clearing them."""
    import xarray as xr

    check_target(target, overwrite=True)
    if not target.is_file() or not (folder := folder_beside(target)).is_dir():
        return
    with suppress(OSError, ValueError, RuntimeError), xr.open_dataset(target, engine="netcdf4") as data:
        # whatever the file says, nothing is removed but what lies in that folder
        if data.attrs.get("digest") in os.listdir(folder):
            clear_chunks(folder, data)
