"""Every Dataset of runs says what it rests on."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from bronzeward import databases
from bronzeward.batch import simulate_many
from bronzeward.case import Case, case_from_json
from bronzeward.ensemble import Spread, band
from bronzeward.kinetics import load_set
from bronzeward.limits import Free, Limit
from bronzeward.margins import margins
from bronzeward.paths import Axis
from bronzeward.provenance import provenance
from bronzeward.schedule import Schedule
from bronzeward.shorten import trade_off
from bronzeward.simulation import run_case
from bronzeward.strand import Strand
from bronzeward.sweep import sweep

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
    assert cited <= set(databases.bibliography())
    assert len(cited) > len(set(CASE.kinetics.references))  # thermodynamics and properties too
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
    from bronzeward.properties import load_properties
    from bronzeward.thermo import load_table

    assert provenance(CASE) == provenance(CASE, load_table(), load_properties())
