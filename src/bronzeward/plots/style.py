"""How every drawing of the project looks: one colour and one hatch per phase, sizes for one column.

The colours were searched for, not chosen by eye: any two differ by 20 or more in CIE L*a*b*, also as
seen with each of the three forms of colour blindness, and phases that lie side by side differ in
lightness too, so that a grey print still shows the border. The one pair that a grey print cannot
tell by lightness, liquid and copper, is told by its hatch. `tests/test_figures.py` checks this.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN

COLUMN_WIDTH = 85 / 25.4
"""Width of a journal column [inch]; drawings are laid out for it."""

PAGE_WIDTH = 174 / 25.4
"""Width of a page, two columns [inch]."""

INK = "#1d2733"
"""Lines and text."""

FAINT = "#66717d"
"""Lines and text of second rank."""

RULE = "#d3d9df"
"""Grid lines and frames."""

WARN = "#a3162a"
"""What a reader must not miss."""

VOID = "#ffffff"
FILAMENT = "#8d949b"
BARRIER = "#3b4046"


class Look(NamedTuple):
    """Colour, hatch, dash pattern of a line, and the short and long name of a phase."""

    colour: str
    hatch: str
    dash: tuple[float, ...]
    letter: str
    name: str


LOOKS: dict[str, Look] = {
    LIQUID: Look("#ecaa14", "oo", (), "L", "liquid"),
    SOLID_TIN: Look("#ece2e8", "", (), "Sn", "tin"),
    "eta": Look("#242f70", "////", (), "η", "η Cu₆Sn₅"),
    "epsilon": Look("#7782aa", "\\\\\\\\", (4.0, 1.2), "ε", "ε Cu₃Sn"),
    "zeta": Look("#5b2b4b", "++++", (1.0, 1.0), "ζ", "ζ Cu₁₀Sn₃"),
    "delta": Look("#1f6b44", "xxxx", (3.0, 1.0, 1.0, 1.0), "δ", "δ Cu₄₁Sn₁₁"),
    "gamma": Look("#b3ec9c", "...", (6.0, 1.0), "γ", "γ bronze"),
    "beta": Look("#9c4dc3", "----", (2.0, 1.0), "β", "β bronze"),
    "alpha": Look("#c3a191", "", (), "α", "α copper"),
}
"""By phase label, in the order of `PHASES`."""

STROKES: tuple[tuple[str, tuple[float, ...], str], ...] = (
    ("#1d2733", (), "o"),
    ("#c2571a", (5.0, 1.4), "s"),
    ("#2f7fb8", (1.2, 1.0), "^"),
    ("#8a8f2a", (5.0, 1.2, 1.2, 1.2), "D"),
    ("#7d4a9c", (2.6, 1.2), "v"),
    ("#4f8f86", (8.0, 1.4), "P"),
)
"""Colour, dash pattern and marker of the first, second, ... result where several are compared."""


def hatch_ink(phase: str) -> str:
    """Colour of a hatch: light on dark fills, dark on light ones."""
    red, green, blue = (int(LOOKS[phase].colour[k : k + 2], 16) for k in (1, 3, 5))
    return "#ffffff" if 0.3 * red + 0.59 * green + 0.11 * blue < 110 else "#4a4038"


def fill(phase: str) -> dict[str, Any]:
    """Keywords that fill an area the way `phase` is filled everywhere."""
    look = LOOKS[phase]
    return {"facecolor": look.colour, "edgecolor": hatch_ink(phase), "hatch": look.hatch, "linewidth": 0.0}


def line(phase: str, width: float = 1.4) -> dict[str, Any]:
    """Keywords that draw a line the way `phase` is drawn everywhere; a dark casing keeps pale colours readable."""
    from matplotlib import patheffects

    look = LOOKS[phase]
    casing = [patheffects.Stroke(linewidth=width + 0.7, foreground=INK), patheffects.Normal()]
    return {
        "color": look.colour,
        "linewidth": width,
        "linestyle": (0, look.dash) if look.dash else "-",
        "dash_capstyle": "butt",
        "path_effects": casing,
    }


def present(shares: Any) -> list[str]:
    """Phases that hold anything at any time; `shares` of shape (n_times, 9), columns in the order of `PHASES`."""
    return [phase for k, phase in enumerate(PHASES) if (shares[:, k] > 0).any()]


@contextmanager
def settings() -> Iterator[None]:
    """Sizes and fonts of the project, for as long as the block lasts; needed while drawing and while saving."""
    from matplotlib import rc_context

    with rc_context(
        {
            "font.family": "sans-serif",
            "font.sans-serif": ["DejaVu Sans"],
            "font.size": 7.0,
            "axes.labelsize": 7.0,
            "axes.titlesize": 7.5,
            "axes.linewidth": 0.6,
            "axes.edgecolor": INK,
            "axes.labelcolor": INK,
            "axes.axisbelow": True,
            "text.color": INK,
            "xtick.color": INK,
            "ytick.color": INK,
            "xtick.labelsize": 6.5,
            "ytick.labelsize": 6.5,
            "xtick.major.width": 0.6,
            "ytick.major.width": 0.6,
            "xtick.major.size": 2.5,
            "ytick.major.size": 2.5,
            "xtick.major.pad": 2.0,
            "ytick.major.pad": 2.0,
            "axes.labelpad": 2.0,
            "legend.fontsize": 6.5,
            "legend.frameon": False,
            "hatch.linewidth": 0.35,
            "pdf.fonttype": 42,
            "svg.fonttype": "path",
            "svg.hashsalt": "bronzeward",
            "savefig.dpi": 300.0,
            "figure.dpi": 150.0,
        }
    ):
        yield


def new_figure(width: float, height: float, **more: Any) -> Any:
    """A figure of `width` and `height` [inch] that belongs to no window and is known to nobody else."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), facecolor="white", **more)
    FigureCanvasAgg(figure)
    return figure


