"""Several results side by side: one table of answers and one figure.

A difference is marked where the 5-95 % bands of the two results do not meet. A result carries bands when
it comes from an ensemble: its attribute `bands` holds, as JSON, [5 %, median, 95 %] by the names of
`answers.ANSWERS`, and its variables `..._low` and `..._high` the same against time.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from math import isfinite
from typing import Any, NamedTuple

import numpy as np
from matplotlib.figure import Figure

from bronzeward.errors import InputError
from bronzeward.model.answers import numbers
from bronzeward.model.result import Result
from bronzeward.plots import style
from bronzeward.plots.run_history import BAND
from bronzeward.units import HOUR, ZERO_CELSIUS

WIDTH = 80
"""Columns of a terminal that a table may take."""

LABEL_WIDTH = 34
COLUMN = 11
PER_BLOCK = (WIDTH - LABEL_WIDTH) // COLUMN

Named = tuple[str, Result]


class Row(NamedTuple):
    """One answer: its name in `answers.ANSWERS`, words, and how to show it (shown = value * scale + shift)."""

    key: str
    words: str
    scale: float
    shift: float
    digits: int


ROWS: tuple[Row, ...] = (
    Row("first_liquid_time", "first liquid, h", 1.0 / HOUR, 0.0, 2),
    Row("first_liquid_temperature", "first liquid, °C", 1.0, -ZERO_CELSIUS, 1),
    Row("shell_at_first_liquid", "shell then, µm", 1e6, 0.0, 2),
    Row("tin_left_at_first_liquid", "tin still in the core then, %", 100.0, 0.0, 1),
    Row("overfill_at_first_liquid", "overfill then, % of core", 100.0, 0.0, 2),
    Row("overfill_peak", "largest overfill, % of core", 100.0, 0.0, 2),
    Row("peak_liquid_tin", "peak liquid, % of tin", 100.0, 0.0, 1),
    Row("peak_liquid", "peak liquid, % of atoms", 100.0, 0.0, 1),
    Row("liquid_gone_time", "liquid gone, h", 1.0 / HOUR, 0.0, 2),
    Row("eta_at_peritectic", "tin in eta where it melts, %", 100.0, 0.0, 2),
    Row("liquid_returned", "tin liquid again after that, %", 100.0, 0.0, 2),
    Row("shell_at_end", "shell at the end, µm", 1e6, 0.0, 2),
    Row("tin_used_at_end", "tin out of the core at the end, %", 100.0, 0.0, 1),
    Row("total_time", "whole schedule, h", 1.0 / HOUR, 0.0, 1),
)


def bands_of(result: Result) -> dict[str, tuple[float, float, float]]:
    """5 %, median and 95 % of every answer that the result has them for, SI units."""
    try:
        found = json.loads(result.attributes.get("bands", "{}"))
        return {key: (float(low), float(middle), float(high)) for key, (low, middle, high) in found.items()}
    except (ValueError, TypeError, AttributeError):
        raise InputError("result: its attribute 'bands' is not JSON with three numbers for each answer") from None


def differs(one: Result, other: Result, key: str) -> bool:
    """Whether the bands of an answer do not meet; False where either result has none."""
    first, second = bands_of(one).get(key), bands_of(other).get(key)
    if first is None or second is None or not all(map(isfinite, (*first, *second))):
        return False
    return first[2] < second[0] or second[2] < first[0]


def data(results: Sequence[Named]) -> dict[str, Any]:
    """The answers of every result as plain data, SI units, with what is marked against the first."""
    _checked(results)
    first = results[0][1]
    return {
        "schema": "bronzeward/compare/1",
        "results": [
            {
                "name": name,
                "title": str(result.attributes.get("title", "")),
                "answers": {key: value if isfinite(value) else None for key, value in numbers(result).items()},
                "bands": {key: list(band) for key, band in bands_of(result).items()},
                "differs": [row.key for row in ROWS if result is not first and differs(first, result, row.key)],
            }
            for name, result in results
        ],
    }


def table(results: Sequence[Named]) -> str:
    """Answers of several results as text, 80 columns wide.

    Parameters
    ----------
    results : sequence of (name, Result)
        The first is what the others are compared with.
    """
    _checked(results)
    lines = [f"{number:>3}  {_cut(_title(*one), WIDTH - 5)}" for number, one in enumerate(results, start=1)]
    found = [numbers(result) for _, result in results]
    for start in range(0, len(results), PER_BLOCK):
        block = range(start, min(start + PER_BLOCK, len(results)))
        lines += ["", " " * LABEL_WIDTH + "".join(f"{k + 1:>{COLUMN}}" for k in block)]
        lines += [
            f"{row.words:<{LABEL_WIDTH}}" + "".join(_cell(results, found, row, k) for k in block).rstrip()
            for row in ROWS
            if any(isfinite(one[row.key]) for one in found)
        ]
    lines += ["", *_notes(results)]
    return "\n".join(line.rstrip() for line in lines)


def _cell(results: Sequence[Named], found: Sequence[dict[str, float]], row: Row, k: int) -> str:
    value = found[k][row.key]
    text = f"{value * row.scale + row.shift:.{row.digits}f}" if isfinite(value) else "-"
    text = text.removeprefix("-") if text.strip("-0.") == "" and text != "-" else text
    mark = "*" if k and differs(results[0][1], results[k][1], row.key) else " "
    return f"{text:>{COLUMN - 1}}{mark}"


def _notes(results: Sequence[Named]) -> list[str]:
    banded = [bool(bands_of(result)) for _, result in results]
    notes = ["- : no such moment in that run."]
    if all(banded):
        notes.append("* : the 5-95 % bands of this result and of the first do not meet.")
    else:
        notes.append("Not every file holds bands, so differences to those without are not marked;")
        notes.append("growth constants are known to a factor of 2 to 3 at best.")
    notes.append("Estimates, not a qualification: a witness sample decides.")
    return notes


def draw(results: Sequence[Named]) -> Figure:
    """Temperature, shell, liquid and overfill of several results against time, on one column-wide figure.

    At most six results, told apart by colour, dashes and number.
    """
    _checked(results)
    if len(results) > len(style.STROKES):
        raise InputError(f"compare: {len(results)} results; one figure takes {len(style.STROKES)} at most")
    panels = (
        ("temperature, °C", "temperature", 1.0, -ZERO_CELSIUS),
        ("whole shell, µm", "shell_thickness", 1e6, 0.0),
        ("liquid, % of tin", "liquid_tin_fraction", 100.0, 0.0),
        ("overfill, % of core", "overfill", 100.0, 0.0),
    )
    key = 0.135 * len(results) + 0.05
    with style.settings():
        figure, axes = style.column_of_axes([1.05] * len(panels), top=key + 0.1)
        total = figure.get_figheight()
        left = axes[0].get_position().x0
        _write_names(figure.add_axes((left, 1.0 - (key + 0.02) / total, 0.97 - left, key / total)), results)
        longest = max(float(result["time"][-1]) for _, result in results) / HOUR
        for ax, (label, name, scale, shift) in zip(axes, panels, strict=True):
            plot_one(results, name, ax, scale, shift)
            ax.set_ylabel(label)
            ax.set_xlim(0.0, longest)
            ax.tick_params(axis="x", labelbottom=ax is axes[-1])
            ax.set_xlabel("time, h" if ax is axes[-1] else "")
            if name == "overfill":
                ax.axhline(0.0, color=style.INK, linewidth=0.6)
            else:
                ax.set_ylim(0.0, None)
    drawn: Figure = figure
    return drawn


def plot_one(results: Sequence[Named], name: str, ax: Any = None, scale: float = 1.0, shift: float = 0.0) -> Any:
    """One variable of several results against time [h], shown as value * scale + shift; returns the axes."""
    with style.settings():
        ax = style.new_axes() if ax is None else ax
        for (colour, dash, marker), (_, result) in zip(style.STROKES, results, strict=False):
            hours = result["time"] / HOUR
            low, high = (f"{name}{ending}" for ending in BAND)
            if low in result.variables and high in result.variables:
                ends = (result[end] * scale + shift for end in (low, high))
                ax.fill_between(hours, *ends, color=colour, alpha=0.18, linewidth=0)
            values = result[name] * scale + shift
            ax.plot(hours, values, color=colour, linewidth=1.2, linestyle=(0, dash) if dash else "-")
            k = int(np.argmax(np.abs(values - values[0])))
            ax.plot(
                hours[k], values[k], marker, color=colour, markersize=3.2, markeredgecolor="white", markeredgewidth=0.4
            )
        style.frame(ax)
        ax.set_xlabel("time, h")
    return ax


def _write_names(ax: Any, results: Sequence[Named]) -> None:
    """Stroke and name of each result, one a line."""
    ax.set_axis_off()
    ax.set_xlim(0.0, 1.0)
    ax.set_ylim(len(results) - 0.5, -0.5)
    for k, ((colour, dash, marker), one) in enumerate(zip(style.STROKES, results, strict=False)):
        ax.plot([0.0, 0.1], [k, k], color=colour, linewidth=1.2, linestyle=(0, dash) if dash else "-")
        ax.plot(0.05, k, marker, color=colour, markersize=3.2, markeredgecolor="white", markeredgewidth=0.4)
        ax.text(0.12, k, f"{k + 1}  {_cut(_title(*one), 48)}", va="center", fontsize=6.5)


def _title(name: str, result: Result) -> str:
    title = str(result.attributes.get("title", ""))
    return f"{name}: {title}" if title else name


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _checked(results: Sequence[Named]) -> None:
    if not results:
        raise InputError("compare: give at least one result")
