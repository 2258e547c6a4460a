"""What a page tells in tables: answers, signs of limits, layers. Every text is escaped."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from itertools import pairwise
from math import isfinite

from bronzeward.inputs.strand import Strand
from bronzeward.live.limit_signs import AT_RISK, BROKEN, Sign
from bronzeward.model.answers import ANSWERS
from bronzeward.model.layer_stack import PLACES, SEED
from bronzeward.plots import style
from bronzeward.plots.section_words import micrometres, off_centre

Band = tuple[float, float, float]

SIGN_LOOKS = {
    BROKEN: f"background:{style.WARN};color:#fff;border:2px solid {style.WARN}",
    AT_RISK: f"background:#fdf6e3;color:{style.INK};border:2px dashed {style.INK}",
}
"""Looks of signs that must be seen; a kept limit is plain."""

STYLE = (
    "table{border-collapse:collapse;width:100%;font-size:13px}td,th{padding:2px 8px 2px 0;text-align:left;"
    f"border-bottom:1px solid {style.RULE};vertical-align:top}}td.n,th.n{{text-align:right;white-space:nowrap;"
    "font-variant-numeric:tabular-nums}"
    ".sign{display:inline-block;padding:1px 6px;font-weight:bold;white-space:nowrap;border:2px solid transparent}"
    "ul{list-style:none;margin:0;padding:0}li{margin:3px 0;font-size:13px}"
    ".legend{display:flex;flex-wrap:wrap;gap:2px 14px;padding:0 8px 0 56px;font-size:12px}"
    ".legend span{white-space:nowrap}svg{vertical-align:-2px}"
    ".swatch{display:inline-block;width:20px;height:11px;vertical-align:-1px;border:1px solid #1d2733;margin-right:6px}"
)  # fmt: skip
"""For the tables; what lies in a widget does not see the page's own style sheet."""


def safe(text: str) -> str:
    """A text as HTML."""
    return escape(text, quote=True)


def answers_table(
    numbers: dict[str, float], bands: dict[str, Band], beside: dict[str, float] | None, caveat: str
) -> str:
    """Answers with their bands, what these leave out and, if there is one, those of the run kept beside."""
    heads = ["answer", "this run", "5 to 95 %", *(["beside"] if beside is not None else [])]
    lines = ["".join(f"<th{' class=n' if k else ''}>{head}</th>" for k, head in enumerate(heads))]
    for key, answer in ANSWERS.items():
        other = beside[key] if beside is not None else float("nan")
        if not isfinite(numbers[key]) and not isfinite(other):
            continue
        band = f"{answer.number(bands[key][0])} to {answer.number(bands[key][2])}" if key in bands else "…"
        cells = [answer.words(numbers[key]), band, *([answer.words(other)] if beside is not None else [])]
        title = f'<td title="{safe(answer.text)}">{safe(answer.title)}</td>'
        lines.append(f"{title}{''.join(f'<td class=n>{safe(cell)}</td>' for cell in cells)}")
    note = f"<small>{safe(caveat)}</small>" if bands else ""
    return f"<table>{''.join(f'<tr>{line}</tr>' for line in lines)}</table>{note}"


def sign_line(sign: Sign) -> str:
    """The sign of one limit, with words that say the same as its colour."""
    look = SIGN_LOOKS.get(sign.sign, "")
    head = f'<span class=sign style="{look}">{sign.sign}</span>'
    return f"{head} {safe(sign.limit)}<br><small>{safe(sign.reason)}</small>"


def layers_list(edges: Sequence[float], strand: Strand) -> str:
    """Name and thickness of each layer from outer radii [m] by `layer_stack.PLACES`."""
    lines = []
    for phase, (inner, outer) in zip(PLACES, pairwise([0.0, *edges]), strict=True):
        if outer - inner > SEED:
            name = "void" if phase is None else style.LOOKS[phase].name
            colour = style.VOID if phase is None else style.LOOKS[phase].colour
            core = inner == 0.0 and not strand.plane
            size = f"{'⌀ ' if core else ''}{micrometres((outer - inner) * (2 if core else 1))}"
            lines.append(f'<li><span class=swatch style="background:{colour}"></span>{name}, <b>{size}</b></li>')
    return f"<ul>{''.join(lines)}</ul><small>{safe(off_centre(strand))}</small>"


def plain_list(lines: Sequence[str]) -> str:
    """Lines as a list."""
    return f"<ul>{''.join(f'<li>{safe(line)}</li>' for line in lines)}</ul>"
