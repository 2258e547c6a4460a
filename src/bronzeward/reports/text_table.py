"""Tables as plain text."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from bronzeward.visible_text import visible_line


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns lined up, the first to the left and the others to the right."""
    lines = [[visible_line(text) for text in line] for line in (head, *rows)]
    widths = [max(len(line[k]) for line in lines) for k in range(len(head))]
    return "\n".join(_line(line, widths) for line in lines)


def _line(texts: Sequence[str], widths: Sequence[int]) -> str:
    cells = [text.rjust(width) for text, width in zip(texts, widths, strict=True)]
    return "  ".join([texts[0].ljust(widths[0]), *cells[1:]]).rstrip()


def number(value: float, places: int = 2) -> str:
    """A number; a dash where there is none."""
    return f"{value:.{places}f}" if isfinite(value) else "-"
