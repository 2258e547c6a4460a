"""What else could be true, from `databases/doubts.toml`: spreads of inputs, and alternatives of the model."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

from bronzeward import files
from bronzeward.materials import literature


@dataclass(frozen=True)
class Alternative:
    """What the model could have assumed: the values at some paths of a case; factors multiply what is there."""

    name: str
    values: tuple[tuple[str, float | str], ...]
    note: str


def _table() -> dict[str, Any]:
    return files.read_toml(literature.folder() / "doubts.toml")


@cache
def usual_spreads() -> dict[str, float]:
    """Standard deviations of inputs by name, SI units."""
    return {row["name"]: float(row["value"]) for row in _table()["spread"]}


@cache
def reference_thickness_um() -> float:
    """Thickness [µm] at which constants hold that name none."""
    return float(next(row for row in _table()["spread"] if row["name"] == "growth_exponent")["reference_thickness_um"])


@cache
def alternatives() -> tuple[Alternative, ...]:
    """All alternatives, in the order of the file."""
    rows = _table()["alternative"]
    return tuple(Alternative(row["name"], tuple(row["values"].items()), row["note"] or row["locator"]) for row in rows)