def column_of_axes(
    heights: list[float], top: float = 0.1, bottom: float = 0.38, width: float = COLUMN_WIDTH
) -> tuple[Any, list[Any]]:
    """A figure and its axes of these `heights` above each other, between margins, all in inches; one horizontal axis.

    Placed by hand: a layout engine would draw everything twice over.
    """
    left, right, gap = 0.5, 0.11, 0.11
    total = top + sum(heights) + gap * (len(heights) - 1) + bottom
    figure = new_figure(width, total)
    axes, y = [], total - top
    for height in heights:
        y -= height
        axes.append(figure.add_axes((left / width, y / total, 1.0 - (left + right) / width, height / total)))
        axes[-1].yaxis.set_label_coords(-0.345 / (width - left - right), 0.5)
        y -= gap
    for ax in axes[:-1]:
        ax.tick_params(axis="x", labelbottom=False)
    return figure, axes


def new_axes(width: float = COLUMN_WIDTH, height: float = 0.7 * COLUMN_WIDTH) -> Any:
    """Axes of their own, one column wide [inch]."""
    return new_figure(width, height, layout="constrained").add_subplot()


def frame(ax: Any) -> None:
    """Open frame and faint horizontal rules."""
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", color=RULE, linewidth=0.5)


def light_map() -> Any:
    """Colours for a quantity over two others: cividis without its dark end, so that ink shows on all of it."""
    from matplotlib import colormaps
    from matplotlib.colors import ListedColormap

    return ListedColormap(colormaps["cividis"]([0.3 + 0.7 * k / 255 for k in range(256)]), "light")


def scale(axis: Any, values: Any) -> None:
    """Ticks that do not crowd: at the values themselves while they are few; logarithmic over a decade or more."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

    low, high = min(values), max(values)
    if low > 0 and high >= 10 * low:
        axis.axes.set(**{f"{axis.axis_name}scale": "log"})
        axis.set_minor_locator(NullLocator())
        most = [v for k, v in enumerate(sorted(values)) if k % (1 + (len(values) - 1) // 6) == 0]
        axis.set_major_locator(FixedLocator(most))
        axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.3g}"))
    elif len(values) <= 5:
        axis.set_major_locator(FixedLocator(sorted(values)))
    else:
        axis.set_major_locator(MaxNLocator(5))
