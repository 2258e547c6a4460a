"""What a page saves: the case, the furnace's table, the report. Beside the case, under a plain name."""

from __future__ import annotations

from pathlib import Path

import tomli_w

from bronzeward.errors import InputError
from bronzeward.files import write_text
from bronzeward.live.draft import Draft
from bronzeward.model.result import Result
from bronzeward.reports.furnace_programme import programme_table
from bronzeward.reports.run_page import write_report

KINDS = {"case": ".toml", "furnace table": ".txt", "report": ".html"}
"""Endings by what is saved."""


def save(kind: str, draft: Draft, result: Result | None, folder: Path, name: str, replace: bool) -> Path:
    """Write one of `KINDS` into a folder; its path.

    Raises
    ------
    InputError
        When the name is no plain one, the file exists and is not to be replaced, or a report has no result yet.
    """
    if not name or name != Path(name).name or name.startswith(".") or "\\" in name or "\0" in name or len(name) > 100:
        raise InputError(f"name: '{name}'; give a plain name, without a folder")
    target = folder / f"{name}{KINDS[kind]}"
    if target.exists() and not replace:
        raise InputError(f"{target.name} exists already; tick 'replace' or give another name")
    if kind == "case":
        return write_text(tomli_w.dumps(dict(draft.inputs)), target, replace)
    if kind == "furnace table":
        return write_text(f"{programme_table(draft.case().schedule)}\n", target, replace)
    if result is None:
        raise InputError("the run is still being computed; try again")
    return write_report(result, target, replace)
