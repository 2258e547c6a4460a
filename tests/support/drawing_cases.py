"""Results to draw, computed once: what each is for stands beside it."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from bronzeward.inputs.case import case_from_data
from bronzeward.model.result import Result, Variable
from bronzeward.model.simulation import run_case

QUICK = {"tolerance": 1e-3, "alpha_cells": 12}

STEPS = [{"ramp_C_per_h": 25.0, "to_C": 215.0}, {"hold_h": 48.0}, {"ramp_C_per_h": 50.0, "to_C": 400.0}]

CASES = {
    # core in a sleeve: liquid for two hours, then delta; the schedule ends without a quench
    "sleeve": {
        "title": "Larkfell <b>sleeve</b> & core",
        "strand": {"core_diameter_um": 24.0, "sleeve_diameter_um": 44.0},
        "schedule": {"start_C": 20.0, "steps": [*STEPS, {"hold_h": 12.0}]},
    },
    # starved of copper: eta melts again at 415 C, liquid is left at the end; a pack; a quench
    "lean": {
        "title": "Larkfell lean",
        "strand": {
            "core_diameter_um": 40.0,
            "sleeve_diameter_um": 46.0,
            "pack": [{"outer_diameter_um": 80.0, "copper_fraction": 0.18}],
        },
        "schedule": {
            "start_C": 20.0,
            "steps": [{"ramp_C_per_h": 50.0, "to_C": 430.0}, {"hold_h": 4.0}, {"quench": True}],
        },
    },
    # up to 650 C and down again: every phase, many events close together
    "long": {
        "title": "Larkfell, all the way up and down, with a title that is much too long for one column",
        "strand": {
            "core_diameter_um": 30.0,
            "sleeve_diameter_um": 42.0,
            "pack": [{"outer_diameter_um": 80.0, "copper_fraction": 0.4}],
        },
        "schedule": {
            "start_C": 20.0,
            "steps": [
                *STEPS,
                {"ramp_C_per_h": 100.0, "to_C": 650.0},
                {"hold_h": 20.0},
                {"cool_half_time_h": 3.0, "to_C": 60.0},
            ],
        },
    },
    # a fine core off the middle, long holds: used up before it could melt
    "off centre": {
        "strand": {"core_diameter_um": 12.0, "sleeve_diameter_um": 22.0, "eccentricity": 0.3},
        "schedule": {
            "start_C": 20.0,
            "steps": [
                {"ramp_C_per_h": 25.0, "to_C": 205.0},
                {"hold_h": 300.0},
                {"ramp_C_per_h": 10.0, "to_C": 400.0},
                {"hold_h": 80.0},
            ],
        },
    },
    # plane couple, liquid at the end
    "plane": {
        "couple": {"tin_thickness_um": 20.0, "copper_thickness_um": 60.0},
        "schedule": {"start_C": 20.0, "steps": [{"ramp_C_per_h": 20.0, "to_C": 300.0}]},
    },
    # never melts
    "cold": {
        "strand": {"core_diameter_um": 24.0, "sleeve_diameter_um": 44.0},
        "schedule": {"start_C": 20.0, "steps": [{"ramp_C_per_h": 50.0, "to_C": 200.0}, {"hold_h": 5.0}]},
    },
}


@cache
def result(name: str) -> Result:
    """The result of a case by name; never changed by a test."""
    return run_case(case_from_data({**CASES[name], "numerics": QUICK}, Path()))


def banded(name: str) -> Result:
    """The same with a band of 20 % round every layer, made up."""
    run = result(name)
    bands = {
        f"thickness{end}": Variable(("time", "phase"), run["thickness"] * share)
        for end, share in (("_low", 0.8), ("_high", 1.2))
    }
    return Result({**run.variables, **bands}, run.attributes)
