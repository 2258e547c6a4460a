"""Results: the promised variables and attributes, atomic files, and inputs that reproduce the run."""

from __future__ import annotations

import os

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, load_case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.starter import STARTER
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.materials.phases import PHASES
from bronzeward.model.result import read_netcdf, write_netcdf
from bronzeward.model.simulation import run_case

SERIES = {
    "temperature": "K", "liquid_mole_fraction": "1", "liquid_volume_fraction": "1", "liquid_tin_fraction": "1",
    "shell_thickness": "m", "tin_used": "1", "overfill": "1",
}  # fmt: skip
BY_PHASE = {
    "amount": "mol m-1", "thickness": "m", "mole_fraction": "1", "volume_fraction": "1",
    "equilibrium_mole_fraction": "1",
}  # fmt: skip


@pytest.fixture(scope="module")
def run():
    return run_case(load_case(STARTER))


def test_promised_variables_dimensions_and_units(run):
    history = run.to_dataset()
    for name, units in SERIES.items():
        assert history[name].dims == ("time",)
        assert history[name].attrs["units"] == units
    for name, units in BY_PHASE.items():
        assert history[name].dims == ("time", "phase")
        assert history[name].attrs["units"] == units
    assert history["time"].attrs["units"] == "s"
    assert (np.diff(history["time"]) > 0).all()
    assert tuple(history["phase"].values) == PHASES
    for name in ("event_name", "event_time", "event_temperature"):
        assert history[name].dims == ("event",)
    assert history.attrs["Conventions"] == "CF-1.11"
    for name in ("inputs", "versions", "tdb_sha256", "references", "warnings", "status", "history"):
        assert history.attrs[name]


def test_fractions_sum_to_one(run):
    for name in ("mole_fraction", "volume_fraction", "equilibrium_mole_fraction", "tin_fraction"):
        assert run[name].sum(axis=1) == pytest.approx(1.0, abs=1e-9)
    liquid = PHASES.index("liquid")
    assert run["liquid_mole_fraction"] == pytest.approx(run["mole_fraction"][:, liquid], abs=0)


def test_file_gives_back_every_value(run, tmp_path):
    path = write_netcdf(run, tmp_path / "run.nc")
    again = read_netcdf(path)
    for name, variable in run.variables.items():
        if variable.values.dtype.kind in "fi":
            np.testing.assert_array_equal(again[name], variable.values)
        else:
            assert list(again[name]) == list(variable.values)
    assert again.attributes["inputs"] == run.attributes["inputs"]


def test_existing_file_is_kept_unless_told(run, tmp_path):
    path = tmp_path / "run.nc"
    path.write_text("precious")
    with pytest.raises(InputError, match="--overwrite"):
        write_netcdf(run, path)
    assert path.read_text() == "precious"
    write_netcdf(run, path, overwrite=True)
    assert read_netcdf(path)["time"].size == run["time"].size


def test_failed_write_leaves_nothing(run, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(InputError, match="No space left"):
        write_netcdf(run, tmp_path / "run.nc")
    assert list(tmp_path.iterdir()) == []


def test_files_that_are_no_results_are_told(tmp_path):
    broken = tmp_path / "broken.nc"
    broken.write_bytes(b"\x89HDF\r\n\x1a\n" + b"\0" * 100)
    with pytest.raises(InputError, match="cannot be read"):
        read_netcdf(broken)
    with pytest.raises(InputError, match="no such file"):
        read_netcdf(tmp_path / "missing.nc")


def test_use_outside_a_measured_range_is_recorded(run):
    notes = run.attributes["warnings"].splitlines()
    assert any(note.startswith("eta:") and "231" in note for note in notes)
    hot = run_case(Case(Strand.round(24, 44), Schedule.start(20).ramp(200, to=600), load_set()))
    assert any("550" in note for note in hot.attributes["warnings"].splitlines())
