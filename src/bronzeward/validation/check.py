"""Values to compare with: the rows of `databases/checks.csv`, and closed forms in the same shape."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from typing import Any

from bronzeward.errors import InputError
from bronzeward.materials import literature

COLUMNS = (
    "id", "topic", "kind", "condition", "value", "unit", "tolerance", "tolerance_kind", "tolerance_reason",
    "grade", "seen", "source", "locator", "note",
)  # fmt: skip
"""Columns of checks.csv."""

KINDS = MEASUREMENT, ASSESSED, STANDARD, OWN_INPUT, CLOSED_FORM, UNJUDGED = (
    "measurement", "assessed", "standard", "own input", "closed form", "information",
)  # fmt: skip
"""What a check confronts the program with: a published measurement, an assessed value, a standard or data sheet,
values its own constants were fitted to, a formula, or nothing (shown, not judged)."""

OUTSIDE = (MEASUREMENT, ASSESSED, STANDARD)
"""Kinds that come from outside the program."""


@dataclass(frozen=True)
class Check:
    """One value to compare with: a row of checks.csv, or a closed form.

    `value` in `unit`; `tolerance` by `tolerance_kind`: absolute, factor, at_most, at_least, information.
    """

    id: str
    topic: str
    condition: dict[str, str]
    value: float
    unit: str
    tolerance: float
    tolerance_kind: str
    tolerance_reason: str
    grade: str
    seen: str
    source: str
    locator: str = ""
    note: str = ""
    kind: str = CLOSED_FORM

    @property
    def known_miss(self) -> bool:
        """Whether the note says that the program misses it."""
        return "misses" in self.note


def read_checks() -> list[Check]:
    """Every row of checks.csv, in the order of the file."""
    path = literature.folder() / "checks.csv"
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    return [_check(row, f"{path}: line {number}") for number, row in enumerate(rows, start=2)]


def _check(row: dict[str, Any], where: str) -> Check:
    missing = [column for column in COLUMNS if not isinstance(row.get(column), str)]
    if missing or None in row:
        raise InputError(f"{where}: expected the columns {', '.join(COLUMNS)}")
    parts = [part.strip() for part in row["condition"].split("; ")]
    condition = dict(part.split("=", 1) if "=" in part else (part, "") for part in parts)
    try:
        value, tolerance = float(row["value"]), float(row["tolerance"])
    except ValueError:
        raise InputError(f"{where}: value and tolerance must be numbers") from None
    if row["kind"] not in KINDS:
        raise InputError(f"{where}: kind '{row['kind']}'; allowed are {', '.join(KINDS)}")
    texts = {key: row[key] for key in COLUMNS if key not in ("condition", "value", "tolerance")}
    return Check(condition=condition, value=value, tolerance=tolerance, **texts)
