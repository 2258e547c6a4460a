"""The numbers of a strand that a page lets one slide, and how far."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from bronzeward.inputs.case_values import value_at
from bronzeward.inputs.strand import MOST_ECCENTRIC

_TITLES = {
    "core_diameter_um": "tin core ⌀, µm",
    "sleeve_diameter_um": "copper sleeve ⌀, µm",
    "copper_tin_ratio": "Cu:Sn atoms",
    "outer_diameter_um": "pack ring ⌀, µm",
    "copper_fraction": "copper in the ring",
    "tin_thickness_um": "tin, µm",
    "copper_thickness_um": "copper, µm",
    "porosity": "pores in the core",
    "eccentricity": "core off centre, of the wall",
    "initial_eta_um": "η from storage, µm",
    "initial_epsilon_um": "ε from storage, µm",
}


SHARES = {"porosity": (0.0, 0.5), "copper_fraction": (0.05, 1.0), "eccentricity": (0.0, MOST_ECCENTRIC)}
"""How far shares may be slid."""


class Dial(NamedTuple):
    """A number that can be slid: its path in the case, what it is called, where it may go."""

    path: str
    title: str
    value: float
    low: float
    high: float
    step: float


def dials(inputs: Mapping[str, Any]) -> list[Dial]:
    """The dials of a case; sizes go from half to double of what they are now."""
    table = "strand" if "strand" in inputs else "couple"
    keys = [*inputs[table], *(["eccentricity"] if table == "strand" and "eccentricity" not in inputs[table] else [])]
    paths = [f"{table}.{key}" for key in keys if key in _TITLES]
    for k in range(len(inputs[table].get("pack", []))):
        paths += [f"{table}.pack.{k}.{key}" for key in ("outer_diameter_um", "copper_fraction")]
    core = value_at(inputs, f"{table}.core_diameter_um") or value_at(inputs, f"{table}.tin_thickness_um") or 1.0
    return [_dial(path, value_at(inputs, path) or 0.0, core) for path in paths]


def _dial(path: str, value: float, core: float) -> Dial:
    *_, number, key = path.split(".")
    title = f"{_TITLES[key]} ({int(number) + 1})" if number.isdigit() else _TITLES[key]
    if key in SHARES:
        return Dial(path, title, value, *SHARES[key], 0.01)
    if key.startswith("initial"):
        return Dial(path, title, value, 0.0, max(value, round(0.09 * core, 2)), 0.01)
    return Dial(path, title, value, round(0.5 * value, 2), round(2.0 * value, 2), 0.1)
