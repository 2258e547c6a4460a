"""Where numbers come from: inputs, versions, thermodynamic description, constants and references of a result.

Global attributes that every Dataset of runs carries, whatever else it holds.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Iterable
from typing import Any

import numpy as np

import bronzeward
from bronzeward.inputs.case import Case
from bronzeward.inputs.strand import Strand
from bronzeward.materials import literature
from bronzeward.materials.kinetics import KineticSet, available_sets, load_set, plain_set
from bronzeward.materials.properties import Properties, load_properties
from bronzeward.thermo import load_table
from bronzeward.units import MICROMETRE, written

COMMENT = (
    "An estimate, not a qualification: binary Cu-Sn only, planar fronts, no incubation, no A15 reaction; "
    "a witness sample decides."
)


def provenance(case: Case, table: Any = None, properties: Properties | None = None) -> dict[str, Any]:
    """What the runs of a case rest on, with its inputs; `table` and `properties` only save reading them again."""
    own = basis([case.kinetics], table or load_table(case.description), properties)
    return {"inputs": json.dumps(case.inputs or plain_inputs(case), ensure_ascii=False, sort_keys=True), **own}


def basis(sets: Iterable[KineticSet], table: Any, properties: Properties | None = None) -> dict[str, Any]:
    """The same without inputs, for runs of many cases with some sets of constants and one description."""
    sets = list(sets)
    known = properties or load_properties()
    keys = [*table.references, *(key for own in sets for key in own.references), *known.references]
    versions = {"bronzeward": bronzeward.__version__, "numpy": np.__version__, "python": platform.python_version()}
    return {
        "comment": COMMENT,
        "versions": json.dumps(versions),
        "thermodynamic_description": table.description,
        "tdb_sha256": table.tdb_sha256,
        "kinetic_set": ", ".join(dict.fromkeys(own.name for own in sets)),
        "references": "\n".join(literature.citations(keys)),
    }


def plain_inputs(case: Case) -> dict[str, Any]:
    """Inputs of a case that was made in Python, with the keys of a case file."""
    named = case.kinetics.name in available_sets() and case.kinetics == load_set(case.kinetics.name)
    schedule: dict[str, Any]
    if case.schedule.steps:
        schedule = {"start_C": case.schedule.steps[0]["start_C"], "steps": list(case.schedule.steps[1:])}
    else:
        schedule = {
            "measured": {
                "time_s": case.schedule.time.tolist(),
                "temperature_K": case.schedule.temperature.tolist(),
            }
        }
    return {
        **_plain_strand(case.strand),
        "schedule": schedule,
        "kinetics": {"set": case.kinetics.name} if named else {"constants": plain_set(case.kinetics)},
        "thermodynamics": {"description": case.description},
        "numerics": dict(vars(case.numerics)),
    }


def _plain_strand(strand: Strand) -> dict[str, Any]:
    """A strand with the keys of a case file, in numbers that read back to the same bits."""

    def length(metres: float) -> float:
        return written(metres, MICROMETRE, lambda um: um * MICROMETRE)

    def diameter(radius: float) -> float:
        return written(radius, 0.5 * MICROMETRE, lambda um: 0.5 * um * MICROMETRE)

    films = {"initial_eta_um": length(strand.initial_eta), "initial_epsilon_um": length(strand.initial_epsilon)}
    if strand.plane:
        tin, copper = length(strand.core_radius), length(strand.rings[0].radius)
        return {"couple": {"tin_thickness_um": tin, "copper_thickness_um": copper, **films}}
    pack = [{"outer_diameter_um": diameter(r.radius), "copper_fraction": r.copper_fraction} for r in strand.rings]
    core = {"core_diameter_um": diameter(strand.core_radius), "pack": pack, "porosity": strand.porosity}
    return {"strand": {**core, **films}}
