"""Where numbers come from: inputs, versions, thermodynamic description, constants and references of a result.

Global attributes that every Dataset of runs carries, whatever else it holds.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Iterable

import numpy as np

import bronzeward
from bronzeward.inputs.case import Case
from bronzeward.materials import literature
from bronzeward.materials.kinetics import KineticSet
from bronzeward.materials.properties import Properties, load_properties
from bronzeward.model.case_table import case_table
from bronzeward.thermo.table import PhaseTable

COMMENT = (
    "An estimate, not a qualification: binary Cu-Sn only, planar fronts, no incubation, no A15 reaction; "
    "a witness sample decides."
)


def provenance(case: Case, table: PhaseTable | None = None, properties: Properties | None = None) -> dict[str, str]:
    """What the runs of a case rest on, with its inputs; `table` and `properties` only save reading them again."""
    rests = basis([case.kinetics], table or case_table(case), properties)
    return {"inputs": json.dumps(case.to_data(), ensure_ascii=False, sort_keys=True), **rests}


def rests_on(cases: Iterable[Case]) -> dict[str, str]:
    """What the runs of cases with different sets and descriptions rest on, each named once."""
    each = [basis([case.kinetics], case_table(case)) for case in cases]
    ends = {"thermodynamic_description": ", ", "tdb_sha256": ", ", "kinetic_set": ", ", "references": "\n"}
    return {
        key: end.join(dict.fromkeys(part for one in each for part in one[key].split(end))) for key, end in ends.items()
    }


def basis(sets: Iterable[KineticSet], table: PhaseTable, properties: Properties | None = None) -> dict[str, str]:
    """The same without inputs, for runs of many cases with some sets of constants and one description."""
    sets = list(sets)
    known = properties or load_properties()
    keys = [*table.references, *(key for constants in sets for key in constants.references), *known.references]
    versions = {"bronzeward": bronzeward.__version__, "numpy": np.__version__, "python": platform.python_version()}
    return {
        "comment": COMMENT,
        "versions": json.dumps(versions),
        "thermodynamic_description": table.description,
        "tdb_sha256": table.tdb_sha256,
        "kinetic_set": ", ".join(dict.fromkeys(constants.name for constants in sets)),
        "references": "\n".join(literature.citations(keys)),
    }
