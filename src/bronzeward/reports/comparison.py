"""Answers of several results side by side, as text and as data.

A difference is marked where the 5-95 % bands of two results do not meet.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from textwrap import fill

from bronzeward.errors import InputError
from bronzeward.model.answer_bands import bands_of, caveat_of, caveats_of, differs
from bronzeward.model.answers import ANSWERS, Answer, numbers
from bronzeward.model.result import Result, Source, as_result
from bronzeward.plots.lettering import shortened
from bronzeward.visible_text import visible_line

WIDTH = 80
"""Columns of a terminal that a table may take."""

TITLE_WIDTH = 34
CELL_WIDTH = 11
PER_BLOCK = (WIDTH - TITLE_WIDTH) // CELL_WIDTH

Named = tuple[str, Result]


def comparison_data(runs: Sequence[tuple[str, Source]]) -> dict[str, object]:
    """The answers of every result as plain data, SI units, with what is marked against the first.

    Parameters
    ----------
    runs : sequence of (name, result)
        The first is what the others are compared with.
    """
    results = _opened(runs)
    first = results[0][1]
    return {
        "schema": "bronzeward/compare/1",
        "results": [
            {
                "name": name,
                "title": str(result.attributes.get("title", "")),
                "answers": {key: value if isfinite(value) else None for key, value in numbers(result).items()},
                "bands": (bands := {key: list(band) for key, band in bands_of(result).items()}),
                "bands_leave_out": caveat_of(result) if bands else None,
                "differs": [key for key in ANSWERS if result is not first and differs(first, result, key)],
            }
            for name, result in results
        ],
    }


def comparison_table(runs: Sequence[tuple[str, Source]]) -> str:
    """Answers of several results as text, 80 columns wide; the first is what the others are compared with."""
    results = _opened(runs)
    titles = [str(result.attributes.get("title", "")) for _, result in results]
    names = [f"{name}: {title}" if title else name for (name, _), title in zip(results, titles, strict=True)]
    lines = [f"{place:>3}  {shortened(visible_line(name), WIDTH - 5)}" for place, name in enumerate(names, start=1)]
    values = [numbers(result) for _, result in results]
    for start in range(0, len(results), PER_BLOCK):
        block = range(start, min(start + PER_BLOCK, len(results)))
        lines += ["", " " * TITLE_WIDTH + "".join(f"{k + 1:>{CELL_WIDTH}}" for k in block)]
        lines += [
            f"{f'{answer.title}, {answer.shown_unit}':<{TITLE_WIDTH}}"
            + "".join(_cell(results, answer, values[k][key], k) for k in block)
            for key, answer in ANSWERS.items()
            if any(isfinite(row[key]) for row in values)
        ]
    return "\n".join(line.rstrip() for line in [*lines, "", *_notes(results)])


def _opened(runs: Sequence[tuple[str, Source]]) -> list[Named]:
    if not runs:
        raise InputError("compare: give at least one result")
    return [(name, as_result(run)) for name, run in runs]


def _cell(results: Sequence[Named], answer: Answer, value: float, k: int) -> str:
    mark = "*" if k and differs(results[0][1], results[k][1], answer.key) else " "
    return f"{answer.number(value):>{CELL_WIDTH - 1}}{mark}"


def _notes(results: Sequence[Named]) -> list[str]:
    asked = [[isfinite(value) for value in numbers(result).values()] for _, result in results]
    lacking = any(any(column) and not all(column) for column in zip(*asked, strict=True))
    notes = ["- : no such moment in that run."] if lacking else []
    if all(bands_of(result) for _, result in results):
        notes.append("* : the 5-95 % bands of this result and of the first do not meet.")
        notes += [fill(caveat, WIDTH) for caveat in caveats_of([result for _, result in results])]
    else:
        notes.append("Not every file holds bands, so differences to those without are not marked;")
        notes.append("growth constants from the literature are known to a factor of 2 to 3 at best.")
    return [*notes, "Estimates, not a qualification: a witness sample decides."]
