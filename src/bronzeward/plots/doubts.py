"""Doubts as a picture: the answers that decide side by side, one line an alternative, the largest moves at the top."""

from __future__ import annotations

from math import isfinite
from textwrap import fill
from typing import TYPE_CHECKING

from bronzeward.model.answers import ANSWERS, DECISIVE
from bronzeward.plots import style
from bronzeward.plots.axes import PAGE_WIDTH, new_figure
from bronzeward.studies.doubts import LEFT_OUT, Doubts

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ROW = 0.16
"""Height of a line [inch]."""


@style.settings()
def draw_doubts(doubts: Doubts) -> Figure:
    """Every answer under every alternative that moves anything; the thin line is the case as it stands."""
    rows = doubts.moving()
    height = 0.9 + ROW * max(len(rows), 1)
    figure = new_figure(PAGE_WIDTH, height)
    left, right, gap = 1.45 / PAGE_WIDTH, 0.995, 0.02
    width = (right - left - gap * (len(DECISIVE) - 1)) / len(DECISIVE)
    for k, key in enumerate(DECISIVE):
        answer, usual = ANSWERS[key], doubts.answers[key]
        box = (left + k * (width + gap), 0.5 / height, width, ROW * max(len(rows), 1) / height)
        ax = figure.add_axes(box)
        ax.set_ylim(len(rows) - 0.5, -0.5)
        ax.set_yticks(range(len(rows)), [row.name for row in rows] if k == 0 else [""] * len(rows))
        ax.tick_params(axis="y", length=0)
        ax.set_title(fill(f"{answer.title}, {answer.shown_unit}", 17), fontsize=6)
        for line, row in enumerate(rows):
            if isfinite(row.answers[key]):
                alternative = float(answer.shown(row.answers[key]))
                usual_end = float(answer.shown(usual)) if isfinite(usual) else alternative
                ax.plot([usual_end, alternative], [line, line], color=style.STROKES[2][0], lw=1.2)
                ax.plot([alternative], [line], "o", color=style.INK, ms=2.6)
            else:
                ax.annotate("–", (0.5, line), xycoords=("axes fraction", "data"), ha="center", va="center", fontsize=6)
        if isfinite(usual):
            ax.axvline(float(answer.shown(usual)), color=style.FAINT, lw=0.7)
        ax.locator_params(axis="x", nbins=3, prune="both")
        if not isfinite(doubts.ends(key)[0]):
            ax.set_xticks([])
        ax.margins(x=0.12)
        ax.spines[["top", "right"]].set_visible(False)
    figure.text(0.01, 0.02, fill(LEFT_OUT, 150), fontsize=5.5, va="bottom", color=style.FAINT)
    return figure
