"""Results that were cut off, altered or made up: one line and exit code 2, nothing written, in every command."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest

from bronzeward.inputs import starter
from bronzeward.inputs.case import load_case
from bronzeward.model.result import LAYOUT, write_netcdf
from bronzeward.model.simulation import run_case

READERS = {
    "plot": ("plot", "bad.nc", "-o", "made.png"),
    "section": ("section", "bad.nc", "-o", "made.svg"),
    "report": ("report", "bad.nc", "-o", "made.html"),
    "compare": ("compare", "bad.nc", "good.nc"),
}


@pytest.fixture(scope="module")
def stored(tmp_path_factory) -> Path:
    return write_netcdf(run_case(load_case(starter.STARTER)), tmp_path_factory.mktemp("stored") / "starter.nc")


def damaged(
    source: Path, target: Path, without: str = "", kind: Any = None, dims: tuple[str, ...] | None = None,
    of: str = "", attributes: Mapping[str, Any] | None = None, values: Callable[[Any], Any] | None = None,
) -> None:  # fmt: skip
    """A result without a variable or attribute, or with one (`of`) of another kind, shape or content."""
    shutil.copy(source, target)
    with netCDF4.Dataset(target, "a") as file:
        if without in file.variables:
            file.renameVariable(without, "former")
        elif without:
            file.delncattr(without)
        if values is not None:
            file[of][...] = values(file[of][...])
        elif of:
            old = file[of]
            file.createDimension("other", 7)
            file.renameVariable(of, "former")
            file.createVariable(of, kind or old.dtype, old.dimensions if dims is None else dims)
        file.setncatts(attributes or {})


DAMAGES: dict[str, dict[str, Any]] = {
    **{f"no {name}": {"without": name} for name in ("time", "phase", "amount", "event_row", "void_fraction")},
    **{f"no {name}": {"without": name} for name in ("bronzeward_schema", "inputs", "status", "eta_limit_K")},
    **{f"{name} as text": {"of": name, "kind": str} for name in ("time", "thickness", "event_time")},
    **{f"{name} as number": {"of": name, "kind": "f8"} for name in ("phase", "event_name")},
    **{f"{name} elsewhere": {"of": name, "dims": ("other",)} for name in ("time", "amount", "event_row")},
    **{f"{name} alone": {"of": name, "dims": ()} for name in ("temperature", "amount", "phase")},
    "times that fall": {"of": "time", "values": lambda v: v[::-1]},
    "a time that is none": {"of": "time", "values": lambda v: np.where(v > v[2], np.nan, v)},
    "a temperature that is none": {"of": "temperature", "values": lambda v: v * np.nan},
    "events elsewhere": {"of": "event_row", "values": lambda v: v * 0 + 10**6},
    **{f"no {name}": {"without": name} for name in ("versions", "tdb_sha256", "kinetic_set")},
    **{
        f"{name} {text[:6]}": {"attributes": {name: text}}
        for name in ("inputs", "versions", "bands", "bands_of")
        for text in ("[1, 2]", "{", "[" * 100_000)
    },
    "a number as inputs": {"attributes": {"inputs": 3.0}},
    "numbers as title": {"attributes": {"title": np.arange(3.0)}},
    "a text as limit": {"attributes": {"eta_limit_K": "hot"}},
}

HARMFUL = [DAMAGES[name] for name in ("no void_fraction", "times that fall")]
"""Tried with every command that reads; they all read by one function."""


@pytest.mark.parametrize("damage", DAMAGES.values(), ids=DAMAGES)
def test_damaged_results_are_told_in_one_line(command, in_folder, stored, damage) -> None:
    damaged(stored, Path("bad.nc"), **damage)
    for words in READERS.values() if damage in HARMFUL else [READERS["compare"]]:
        code, out, errors = command(*words)
        assert (code, out, errors.count("\n")) == (2, "", 1), errors
        assert errors.startswith("bronzeward: bad.nc: ")
    assert [path.name for path in in_folder.iterdir()] == ["bad.nc"]


def test_huge_texts_in_a_result(command, in_folder, stored) -> None:
    shutil.copy(stored, "good.nc")
    huge = {"inputs": "{" + "x" * 5_000_000, "title": "t" * 5_000_000}
    for name, text in huge.items():
        damaged(stored, Path("bad.nc"), attributes={name: text})
        for words in (("compare", "good.nc", "bad.nc"), ("run", "bad.nc", "-o", "again.nc")):
            code, out, errors = command(*words)
            assert (code, errors.count("\n")) in ((0, 0), (2, 1))
            assert len(out) + len(errors) < 20_000
            Path("again.nc").unlink(missing_ok=True)


def test_results_cut_off_or_altered_anywhere(command, in_folder, stored) -> None:
    """Cut at any byte, or with bytes changed, a file is refused in one line or still means what it says."""
    chance, whole = random.Random(17), stored.read_bytes()
    shutil.copy(stored, "good.nc")
    for k in range(12):
        if k % 2:
            content = bytearray(whole)
            for _ in range(chance.choice((1, 10, 100))):
                content[chance.randrange(len(content))] = chance.randrange(256)
        else:
            content = bytearray(whole[: chance.randrange(len(whole))])
        Path("bad.nc").write_bytes(content)
        code, _, errors = command("compare", "good.nc", "bad.nc")
        assert (code, errors.count("\n")) in ((0, 0), (2, 1)), errors
    assert code == 0 or "bad.nc" in errors


def test_every_variable_that_is_relied_on_is_missed(stored, tmp_path) -> None:
    from bronzeward.errors import InputError
    from bronzeward.model.result import read_netcdf

    for name in LAYOUT:
        damaged(stored, tmp_path / "bad.nc", without=name)
        with pytest.raises(InputError, match=f"no variable {name}"):
            read_netcdf(tmp_path / "bad.nc")
