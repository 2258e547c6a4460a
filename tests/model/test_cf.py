"""The netCDF files keep the CF conventions 1.11 as far as these apply to files without a place on Earth.

The rules are those of the conformance document of CF-1.11 (sections named beside each test). Beside these, all
files named here were given to an independent checker in its own environment:

    python -m venv checker && checker/bin/pip install compliance-checker==6.1.0
    checker/bin/compliance-checker -t cf:1.11 FILE.nc

It has one complaint, a rule of its own that a coordinate called `time` has the standard name `time`, which is a
date: here it is the time since the start of the schedule (CF section 4.4 asks for "since" only where there is a
reference date). On string coordinates its test for monotony stops with a TypeError; these are allowed since
CF-1.9 (section 2.2).
"""

from __future__ import annotations

import re

import netCDF4
import numpy as np
import pint
import pytest

from bronzeward import Schedule, Strand
from bronzeward.inputs.case import Case, case_from_data
from bronzeward.inputs.case_values import Axis
from bronzeward.materials.kinetics import load_set
from bronzeward.model.batch import simulate_many
from bronzeward.model.dataset_file import write_dataset
from bronzeward.model.result import write_netcdf
from bronzeward.model.simulation import run_case
from bronzeward.studies import sweep
from bronzeward.studies.ensemble import Spread
from bronzeward.studies.furnace_margins import margins
from bronzeward.studies.history_bands import with_bands
from bronzeward.studies.uncertainty import band
from bronzeward.thermo import load_table

UNITS = pint.UnitRegistry()


PLAN = Schedule.start(20).ramp(200, to=210).hold(1).ramp(200, to=300)
STRAND = Strand.round(24, 44)
CASE = Case(STRAND, PLAN, load_set())
FEW = Spread(size=20, core_diameter=0.02, furnace_offset=2.0)


def _swept(path, spread):
    case = case_from_data(
        {
            "strand": {"core_diameter_um": 24.0, "sleeve_diameter_um": 44.0},
            "schedule": {"steps": [{"ramp_C_per_h": 200.0, "to_C": 300.0}]},
        },
        path.parent,
    )
    axes = [Axis(("strand.core_diameter_um",), (20.0, 24.0)), Axis(("schedule.steps.0.to_C",), (200.0, 300.0))]
    write_dataset(sweep.sweep(case, axes, spread), path)


def _diagram(path):
    from bronzeward.thermo import table_file

    table_file.write(load_table(), path)


#: Every way in which the program, or an xarray user, writes netCDF.
WRITERS = {
    "run": lambda path: write_netcdf(run_case(CASE), path),
    "couple": lambda path: write_netcdf(run_case(Case(Strand.couple(9, 20), PLAN, load_set())), path),
    "run with bands": lambda path: write_netcdf(with_bands(run_case(CASE), FEW), path),
    "run from xarray": lambda path: run_case(CASE).to_dataset().to_netcdf(path),
    "diagram": _diagram,
    "sweep": lambda path: _swept(path, None),
    "sweep of bands": lambda path: _swept(path, FEW),
    "sweep from xarray": lambda path: sweep.sweep(CASE, [Axis(("schedule.steps.1.hold_h",), (1.0, 2.0))]).to_netcdf(
        path
    ),
    "band": lambda path: write_dataset(band(CASE, FEW), path),
    "margins": lambda path: write_dataset(margins(CASE), path),
    "many": lambda path: simulate_many({"own": STRAND}, {"plan": PLAN}).to_netcdf(path),
}


@pytest.fixture(scope="module", params=WRITERS)
def file(request, tmp_path_factory, table):
    path = tmp_path_factory.mktemp("cf") / "file.nc"
    WRITERS[request.param](path)
    with netCDF4.Dataset(path) as data:
        yield data


def coordinates(file):
    return [v for name, v in file.variables.items() if v.dimensions == (name,)]


def test_global_attributes_and_names(file):
    """Sections 2.6 and 2.3; no data hides in groups."""
    assert file.getncattr("Conventions") == "CF-1.11"
    for name in ("title", "history"):
        assert isinstance(file.getncattr(name), str)
        assert file.getncattr(name).strip()
    attributes = [name for variable in file.variables.values() for name in variable.ncattrs()]
    for name in [*file.variables, *file.dimensions, *file.ncattrs(), *attributes]:
        assert re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", name) or name == "_FillValue"
    assert len({name.lower() for name in file.variables}) == len(file.variables)
    assert not file.groups


def test_types_dimensions_and_long_names(file):
    """Sections 2.2, 2.4, 3.2; the attribute `coordinates` names variables."""
    for variable in file.variables.values():
        assert variable.dtype is str or variable.dtype.kind in "iuf"
        assert len(set(variable.dimensions)) == len(variable.dimensions)
        assert {"long_name", "standard_name"} & set(variable.ncattrs()), variable.name
        assert set(getattr(variable, "coordinates", "").split()) <= set(file.variables)


def test_section_2_5_fill_values(file):
    for variable in file.variables.values():
        if "_FillValue" in variable.ncattrs():
            assert np.asarray(variable.getncattr("_FillValue")).dtype == variable.dtype
    for variable in coordinates(file):
        assert not {"_FillValue", "missing_value"} & set(variable.ncattrs()), variable.name


def test_section_3_1_units(file):
    """Everything with a unit has one that a unit library understands; `1` and its absence mean none."""
    for variable in file.variables.values():
        if "units" in variable.ncattrs():
            text = variable.getncattr("units")
            assert isinstance(text, str)
            plain = re.sub(r"([A-Za-z])(-?\d)", r"\1**\2", text).replace(" ", "*")
            UNITS.parse_units("dimensionless" if text == "1" else plain)
        if variable.dtype is not str and variable.dtype.kind == "f" and variable.name != "status":
            assert "units" in variable.ncattrs() or variable.dimensions == (variable.name,), variable.name


def test_section_5_coordinates(file):
    for variable in coordinates(file):
        values = np.asarray(variable[:])
        if values.dtype.kind in "if" and values.size > 1:
            assert np.isfinite(values).all()
            steps = np.diff(values)
            assert (steps > 0).all() or (steps < 0).all(), variable.name
        elif values.dtype.kind in "OU":
            assert len({str(text) for text in values}) == values.size
