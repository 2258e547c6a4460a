"""The validation as a page: every check with source, grade, value, deviation, tolerance and verdict."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from bronzeward.files import write_text
from bronzeward.materials import literature
from bronzeward.plots.validation import plot_deviations
from bronzeward.reports.page import Table, page_target, picture, rendered
from bronzeward.reports.validation_text import (
    HELD_HEAD,
    band_line,
    held_rows,
    left_out_lines,
    short,
    validation_summary,
)
from bronzeward.validation.outcome import MISSES, Outcome, by_kind, by_topic

SEEN = {
    "read": "the source itself",
    "abstract": "its abstract",
    "second-hand": "quoted by somebody else",
    "memory": "memory, unconfirmed",
    "derived": "computed",
}


def write_validation(outcomes: Sequence[Outcome], path: str | Path, overwrite: bool = False) -> Path:
    """Write the page whole or not at all.

    Raises
    ------
    InputError
        When the name does not end in .html, its folder is missing, or it exists already without `overwrite`.
    """
    target = page_target(path, "validation page")
    return write_text(validation_html(outcomes), target, overwrite)


def validation_html(outcomes: Sequence[Outcome]) -> str:
    """The page as text."""
    topics = [
        (topic.name, f"{topic.checks}", f"{topic.holding}", f"{topic.missing}", short(topic.deviation))
        for topic in by_topic(outcomes)
    ]
    kinds = [
        (kind.name, f"{kind.checks}", f"{kind.holding}", f"{kind.missing}", f"{kind.remembered}")
        for kind in by_kind(outcomes)
    ]
    works = literature.bibliography()
    caption = (
        "Shaded: within tolerance. Drawn at most three tolerances away. Checks with a one-sided tolerance, or with "
        "none, stand in the table only."
    )
    return rendered(
        "validation_page.html",
        title="Validation of bronzeward",
        summary=validation_summary(outcomes),
        band=band_line(outcomes),
        held=Table(HELD_HEAD, held_rows(outcomes)),
        left_out=left_out_lines(outcomes),
        kinds=Table(("kind", "checks", "hold", "miss", "from memory"), kinds),
        deviations=picture(plot_deviations(outcomes), _alt(outcomes), caption),
        topics=Table(("topic", "checks", "hold", "miss", "middle deviation over tolerance"), topics),
        rows=[_row(outcome) for outcome in outcomes],
        sources=[(key, works[key]) for key in sorted({o.check.source for o in outcomes if o.check.source})],
    )


def _alt(outcomes: Sequence[Outcome]) -> str:
    missed = [f"{o.check.id} ({o.scaled:+.1f})" for o in outcomes if o.verdict == MISSES and o.scaled is not None]
    return (
        "Deviation of each check over its tolerance, by topic. Within one tolerance lie all but "
        f"{', '.join(missed) or 'none'}."
    )


def _row(outcome: Outcome) -> dict[str, object]:
    """What a line of the table of checks shows."""
    check = outcome.check
    return {
        "check": check,
        "condition": "; ".join(f"{key}={text}" if text else key for key, text in check.condition.items()),
        "seen": SEEN.get(check.seen, ""),
        "value": f"{short(check.value)} {check.unit}",
        "computed": short(outcome.computed),
        "deviation": _deviation(outcome),
        "tolerance": _tolerance(outcome),
        "verdict": outcome.verdict,
        "expected": outcome.expected,
        "notes": " · ".join(part for part in (outcome.remark, check.note) if part),
    }


def _deviation(outcome: Outcome) -> str:
    if outcome.deviation is None:
        return ""
    return f"× {short(outcome.deviation)}" if outcome.check.tolerance_kind == "factor" else f"{outcome.deviation:+.3g}"


def _tolerance(outcome: Outcome) -> str:
    tolerance = short(outcome.check.tolerance)
    return {
        "absolute": f"± {tolerance}",
        "factor": f"× or ÷ {tolerance}",
        "at_most": f"at most + {tolerance}",
        "at_least": f"at least − {tolerance}",
    }.get(outcome.check.tolerance_kind, "not judged")
