"""The validation as one HTML page: every check with source, grade, value, deviation, tolerance and verdict.

One file, no network: the figure is a picture inside it, and the page itself forbids fetching anything.
"""

from __future__ import annotations

from base64 import b64encode
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

import bronzeward
from bronzeward.errors import InputError
from bronzeward.files import write_text
from bronzeward.materials import literature
from bronzeward.plots import run_history, style
from bronzeward.validation.checks import HOLDS, MISSES, NOT_COMPUTED, Outcome, by_topic, counts, summary

FARTHEST = 3.0
"""Deviations are drawn at most this many tolerances away."""

SEEN = {
    "read": "the source itself",
    "abstract": "its abstract",
    "second-hand": "quoted by somebody else",
    "memory": "memory, unconfirmed",
    "derived": "computed",
    "none": "",
}


def write_page(outcomes: list[Outcome], path: str | Path, overwrite: bool = False) -> Path:
    """Write the page whole or not at all.

    Raises
    ------
    InputError
        When the name does not end in .html, its folder is missing, or it exists already without `overwrite`.
    """
    target = Path(path)
    if target.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"{target}: a validation page ends in .html")
    return write_text(page(outcomes), target, overwrite)


def page(outcomes: list[Outcome]) -> str:
    """The page as text."""
    picture = b64encode(run_history.encode(draw_deviations(outcomes), "png")).decode("ascii")
    return _PAGE.format(
        version=escape(bronzeward.__version__),
        summary=escape(summary(outcomes)),
        picture=picture,
        alt=escape(_alt(outcomes)),
        topics="\n".join(_topic_row(*row) for row in by_topic(outcomes)),
        rows="\n".join(_row(outcome) for outcome in outcomes),
        sources=_sources(outcomes),
    )


def text_table(outcomes: list[Outcome]) -> list[str]:
    """Topics with how many checks hold and miss, as lines of text."""
    lines = [f"{'topic':<22} {'checks':>6} {'hold':>5} {'miss':>5}  middle deviation over tolerance"]
    for topic, number, holding, missing, middle in by_topic(outcomes):
        share = "" if middle is None else _short(middle)
        lines.append(f"{topic.replace('_', ' '):<22} {number:>6} {holding:>5} {missing:>5}  {share}")
    return lines


def draw_deviations(outcomes: list[Outcome]) -> Any:
    """Every check that has a two-sided tolerance as a dot: its deviation in tolerances, by topic."""
    drawn = [o for o in outcomes if o.scaled is not None]
    topics = list(dict.fromkeys(o.check.topic for o in drawn))
    with style.settings():
        ax = style.new_axes(style.PAGE_WIDTH, 0.8 + 0.2 * len(topics))
        ax.axvspan(-1.0, 1.0, color="#e8efe9", linewidth=0.0, zorder=0)
        ax.axvline(0.0, color=style.FAINT, linewidth=0.6)
        for met, marker, colour in ((True, "o", style.INK), (False, "X", style.WARN)):
            own = [o for o in drawn if (o.verdict == HOLDS) == met]
            places = [(_drawn_at(o), topics.index(o.check.topic) + _lift(o, own)) for o in own]
            label = "holds" if met else "misses"
            if places:
                ax.scatter(*np.transpose(places), s=14, marker=marker, color=colour, linewidths=0.4, label=label,
                           edgecolors="white", zorder=3)  # fmt: skip
            if not met:
                for o, (x, y) in zip(own, places, strict=True):
                    ax.annotate(
                        o.check.id, (x, y), (0, 4), textcoords="offset points", color=style.WARN, fontsize=5.5,
                        ha="right" if x > 0 else "left",
                    )  # fmt: skip
        ax.set_yticks(range(len(topics)), [topic.replace("_", " ") for topic in topics])
        ax.set_ylim(len(topics) - 0.4, -0.6)
        ax.set_xlim(-FARTHEST * 1.05, FARTHEST * 1.05)
        ax.set_xlabel("deviation over tolerance (factors: of their logarithms)")
        ax.legend(loc="lower right")
        style.frame(ax)
    return ax.figure


def _drawn_at(outcome: Outcome) -> float:
    return float(np.clip(outcome.scaled or 0.0, -FARTHEST, FARTHEST))


def _lift(outcome: Outcome, others: list[Outcome]) -> float:
    """A little up or down, so that dots of one topic that lie on each other can be told apart."""
    same = [o for o in others if o.check.topic == outcome.check.topic]
    return 0.1 * (same.index(outcome) % 5 - 2)


def _alt(outcomes: list[Outcome]) -> str:
    missed = [f"{o.check.id} ({o.scaled:+.1f})" for o in outcomes if o.verdict == MISSES and o.scaled is not None]
    return (
        "Deviation of each check over its tolerance, by topic. Within one tolerance lie all but "
        f"{', '.join(missed) or 'none'}."
    )


def _topic_row(topic: str, number: int, holding: int, missing: int, middle: float | None) -> str:
    share = "" if middle is None else _short(middle)
    return (
        f"<tr><th scope='row'>{escape(topic.replace('_', ' '))}</th><td>{number}</td><td>{holding}</td>"
        f"<td>{missing}</td><td>{share}</td></tr>"
    )


