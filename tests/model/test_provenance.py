"""Every Dataset of runs says what it rests on."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from bronzeward.inputs.case import Case, case_from_json
from bronzeward.inputs.case_values import Axis
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials import literature
from bronzeward.materials.kinetics import load_set
from bronzeward.model.batch import simulate_many
from bronzeward.model.provenance import provenance
from bronzeward.model.simulation import run_case
from bronzeward.studies.ensemble import Spread
from bronzeward.studies.furnace_margins import margins
from bronzeward.studies.optimise.limits import Free, Limit
from bronzeward.studies.optimise.shortest import trade_off
from bronzeward.studies.sweep import sweep
from bronzeward.studies.uncertainty import band

CASE = Case(Strand.round(24, 44), Schedule.start(200).hold(1).ramp(100, to=240), load_set())


def of_many() -> Any:
    return simulate_many([CASE.strand], [CASE.schedule], ("default",))


def of_trade_off() -> Any:
    free = [Free(("schedule.steps.0.hold_h",), 0.1, 2.0)]
    limits = [Limit("shell_at_first_liquid", ">=", 1e-6, 0.95)]
    return trade_off(CASE, free, limits, 0, [5e-7, 1e-6], spread=Spread(size=20), workers=1)


MADE = {
    "run": lambda: run_case(CASE).to_dataset(),
    "band": lambda: band(CASE, Spread(size=20)),
    "sweep": lambda: sweep(CASE, [Axis(("schedule.steps.0.hold_h",), (0.5, 1.0))]),
    "margins": lambda: margins(CASE),
    "trade-off": of_trade_off,
    "many": of_many,
}


@pytest.mark.parametrize("kind", MADE)
def test_a_dataset_names_its_sources(kind: str) -> None:
    own = MADE[kind]().attrs
    cited = {line.split(":")[0] for line in own["references"].splitlines()}
    assert set(CASE.kinetics.references) <= cited
    assert cited <= set(literature.bibliography())
    assert {"shim1996", "assael2010"} <= cited  # thermodynamics and properties too
    assert len(own["tdb_sha256"]) == 64
    assert own["thermodynamic_description"] == CASE.description
    assert own["kinetic_set"] == "default"
    assert "witness sample" in own["comment"]
    assert set(json.loads(own["versions"])) == {"bronzeward", "numpy", "python"}
    if kind != "many":  # which has a case for every strand, schedule and set
        again = case_from_json(own["inputs"])
        assert (again.strand, again.kinetics) == (CASE.strand, CASE.kinetics)
        assert again.schedule.time.tolist() == CASE.schedule.time.tolist()


def test_sets_of_constants_are_named_once_each() -> None:
    data = simulate_many([CASE.strand], [CASE.schedule], ("default", load_set(), replace(load_set(), name="own")))
    assert data.attrs["kinetic_set"] == "default, own"


def test_tables_read_before_change_nothing() -> None:
    from bronzeward.materials.properties import load_properties
    from bronzeward.thermo import load_table

    assert provenance(CASE) == provenance(CASE, load_table(), load_properties())
