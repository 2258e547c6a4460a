"""The constants a run used, with range, source and grade."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from bronzeward.errors import InputError
from bronzeward.files import read_toml
from bronzeward.inputs.case import case_from_json
from bronzeward.materials import literature
from bronzeward.materials.growth_constants import Constant
from bronzeward.materials.phases import PHASES
from bronzeward.model.result import Result
from bronzeward.plots import style
from bronzeward.plots.panels import present_phases
from bronzeward.reports.page import Table
from bronzeward.thermo import names

_CONTACTS = {"any": "", "liquid": "against liquid"}

_QUANTITIES = {
    "molar_volume": "molar volume at 25 °C",
    "linear_expansion": "linear expansion",
    "liquid_density": "density of the liquid",
    "yield_strength": "yield strength of annealed copper",
}


def constants_of(result: Result) -> dict[str, Any]:
    """What the page says of the growth constants, or why they can no longer be read."""
    try:
        kinetics = case_from_json(str(result.attributes["inputs"])).kinetics
    except InputError as error:
        return {"unreadable": str(error)}
    phases, wetted = present_phases(result), _wetted(result)
    used = [c for c in kinetics.constants if c.phase in phases and (c.contact == "any" or c.phase in wetted)]
    columns = ("phase", "prefactor, m²/s", "E, kJ/mol", "known for, °C", "within", "grade, seen", "source")
    return {
        "unreadable": "",
        "kinetic_set": str(result.attributes["kinetic_set"]),
        "scaled": bool(json.loads(result.attributes["inputs"]).get("kinetics", {}).get("factors")),
        "constants": Table(columns, [_constant_row(c) for c in used]),
        "remarks": [f"{_constant_name(c)}: {c.note}." for c in used if c.note],
    }


def _wetted(result: Result) -> set[str]:
    """Phases that touch liquid at some time: the outermost on the tin side where the core is liquid."""
    present = result["amount"][result["amount"][:, 0] > 0][:, 2:] > 0
    return {PHASES[2 + int(k)] for k in np.argmax(present, axis=1)[present.any(axis=1)]}


def _constant_row(constant: Constant) -> tuple[str, ...]:
    laws = ((constant.prefactor, constant.activation), *constant.terms)
    return (
        _constant_name(constant),
        " + ".join(f"{prefactor:.3g}" for prefactor, _ in laws),
        " + ".join(f"{energy / 1e3:.1f}" for _, energy in laws),
        constant.known_C,
        f"{constant.factor:.3g}; outside {constant.extrapolated_factor:.3g}",
        f"{constant.grade}, {constant.seen}",
        ", ".join(constant.source) or "none",
    )


def _constant_name(constant: Constant) -> str:
    return f"{style.LOOKS[constant.phase].name} {_CONTACTS[constant.contact]}".strip()


def properties_table() -> Table:
    """Volumes, expansions, densities and strength."""
    rows = [
        (
            _QUANTITIES[row["quantity"]],
            str(row["phase"]),
            _property_words(row),
            f"{row['grade']}, {row['seen']}",
            ", ".join(row.get("source", ())) or "none",
        )
        for row in read_toml(literature.folder() / "properties.toml")["value"]
        if row["quantity"] in _QUANTITIES
    ]
    return Table(("quantity", "of", "value", "grade, seen", "source"), rows)


def _property_words(row: dict[str, Any]) -> str:
    if "value" in row:
        at = f" at {row['t_min_C']:g} °C" if row["quantity"] == "yield_strength" else ""
        unit = str(row.get("unit", "")).replace("m3", "m³").replace("m2", "m²")
        return f"{float(row['value']):.4g} {unit}{at}".strip()
    slope = f"{row['slope_kg_per_m3_K']:+.4g} (T − {row['reference_K']:g} K)"
    return f"{row['intercept_kg_per_m3']:g} {slope} kg/m³"


def thermodynamics_table(result: Result) -> Table:
    """The thermodynamic description, its sources and where it holds."""
    name = str(result.attributes["thermodynamic_description"])
    rows = [("description", name), ("sha256 of the TDB file", str(result.attributes["tdb_sha256"]))]
    sidecar = literature.folder() / "descriptions" / f"{name}.toml"
    if name in names():
        about = read_toml(sidecar)
        rows += [("title", str(about.get("title", ""))), ("sources", ", ".join(about.get("sources", ())))]
        rows += [("valid", " ".join(str(about.get("validity", "")).split()))]
    return Table(("", ""), [row for row in rows if row[1]])