def _row(outcome: Outcome) -> str:
    own = outcome.check
    condition = "; ".join(f"{key}={text}" if text else key for key, text in own.condition.items())
    source = f"<a href='#{escape(own.source)}'>{escape(own.source)}</a>" if own.source else "closed form"
    grade = escape(own.grade) + (f"<br><small>{escape(SEEN[own.seen])}</small>" if SEEN.get(own.seen) else "")
    mark = "" if outcome.expected else "<br><strong>not as expected</strong>"
    verdict = outcome.verdict.replace(" ", "-")
    notes = " · ".join(escape(part) for part in (outcome.remark, own.note) if part)
    cells = [
        f"<th scope='row'>{escape(own.id)}<br><small>{escape(condition)}</small></th>",
        f"<td>{source}<br><small>{escape(own.locator)}</small></td><td>{grade}</td>",
        f"<td class='n'>{_short(own.value)} {escape(own.unit)}</td>",
        f"<td class='n'>{'' if outcome.computed is None else _short(outcome.computed)}</td>",
        f"<td class='n'>{_deviation(outcome)}</td><td class='n'>{_tolerance(outcome)}</td>",
        f"<td>{escape(own.tolerance_reason)}</td><td>{escape(outcome.verdict)}{mark}</td>",
        f"<td>{notes}</td>",
    ]
    return f"<tr class='{verdict}'>{''.join(cells)}</tr>"


def _deviation(outcome: Outcome) -> str:
    if outcome.deviation is None:
        return ""
    return f"× {_short(outcome.deviation)}" if outcome.check.tolerance_kind == "factor" else f"{outcome.deviation:+.3g}"


def _tolerance(outcome: Outcome) -> str:
    own = outcome.check
    return {
        "absolute": f"± {_short(own.tolerance)}",
        "factor": f"× or ÷ {_short(own.tolerance)}",
        "at_most": f"at most + {_short(own.tolerance)}",
        "at_least": f"at least − {_short(own.tolerance)}",
    }.get(own.tolerance_kind, "not judged")


def _sources(outcomes: list[Outcome]) -> str:
    keys = sorted({o.check.source for o in outcomes if o.check.source})
    known = literature.bibliography()
    return "\n".join(f"<li id='{escape(key)}'><b>{escape(key)}</b> {escape(known[key])}</li>" for key in keys)


def _short(number: float) -> str:
    return f"{number:.4g}"


def first_lines(outcomes: list[Outcome]) -> list[str]:
    """What the command prints: the table, the misses, what is not computed, the summary."""
    lines = [*text_table(outcomes), ""]
    for outcome in outcomes:
        own = outcome.check
        if outcome.verdict == MISSES and outcome.computed is not None:
            known = "known miss" if own.known_miss else "UNEXPECTED MISS"
            lines.append(
                f"{known}: {own.id}: {_short(outcome.computed)} against {_short(own.value)} {own.unit}"
                f" ({own.source or own.grade})"
            )
        elif outcome.verdict == HOLDS and not outcome.expected:
            lines.append(f"UNEXPECTED: {own.id} holds, though its note says that it misses")
    missing = [f"{o.check.id} ({o.remark})" for o in outcomes if o.verdict == NOT_COMPUTED]
    lines += [f"not computed: {line}" for line in missing]
    return [*lines, "", summary(outcomes)]


def unexpected(outcomes: list[Outcome]) -> int:
    """How many verdicts differ from what the notes lead to expect."""
    return counts(outcomes)["unexpected"]


_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>Validation of bronzeward</title>
<style>
body {{ font: 15px/1.45 system-ui, sans-serif; color: #1d2733; background: #fff; margin: 0 auto; max-width: 96rem;
  padding: 1rem; }}
h1 {{ font-size: 1.5rem; margin: 0 0 .2rem; }} h2 {{ font-size: 1.1rem; margin: 1.6rem 0 .4rem; }}
p, li {{ max-width: 46rem; }} img {{ max-width: 100%; height: auto; }} small {{ color: #56616d; }}
.wide {{ overflow-x: auto; }} table {{ border-collapse: collapse; font-size: .82rem; }}
th, td {{ text-align: left; vertical-align: top; padding: .25rem .6rem .25rem 0; border-bottom: 1px solid #d3d9df; }}
thead th {{ position: sticky; top: 0; background: #fff; }} tbody th {{ font-weight: 600; }}
td.n {{ white-space: nowrap; font-variant-numeric: tabular-nums; }}
tr.misses td:nth-last-child(2) {{ color: #a3162a; font-weight: 700; }}
tr.not-computed, tr.information {{ color: #56616d; }}
@media print {{ thead th {{ position: static; }} table {{ font-size: 7pt; }} }}
</style>
</head>
<body>
<h1>Validation of bronzeward {version}</h1>
<p>{summary}</p>
<p>Every row was computed just now by the program itself and compared with what others published, or with a closed
form. What misses is shown as a miss. Grades and how a value was seen are those of the databases; a value from memory
is marked as such.</p>
<h2>Deviations</h2>
<img alt="{alt}" src="data:image/png;base64,{picture}">
<p><small>Shaded: within tolerance. Drawn at most three tolerances away. Checks with a one-sided tolerance, or with
none, stand in the table only.</small></p>
<h2>By topic</h2>
<div class="wide"><table>
<thead><tr><th scope="col">topic</th><th scope="col">checks</th><th scope="col">hold</th><th scope="col">miss</th>
<th scope="col">middle deviation over tolerance</th></tr></thead>
<tbody>
{topics}
</tbody></table></div>
<h2>All checks</h2>
<div class="wide"><table>
<thead><tr><th scope="col">check</th><th scope="col">source</th><th scope="col">grade</th><th scope="col">value</th>
<th scope="col">computed</th><th scope="col">deviation</th><th scope="col">tolerance</th><th scope="col">why this
tolerance</th><th scope="col">verdict</th><th scope="col">remarks</th></tr></thead>
<tbody>
{rows}
</tbody></table></div>
<h2>Sources</h2>
<ul>
{sources}
</ul>
</body>
</html>
"""
