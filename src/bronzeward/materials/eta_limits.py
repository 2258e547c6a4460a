"""Up to which temperature eta is stable, as others than the description in use have it."""

from __future__ import annotations

import re
from functools import cache
from math import isfinite
from typing import Any

from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.materials import literature
from bronzeward.units import ZERO_CELSIUS

DESCRIPTION = "description"
"""The choice that leaves the limit to the thermodynamic description."""

LOWEST_C, HIGHEST_C = 350.0, 500.0
"""Limits outside these are taken for slips of the pen [°C]."""


@cache
def published_limits() -> dict[str, float]:
    """Temperatures [K] up to which eta is stable, by the bibliography key of the source."""
    return {source: float(row["value"]) for source, row in _rows().items()}


def limit_words(name: str) -> str:
    """Whose limit it is, for figures and tables: grade and year of a published one, "description" as it stands."""
    if name == DESCRIPTION:
        return name
    year = re.search(r"\((\d{4})\)", literature.bibliography()[name])
    return f"{_rows()[name]['grade']} {year[1] if year else name}"


@cache
def _rows() -> dict[str, dict[str, Any]]:
    """Rows of published limits by the bibliography key of the source."""
    rows = files.read_toml(literature.folder() / "properties.toml")["value"]
    return {str(row["source"][0]): row for row in rows if row["quantity"] == "eta_limit"}


def checked_limit(value: object) -> str | float:
    """A choice of limit: "description", the key of a published one, or a temperature [°C].

    Raises InputError for anything else.
    """
    if isinstance(value, str) and value in (DESCRIPTION, *published_limits()):
        return value
    known = ", ".join(f'"{name}"' for name in (DESCRIPTION, *published_limits()))
    allowed = f"{known}, or °C from {LOWEST_C:g} to {HIGHEST_C:g}"
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise InputError(f"thermodynamics: eta_limit is {value!r}; allowed: {allowed}")
    if not LOWEST_C <= value <= HIGHEST_C:
        raise InputError(f"thermodynamics: eta_limit is {value:g}; allowed: {allowed}")
    return float(value)


def limit_in_kelvin(choice: str | float) -> float | None:
    """The temperature [K] of a choice; None where it is left to the description."""
    if isinstance(choice, str):
        return None if choice == DESCRIPTION else published_limits()[choice]
    return choice + ZERO_CELSIUS
