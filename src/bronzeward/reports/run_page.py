"""One result as a page to hand on: answers, figures, constants with their sources, limits and cautions."""

from __future__ import annotations

import json
from math import isfinite
from pathlib import Path

from bronzeward.files import write_text
from bronzeward.model.answer_bands import bands_of, caveat_of
from bronzeward.model.answers import ANSWERS, DECISIVE, numbers
from bronzeward.model.events import events
from bronzeward.model.result import Result, Source, as_result
from bronzeward.reports.constant_tables import constants_of, properties_table, thermodynamics_table
from bronzeward.reports.doubts import doubts_lines, doubts_rows
from bronzeward.reports.input_tables import inputs_table
from bronzeward.reports.moving_section import moving_section
from bronzeward.reports.page import Table, page_target, rendered, script
from bronzeward.reports.run_pictures import account_picture, history_picture, sections_picture
from bronzeward.reports.summary import sentences
from bronzeward.studies.doubts import doubts_of

LIMITS = (
    "Only copper and tin: no ternary compound at the niobium, and no superconductor forming. Above about 550 °C the "
    "result says what copper and tin would do alone.",
    "Reaction fronts are smooth and round (flat in a plane couple). Nothing waits to nucleate, no grain boundary "
    "takes a short cut through the copper, and stress plays no part.",
    "Growth constants from the literature are known to a factor of 2 to 3 at best, some are estimates within a factor "
    "of 10. Where one is used outside the range it was measured in, a warning says so.",
    "The volume account compares what the contents need with the cavity they started in. It does not predict that a "
    "strand leaks or that it holds.",
    "Thicknesses in answers and tables are at 25 °C molar volumes, sections are drawn with volumes at temperature. "
    "Filaments and barrier are drawn as a pattern, not a layout.",
)

CAUTIONS = (
    "Furnaces, molten tin and inert gas injure and kill: burns, liquid metal thrown out of a strand that bursts, "
    "and suffocation in air that has lost its oxygen.",
    "Keep to local codes and to the furnace maker's instructions, and leave the work to qualified staff.",
    "This page is an estimate, not a qualification of any wire or schedule. A witness sample, heat-treated with the "
    "batch, sectioned and looked at, decides.",
)

LONGEST_CASE = 6000
"""Letters of the inputs that the page shows."""


def write_report(run: Source, path: str | Path, overwrite: bool = False) -> Path:
    """Write the report of a result as one HTML file; a reader never meets half a file.

    Raises
    ------
    InputError
        When the name does not end in .html, its folder is missing, it exists already without `overwrite`, or `run`
        is no result.
    """
    target = page_target(path, "report")
    return write_text(html(run), target, overwrite)


def html(run: Source) -> str:
    """The report of a result as the text of an HTML page."""
    result = as_result(run)
    about = {key: str(value) for key, value in result.attributes.items()}
    software = ", ".join(f"{name} {version}" for name, version in json.loads(about["versions"]).items())
    lines = [line for line in about["references"].splitlines() if line]
    return rendered(
        "run_page.html",
        title=about.get("title") or "Cu-Sn mixing heat treatment",
        completed=about["status"] == "completed",
        day=about["history"][:10],
        source=about["source"],
        sentences=[*sentences(result), *_band_sentences(result)],
        warnings=[f"{line[0].upper()}{line[1:]}." for line in about["warnings"].splitlines() if line],
        banded=bool(bands_of(result)),
        numbers=_numbers_table(result),
        doubts=_doubts_table(result),
        doubts_lines=() if (doubts := doubts_of(result)) is None else doubts_lines(doubts)[1],
        events=_events_table(result),
        history=history_picture(result),
        account=account_picture(result),
        sections=sections_picture(result),
        moving=moving_section(result),
        script=script("moving.js"),
        inputs=inputs_table(result),
        **constants_of(result),
        properties=properties_table(),
        thermodynamics=thermodynamics_table(result),
        limits=LIMITS,
        cautions=CAUTIONS,
        references=Table(("key", "work"), [line.split(": ", 1) if ": " in line else ("", line) for line in lines]),
        software=software,
        steps=about.get("steps", "0"),
        case=_case_text(about["inputs"]),
    )


def _band_sentences(result: Result) -> list[str]:
    """What the bands say of the answers that decide, in words."""
    bands = bands_of(result)
    parts = [
        f"{ANSWERS[key].title} {_minus(answer.number(low))} to {_minus(answer.number(high))} {answer.shown_unit}"
        for key, answer in ANSWERS.items()
        if key in DECISIVE and key in bands
        for low, _, high in [bands[key]]
    ]
    if not parts:
        return []
    size = json.loads(str(result.attributes.get("bands_of", "{}"))).get("size")
    of = f" of {size} runs" if size else ""
    return [f"Taken one by one, nine of ten answers{of} lie here: {'; '.join(parts)}. {caveat_of(result)}"]


def _numbers_table(result: Result) -> Table:
    """Answers as numbers, with 5-95 % bands where the result has them."""
    values, bands = numbers(result), bands_of(result)
    rows = []
    for key, answer in ANSWERS.items():
        if isfinite(values[key]):
            row = [answer.title, _minus(answer.words(values[key])), answer.text]
            if bands:
                ends = [_minus(answer.number(bands[key][k])) for k in (0, 2)] if key in bands else []
                row.insert(2, f"{' to '.join(ends)} {answer.shown_unit}" if ends else "not computed")
            rows.append(row)
    return Table(("answer", "value", *(("5 to 95 %",) if bands else ()), "meaning"), rows)


def _doubts_table(result: Result) -> Table | None:
    doubts = doubts_of(result)
    if doubts is None:
        return None
    heads, rows = doubts_rows(doubts)
    return Table(tuple(heads), [[_minus(cell) for cell in row] for row in rows])


def _minus(text: str) -> str:
    return text.replace("-", "−")


def _events_table(result: Result) -> Table:
    rows = [
        (f"{k}", event.words, f"{event.hours:.2f} h", f"{event.celsius:.1f} °C")
        for k, event in enumerate(events(result), start=1)
    ]
    return Table(("", "event", "time", "temperature"), rows)


def _case_text(inputs: str) -> str:
    text = json.dumps(json.loads(inputs), ensure_ascii=False, indent=1)
    if len(text) > LONGEST_CASE:
        text = text[:LONGEST_CASE].rsplit("\n", 1)[0] + "\n…  (the result file holds all of it)"
    return text
