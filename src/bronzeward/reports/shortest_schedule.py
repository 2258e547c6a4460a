"""What a search for the shortest schedule found, as a table, a furnace programme and a case file."""

from __future__ import annotations

from pathlib import Path

import tomli_w

from bronzeward.files import write_text
from bronzeward.inputs.schedule import Schedule
from bronzeward.model.answers import ANSWERS
from bronzeward.reports.text_table import table
from bronzeward.studies.optimise.shortest import Shortest
from bronzeward.units import HOUR, ZERO_CELSIUS


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
        rows.append([words[:46], reached, f"{100 * shortest.kept[words]:.1f} %", others])
    lines += [table(["limit", "reached", "kept by", "by new members"], rows)]
    lines += ["Kept by: share of the members searched with; new members had no part in it.", ""]
    lines.append("It cannot be shorter because of: " + ("" if shortest.binding else "nothing found"))
    lines += [f"- {text}" for text in shortest.binding]
    lines += ["", programme_table(shortest.case.schedule)]
    return "\n".join(lines)


def programme_table(schedule: Schedule) -> str:
    """The schedule as a furnace is programmed: segments with rate, set-point and dwell.

    A ramp and the hold after it are one segment; an exponential cool is given as its straight pieces.
    """
    rows: list[list[str]] = []
    t, kelvin = schedule.time / HOUR, schedule.temperature - ZERO_CELSIUS
    k = 0
    while k < len(t) - 1:
        rate = (kelvin[k + 1] - kelvin[k]) / (t[k + 1] - t[k])
        target, dwell = kelvin[k + 1], 0.0
        if rate == 0.0:
            dwell, k = t[k + 1] - t[k], k + 1
        else:
            k += 1
            while k < len(t) - 1 and kelvin[k + 1] == kelvin[k]:
                dwell, k = dwell + t[k + 1] - t[k], k + 1
        texts = [f"{rate:+.1f}" if rate else "-", f"{target:.1f}", f"{dwell:.2f}", f"{t[k]:.2f}"]
        rows.append([str(len(rows) + 1), *texts])
    if schedule.quenched:
        rows.append([str(len(rows) + 1), "quench", "", "", f"{t[-1]:.2f}"])
    return table(["segment", "rate °C/h", "set-point °C", "dwell h", "ends at h"], rows)


def write_case(shortest: Shortest, path: str | Path, overwrite: bool = False) -> Path:
    """Write the case with the values found, ready to run."""
    return write_text(tomli_w.dumps(shortest.inputs), path, overwrite)
