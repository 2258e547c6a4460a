"""Figures and axes of the sizes of a journal, without a window, and what all axes have in common."""

from __future__ import annotations

from collections.abc import Iterable
from textwrap import fill
from typing import TYPE_CHECKING, Any

from bronzeward.plots import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure

COLUMN_WIDTH = 85 / 25.4
"""Width of a journal column [inch]; drawings are laid out for it."""

PAGE_WIDTH = 174 / 25.4
"""Width of a page, two columns [inch]."""


def new_figure(width: float, height: float, **more: Any) -> Figure:
    """A figure of `width` and `height` [inch] that belongs to no window and is known to nobody else."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), facecolor="white", **more)
    FigureCanvasAgg(figure)
    return figure


def column_of_axes(
    heights: list[float], top: float = 0.1, bottom: float = 0.38, width: float = COLUMN_WIDTH
) -> tuple[Figure, list[Axes]]:
    """A figure and its axes of these `heights` above each other, between margins, all in inches; one horizontal axis.

    Placed by hand: a layout engine would draw everything twice over.
    """
    left, right, gap = 0.5, 0.11, 0.11
    total = top + sum(heights) + gap * (len(heights) - 1) + bottom
    figure = new_figure(width, total)
    axes: list[Axes] = []
    y = total - top
    for height in heights:
        y -= height
        axes.append(figure.add_axes((left / width, y / total, 1.0 - (left + right) / width, height / total)))
        axes[-1].yaxis.set_label_coords(-0.345 / (width - left - right), 0.5)
        y -= gap
    for ax in axes[:-1]:
        ax.tick_params(axis="x", labelbottom=False)
    return figure, axes


def new_axes(width: float = COLUMN_WIDTH, height: float = 0.7 * COLUMN_WIDTH) -> Axes:
    """Axes of their own, one column wide [inch]."""
    return new_figure(width, height, layout="constrained").add_subplot()


def frame(ax: Axes) -> None:
    """Open frame and faint horizontal rules."""
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", color=style.RULE, linewidth=0.5)


def light_map() -> Colormap:
    """Colours for a quantity over two others: cividis without its dark end, so that ink shows on all of it."""
    from matplotlib import colormaps
    from matplotlib.colors import ListedColormap

    return ListedColormap(colormaps["cividis"]([0.3 + 0.7 * k / 255 for k in range(256)]), "light")


def note_below(ax: Axes, text: str, down: float = 27.0, columns: int = 76) -> None:
    """Write small, `down` points below some axes, what their figure leaves out."""
    ax.annotate(
        fill(text, columns), (0.02, 0), (0, -down), xycoords=("figure fraction", "axes fraction"),
        textcoords="offset points", fontsize=5.5, color=style.FAINT, va="top",
    )  # fmt: skip


def fit_ticks(axis: Axis, values: Iterable[float]) -> None:
    """Ticks that do not crowd: at the values themselves while they are few; over a decade round ones, logarithmic."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, MaxNLocator, NullLocator

    values = sorted(values)
    low, high = values[0], values[-1]
    logarithmic = low > 0 and high >= 10 * low
    if logarithmic:
        axis.axes.set(**{f"{axis.axis_name}scale": "log"})  # type: ignore[attr-defined]
        axis.set_minor_locator(NullLocator())
        axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    if len(values) <= 5:
        axis.set_major_locator(FixedLocator(values))
    elif logarithmic:
        decades = high / low
        steps = (1.0, 2.0, 5.0) if decades <= 101 else (1.0, 3.0) if decades <= 2000 else (1.0,)
        axis.set_major_locator(LogLocator(subs=steps, numticks=9))
    else:
        axis.set_major_locator(MaxNLocator(5))
