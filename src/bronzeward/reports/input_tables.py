"""What a run was given, in words: strand, schedule, numerics."""

from __future__ import annotations

import json
from typing import Any

from bronzeward.inputs.case import Numerics
from bronzeward.inputs.strand import Strand
from bronzeward.model.layer_stack import strand_of
from bronzeward.model.result import Result
from bronzeward.reports.page import Table
from bronzeward.units import HOUR, ZERO_CELSIUS

Rows = list[tuple[str, str]]


def inputs_table(result: Result) -> Table:
    """All inputs of a run."""
    inputs = json.loads(result.attributes["inputs"])
    rows = [*_strand_rows(strand_of(result)), *_schedule_rows(inputs["schedule"], result), *_numerics_rows(inputs)]
    return Table(("input", "value"), rows)


def _strand_rows(strand: Strand) -> Rows:
    if strand.plane:
        rows = [
            ("plane couple, tin", f"{strand.core_radius * 1e6:g} µm"),
            ("plane couple, copper", f"{strand.rings[0].radius * 1e6:g} µm"),
        ]
    else:
        rows = [("tin core, diameter", f"{2e6 * strand.core_radius:g} µm")]
        for ring in strand.rings:
            packed = ring.copper_fraction < 1.0
            what = f"filament pack, {100 * ring.copper_fraction:g} % copper" if packed else "copper sleeve"
            rows.append((f"{what}, outer diameter", f"{2e6 * ring.radius:.4g} µm"))
    rows.append(("copper atoms for each tin atom", f"{strand.copper_tin_ratio():.2f}"))
    rows.append(("pores in the core", f"{100 * strand.porosity:g} % of the core"))
    films = (("η", strand.initial_eta), ("ε", strand.initial_epsilon))
    return [*rows, *((f"{name} there from the start", f"{film * 1e6:g} µm") for name, film in films if film > 0)]


def _schedule_rows(schedule: dict[str, Any], result: Result) -> Rows:
    if "steps" not in schedule:
        count = len(schedule.get("measured", {}).get("time_s", []))
        hottest = float(result["temperature"].max()) - ZERO_CELSIUS
        hours = float(result["time"][-1]) / HOUR
        return [("schedule", f"a measured log of {count} points, {hours:.1f} h, up to {hottest:.0f} °C")]
    start = ("schedule, start", f"{float(schedule.get('start_C', 20.0)):g} °C")
    return [start, *((f"step {k}", _step_words(step)) for k, step in enumerate(schedule["steps"], start=1))]


def _step_words(step: dict[str, Any]) -> str:
    if "ramp_C_per_h" in step:
        return f"ramp at {step['ramp_C_per_h']:g} °C/h to {step['to_C']:g} °C"
    if "hold_h" in step:
        return f"hold for {step['hold_h']:g} h"
    if "cool_half_time_h" in step:
        return f"furnace cool to {step['to_C']:g} °C, distance to the room halved every {step['cool_half_time_h']:g} h"
    return "quench: the state is frozen"


def _numerics_rows(inputs: dict[str, Any]) -> Rows:
    numerics = {**vars(Numerics()), **inputs.get("numerics", {})}
    factors = inputs.get("kinetics", {}).get("factors", {})
    return [
        *((f"growth constant of {phase} multiplied by", f"{float(factor):g}") for phase, factor in factors.items()),
        ("relative error allowed in a step", f"{numerics['tolerance']:g}"),
        ("thickness of a new layer", f"{numerics['seed_nm']:g} nm"),
    ]
