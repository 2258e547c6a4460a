"""What a search for the shortest schedule found, as a table, a furnace programme and a case file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING

import tomli_w

from bronzeward.files import write_text
from bronzeward.model.answers import ANSWERS
from bronzeward.reports.furnace_programme import programme_table
from bronzeward.reports.text_table import table
from bronzeward.studies.optimise.shortest import Shortest

if TYPE_CHECKING:
    import xarray as xr


def shorten_report(shortest: Shortest) -> str:
    """What was found, what binds, and the programme; at most 80 columns.

    "By new members" is the share of members that had no part in the search: those that had are kept by choice.
    """
    first = "Shortest schedule that keeps all limits" if shortest.feasible else "No schedule keeps all limits; nearest"
    least = min(shortest.kept_by_others.values(), default=1.0)
    lines = [
        f"{first}: {shortest.hours:.1f} h",
        f"Kept by {100 * least:.1f} % of {shortest.others} new members, the least of all limits "
        f"({shortest.candidates} candidates run).",
    ]
    short = [limit.words() for limit in shortest.limits if shortest.kept_by_others[limit.words()] < limit.confidence]
    lines += [f"Less sure than asked for: {words}" for words in short]
    lines.append("")
    rows = [[path, f"{value:g}"] for path, value in shortest.values.items()]
    lines += [table(["free value", ""], rows), ""]
    rows = []
    for limit in shortest.limits:
        words = limit.words()
        reached = ANSWERS[limit.answer].number(shortest.reached[words])
        others = f"{100 * shortest.kept_by_others[words]:.1f} %"
        rows.append([words, reached, f"{100 * shortest.kept[words]:.1f} %", others])
    lines += [_limits_table(rows)]
    lines += ["Kept by: share of the members searched with; new members had no part in it.", ""]
    lines += [fill(shortest.caveat, 80), ""]
    if shortest.feasible:
        lines.append("It cannot be shorter because of:" + ("" if shortest.binding else " nothing found"))
        lines += [f"- {text}" for text in shortest.binding]
    elif shortest.binding:
        lines += ["At the ends of their ranges are:", *(f"- {text}" for text in shortest.binding)]
    lines += ["", programme_table(shortest.case.schedule)]
    return "\n".join(lines)


def _limits_table(rows: Sequence[Sequence[str]]) -> str:
    """Limits with what is reached; each in a line above its numbers where both do not fit into 80 columns."""
    heads = ["limit", "reached", "kept by", "by new members"]
    whole = table(heads, rows)
    if max(map(len, whole.splitlines())) <= 80:
        return whole
    numbers = table(["", *heads[1:]], [["", *row[1:]] for row in rows]).splitlines()
    return "\n".join(
        [numbers[0], *(line for row, number in zip(rows, numbers[1:], strict=True) for line in (row[0], number))]
    )


def shorten_data(shortest: Shortest) -> dict[str, object]:
    """What was found, as plain data."""
    return {
        "hours": shortest.hours,
        "feasible": shortest.feasible,
        "values": shortest.values,
        "kept": shortest.kept,
        "kept_by_others": shortest.kept_by_others,
        "others": shortest.others,
        "aims": shortest.aims,
        "binding": list(shortest.binding),
        "bands_leave_out": shortest.caveat,
    }


def curve_lines(data: xr.Dataset) -> list[str]:
    """Least hours by the value of the limit that varies, in the unit it was given in."""
    answer = ANSWERS[str(data.attrs["answer"])]
    rows = [
        [f"{float(answer.shown(limit)):g}", f"{float(hours):.1f}" if hours == hours else "none keeps it"]
        for limit, hours in zip(data["limit"].values, data["hours"].values, strict=True)
    ]
    head = f"{answer.title} {data.attrs['kind']} [{answer.shown_unit}]"
    return table([head, "least hours"], rows).splitlines()


def write_case(shortest: Shortest, path: str | Path, overwrite: bool = False) -> Path:
    """Write the case with the values found, ready to run."""
    return write_text(tomli_w.dumps(shortest.inputs), path, overwrite)
