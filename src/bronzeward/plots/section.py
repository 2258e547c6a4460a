"""The strand's section to scale at chosen moments of a run: what a quench there should show under the microscope.

Volumes are those at the moment's temperature, so that the void drawn is that of the volume account; thicknesses in
answers are at 25 °C. Filaments and barrier are a
pattern of the right area, not a layout: the model knows only the copper share of the pack.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from textwrap import fill
from typing import TYPE_CHECKING

from bronzeward.errors import InputError
from bronzeward.inputs.strand import Strand
from bronzeward.model.asked_moments import NEAR, with_states_at
from bronzeward.model.events import events
from bronzeward.model.layer_stack import Layer, layers_at, seen_layers, strand_of
from bronzeward.model.moments import QUANTITY, find_moment, seconds_of
from bronzeward.model.result import Result, Source, as_result
from bronzeward.plots import style
from bronzeward.plots.axes import COLUMN_WIDTH, PAGE_WIDTH, new_axes, new_figure
from bronzeward.plots.plane_section import draw_slabs
from bronzeward.plots.round_section import SINGLE, STRIP, draw_rings
from bronzeward.plots.section_words import layer_line, layer_look, off_centre
from bronzeward.units import HOUR, ZERO_CELSIUS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LINE = 0.13
"""Height of a line of the list of layers [inch]."""

_CAPTION = 0.36
"""Height of the caption in a strip [inch]."""


def draw_section(run: Source, moments: Sequence[str] | str = ("first liquid",), columns: int | None = None) -> Figure:
    """The section at one moment with call-outs, or a strip of several moments to the same scale.

    Parameters
    ----------
    run : Result, xarray.Dataset or file name
    moments : str or sequence of str
        In the words of `moments.find_moment`; times and temperatures are computed where the run holds no such state.
    columns : int, optional
        Sections side by side in a strip; two take one column of a page, more the whole page. Default: by their number.

    Raises
    ------
    InputError
        Without a moment, or for one that the run does not have.
    """
    result = as_result(run)
    wanted = [moments] if isinstance(moments, str) else list(moments)
    if not wanted:
        raise InputError("section: give at least one moment, such as 'first liquid'")
    result, _ = with_states_at(result, wanted)
    rows = [find_moment(result, text) for text in wanted]
    captions = [caption(result, row, text) for row, text in zip(rows, wanted, strict=True)]
    if len(rows) == 1:
        return _single(result, rows[0], captions[0])
    usual = len(rows) if len(rows) <= 3 else ceil(len(rows) / 2) if len(rows) <= 8 else 4
    return _strip(result, rows, captions, max(1, min(columns or usual, len(rows))))


@style.settings()
def plot_section(
    run: Source, row: int, ax: Axes | None = None, strand: Strand | None = None, callouts: bool = True
) -> Axes:
    """One section to scale, with a scale bar; call-outs give thicknesses [µm]. Returns the axes.

    `row` is an index along time, as `find_moment` gives it; `strand` saves reading it from the result again.
    """
    result, ax = as_result(run), ax or new_axes(COLUMN_WIDTH, 0.75 * COLUMN_WIDTH)
    strand = strand or strand_of(result)
    ax.set_axis_off()
    ax.set_aspect("equal", adjustable="box", anchor="C")
    draw = draw_slabs if strand.plane else draw_rings
    draw(ax, layers_at(result, row, strand), strand, callouts)
    return ax


@style.settings()
def _single(result: Result, row: int, caption: str) -> Figure:
    strand = strand_of(result)
    picture = COLUMN_WIDTH * (0.5 if strand.plane else SINGLE.high / SINGLE.wide)
    below = foot_height(strand, COLUMN_WIDTH)
    total = picture + 0.22 + below
    figure = new_figure(COLUMN_WIDTH, total)
    plot_section(result, row, figure.add_axes((0.0, below / total, 1.0, picture / total)), strand)
    figure.text(0.02, 1.0 - 0.05 / total, caption.replace("\n", ": "), va="top", fontsize=7.5)
    foot(figure, strand)
    return figure


@style.settings()
def _strip(result: Result, rows: Sequence[int], captions: Sequence[str], columns: int) -> Figure:
    strand = strand_of(result)
    layers = [seen_layers(result, row) for row in rows]
    width = COLUMN_WIDTH if columns <= 2 else PAGE_WIDTH
    cell = width / columns
    picture = 0.45 * cell if strand.plane else 0.94 * cell * STRIP.high / STRIP.wide
    tall = picture + LINE * max(map(len, layers)) + _CAPTION + 0.06
    total = ceil(len(rows) / columns) * tall + foot_height(strand, width)
    figure = new_figure(width, total)
    for k, row in enumerate(rows):
        line, column = divmod(k, columns)
        left, top = column * cell, total - line * tall
        corner = (left + 0.03 * cell) / width, (top - tall + 0.06) / total
        ax = figure.add_axes((*corner, 0.94 * cell / width, picture / total))
        plot_section(result, row, ax, strand, callouts=False)
        x = (left + 0.06) / width
        figure.text(x, (top - 0.05) / total, captions[k], va="top", fontsize=7)
        list_layers(figure, layers[k], left + 0.06, top - _CAPTION, strand.plane)
    foot(figure, strand)
    return figure


def list_layers(figure: Figure, layers: Sequence[Layer], left: float, top: float, plane: bool) -> None:
    """A patch, name and thickness of every layer, the outermost first, from a place on the page [inch] downwards."""
    from matplotlib.patches import Rectangle

    width, total = figure.get_size_inches()
    for n, layer in enumerate(reversed(layers)):
        middle = top - LINE * (n + 0.4)
        corner, size = (left / width, (middle - 0.05) / total), (0.16 / width, 0.1 / total)
        figure.add_artist(Rectangle(corner, *size, transform=figure.transFigure, **layer_look(layer)))
        place = (left + 0.21) / width, middle / total
        figure.text(*place, layer_line(layer, plane), va="center_baseline", fontsize=6, color=style.FAINT)


def caption(result: Result, row: int, text: str) -> str:
    """The moment in words, and its time and temperature on a second line."""
    hours, celsius = float(result["time"][row]) / HOUR, float(result["temperature"][row]) - ZERO_CELSIUS
    place = f"{hours:.2f} h, {celsius:.0f} °C"
    words = " ".join(text.split())
    quantity = QUANTITY.fullmatch(words.casefold())
    if quantity is not None:
        unit = quantity[2].lstrip("°")
        seconds = seconds_of(result, words)
        is_stored = seconds is not None and abs(float(result["time"][row]) - seconds) <= NEAR
        moment_words = f"{quantity[1]} { {'c': '°C', 'k': 'K'}.get(unit, unit) }"
        return f"{'at' if is_stored else 'nearest to'} {moment_words}\n{place}"
    before, name = ("before ", words[7:]) if words.casefold().startswith("before ") else ("", words)
    known = [event.words for event in events(result) if event.name.casefold() == name.casefold()]
    return f"{before}{known[0] if known else name}\n{place}"


def foot(figure: Figure, strand: Strand) -> None:
    """What must be known of every section, at the lower edge; `foot_height` says how high it is."""
    text, y = _foot_words(strand, figure.get_figwidth()), 0.03 / figure.get_figheight()
    figure.text(0.06 / figure.get_figwidth(), y, text, fontsize=5.5, color=style.FAINT, va="bottom")


def foot_height(strand: Strand, width: float) -> float:
    """Height of the lines at the lower edge of a figure of a `width` [inch]."""
    return 0.14 + 0.09 * _foot_words(strand, width).count("\n")


def _foot_words(strand: Strand, width: float) -> str:
    packed = any(ring.copper_fraction < 1.0 for ring in strand.rings)
    pattern = "Dots: filaments, of the right area." if packed else ""
    words = ("Computed, to scale, at temperature; an estimate.", pattern, off_centre(strand))
    return fill(" ".join(filter(None, words)), round(25 * width))
