"""What the lines of the charts mean, as text with small drawings: it wraps on a phone and costs no canvas."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from bronzeward.live.tables import safe
from bronzeward.plots import style

WIDTH, HEIGHT = 28, 12
"""Of a small drawing [px]."""


def legend(phases: Iterable[str], banded: bool, beside: bool) -> str:
    """Entries for the phases that are seen, the shell, its band and the run beside, as HTML."""
    entries = [_entry(_line(style.LOOKS[phase].colour, _dash(phase), rim=True), style.LOOKS[phase].name)
               for phase in phases]  # fmt: skip
    entries.append(_entry(_line(style.INK, (2, 4)), "shell: all solid compound"))
    if banded:
        entries.append(_entry(_patch(style.FAINT, 0.2), "shell in 5 to 95 % of the runs"))
    if beside:
        entries.append(_entry(_line(style.STROKES[1][0], (6, 4)), "the run kept beside"))
    return f"<div class=legend>{''.join(entries)}</div>"


def _dash(phase: str) -> tuple[int, ...]:
    return tuple(round(3 * part) for part in style.LOOKS[phase].dash)


def _entry(drawing: str, text: str) -> str:
    picture = f'<svg width="{WIDTH}" height="{HEIGHT}" aria-hidden="true">{drawing}</svg>'
    return f"<span>{picture} {safe(text)}</span>"


def _line(colour: str, dash: Sequence[int], rim: bool = False) -> str:
    place = f'x1="0" x2="{WIDTH}" y1="6" y2="6" stroke-dasharray="{" ".join(map(str, dash))}"'
    casing = f'<line {place} stroke="{style.INK}" stroke-width="4"/>' if rim else ""
    return f'{casing}<line {place} stroke="{colour}" stroke-width="2.5"/>'


def _patch(colour: str, share: float) -> str:
    return f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{colour}" fill-opacity="{share:g}"/>'
