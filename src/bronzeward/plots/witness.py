"""Which quench samples are worth making, as pictures: what each leaves of a band, and what the best should show."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.model.answers import answer_of
from bronzeward.model.dataset_file import as_dataset
from bronzeward.model.layer_stack import seen_layers, strand_of
from bronzeward.model.result import Result
from bronzeward.plots import style
from bronzeward.plots.axes import COLUMN_WIDTH, PAGE_WIDTH, new_axes, new_figure, note_below
from bronzeward.plots.section import plot_section
from bronzeward.plots.section_words import layer_line

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ROW = 0.13
"""Height of a sample [inch]."""


@style.settings()
def plot_witness(data: xr.Dataset | str | Path, ax: Axes | None = None) -> Axes:
    """Width of the answer's band after each sample alone, and together with the better partner of the best pair."""
    data = as_dataset(data)
    answer = answer_of(str(data.attrs["answer"]))
    order = np.argsort(data["width"].values, kind="stable")[::-1]
    ax = ax or new_axes(COLUMN_WIDTH, 1.5 + ROW * len(order))
    heights = np.arange(len(order))
    alone = answer.shown_difference(data["width"].values[order])
    with_best = answer.shown_difference(np.nanmin(data["pair_width"].values, axis=1)[order])
    ax.barh(heights, alone, color=style.STROKES[2][0], height=0.6, label="after this sample alone")
    ax.plot(with_best, heights, "D", color=style.STROKES[1][0], ms=2.6, ls="none", label="with its best partner")
    now = float(answer.shown_difference(data["width_now"]))
    ax.axvline(now, color=style.INK, lw=0.8, dashes=(4, 2), label="now")
    names = [str(name) for name in data["sample"].values[order]]
    pair = [str(name) for name in data.attrs["pair"]]
    ax.set_yticks(heights, names)
    for label, name in zip(ax.get_yticklabels(), names, strict=True):
        label.set_fontsize(5.5)
        label.set_fontweight("bold" if name in pair else "normal")
    ax.set_ylim(-0.6, len(order) - 0.4)
    ax.set_xlim(0, 1.05 * now)
    ax.set_xlabel(f"5 to 95 % band of {answer.title}, {answer.shown_unit}")
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2, handlelength=1.2)
    ax.spines[["top", "right"]].set_visible(False)
    note_below(ax, str(data.attrs["caveat"]))
    return ax


@style.settings()
def draw_looks(looks: Sequence[tuple[str, Sequence[tuple[str, Result]]]]) -> Figure:
    """Sections of samples, a row each, as (sample, ((caption, run up to its quench), ...)), all to one scale a row."""
    columns = max(len(row) for _, row in looks)
    cell = PAGE_WIDTH / columns
    tall = 0.8 * cell + 0.85
    total = tall * len(looks) + 0.15
    figure = new_figure(PAGE_WIDTH, total)
    for line, (name, row) in enumerate(looks):
        top = total - line * tall
        figure.text(0.01, (top - 0.05) / total, name, va="top", fontsize=7.5)
        for column, (caption, run) in enumerate(row):
            left, last = column * cell, run["time"].size - 1
            corner = (left + 0.03 * cell) / PAGE_WIDTH, (top - tall + 0.5) / total
            ax = figure.add_axes((*corner, 0.94 * cell / PAGE_WIDTH, 0.8 * cell / total))
            strand = strand_of(run)
            plot_section(run, last, ax, strand, callouts=False)
            figure.text((left + 0.06) / PAGE_WIDTH, (top - 0.2) / total, caption, va="top", fontsize=7)
            for n, layer in enumerate(reversed(seen_layers(run, last))):
                y = (top - tall + 0.48 - 0.1 * n) / total
                text = layer_line(layer, strand.plane)
                figure.text((left + 0.06) / PAGE_WIDTH, y, text, va="top", fontsize=5.5, color=style.FAINT)
    about = "Computed, to scale, volumes at the temperature of the quench; estimates."
    figure.text(0.01, 0.03 / total, about, fontsize=5.5, color=style.FAINT, va="bottom")
    return figure
