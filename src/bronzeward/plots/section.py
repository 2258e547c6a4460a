"""The strand's section to scale at chosen moments of a run: what a quench there should show under the microscope.

Radii are those of the result: 25 °C molar volumes, void at the centre. Filaments and barrier are a
pattern of the right area, not a layout: the model knows only the copper share of the pack.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from typing import TYPE_CHECKING

from bronzeward.errors import InputError
from bronzeward.inputs.strand import Strand
from bronzeward.materials.phases import PHASES
from bronzeward.model.events import events
from bronzeward.model.layer_stack import layers_at, seen_layers, strand_of
from bronzeward.model.moments import QUANTITY, find_moment
from bronzeward.model.result import Result, Source, as_result
from bronzeward.plots import style
from bronzeward.plots.axes import COLUMN_WIDTH, PAGE_WIDTH, new_axes, new_figure
from bronzeward.plots.plane_section import draw_slabs
from bronzeward.plots.round_section import SINGLE, STRIP, draw_rings
from bronzeward.plots.section_words import layer_line
from bronzeward.units import HOUR, ZERO_CELSIUS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LINE, _CAPTION, _KEY_LINE = 0.115, 0.36, 0.17
"""Heights in a strip [inch]: a line of the list of layers, the caption, a line of the key."""


def draw_section(run: Source, moments: Sequence[str] | str = ("first liquid",), columns: int | None = None) -> Figure:
    """The section at one moment with call-outs, or a strip of several moments to the same scale.

    Parameters
    ----------
    run : Result, xarray.Dataset or file name
    moments : str or sequence of str
        In the words of `moments.find_moment`.
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
    rows = [find_moment(result, text) for text in wanted]
    captions = [_caption(result, row, text) for row, text in zip(rows, wanted, strict=True)]
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
    draw(ax, layers_at(result, row), strand, callouts)
    return ax


@style.settings()
def _single(result: Result, row: int, caption: str) -> Figure:
    strand = strand_of(result)
    picture = COLUMN_WIDTH * (0.5 if strand.plane else SINGLE.high / SINGLE.wide)
    total = picture + 0.36
    figure = new_figure(COLUMN_WIDTH, total)
    plot_section(result, row, figure.add_axes((0.0, 0.14 / total, 1.0, picture / total)), strand)
    figure.text(0.02, 1.0 - 0.05 / total, caption.replace("\n", ": "), va="top", fontsize=7.5)
    _foot(figure, strand)
    return figure


@style.settings()
def _strip(result: Result, rows: Sequence[int], captions: Sequence[str], columns: int) -> Figure:
    strand = strand_of(result)
    layers = [seen_layers(result, row) for row in rows]
    phases = [phase for phase in PHASES if any(phase == layer.phase for stack in layers for layer in stack)]
    width = COLUMN_WIDTH if columns <= 2 else PAGE_WIDTH
    cell = width / columns
    picture = 0.45 * cell if strand.plane else 0.94 * cell * STRIP.high / STRIP.wide
    tall = picture + _LINE * max(map(len, layers)) + _CAPTION + 0.06
    per_line = max(1, int((width - 0.1) / 0.8))
    key = _KEY_LINE * ceil(len(phases) / per_line) + 0.2
    total = ceil(len(rows) / columns) * tall + key
    figure = new_figure(width, total)
    for k, row in enumerate(rows):
        line, column = divmod(k, columns)
        left, top = column * cell, total - line * tall
        corner = (left + 0.03 * cell) / width, (top - tall + 0.06) / total
        ax = figure.add_axes((*corner, 0.94 * cell / width, picture / total))
        plot_section(result, row, ax, strand, callouts=False)
        x = (left + 0.06) / width
        figure.text(x, (top - 0.05) / total, captions[k], va="top", fontsize=7)
        for n, layer in enumerate(reversed(layers[k])):
            y = (top - _CAPTION - _LINE * n) / total
            figure.text(x, y, layer_line(layer, strand.plane), va="top", fontsize=6, color=style.FAINT)
    _key(figure, phases, key, per_line)
    _foot(figure, strand)
    return figure


def _caption(result: Result, row: int, text: str) -> str:
    """The moment in words, and its time and temperature on a second line."""
    hours, celsius = float(result["time"][row]) / HOUR, float(result["temperature"][row]) - ZERO_CELSIUS
    place = f"{hours:.2f} h, {celsius:.0f} °C"
    words = " ".join(text.split())
    quantity = QUANTITY.fullmatch(words.casefold())
    if quantity is not None:
        unit = quantity[2].lstrip("°")
        return f"nearest to {quantity[1]} { {'c': '°C', 'k': 'K'}.get(unit, unit) }\n{place}"
    before, name = ("before ", words[7:]) if words.casefold().startswith("before ") else ("", words)
    known = [event.words for event in events(result) if event.name.casefold() == name.casefold()]
    return f"{before}{known[0] if known else name}\n{place}"


def _key(figure: Figure, phases: Sequence[str], height: float, per_line: int) -> None:
    """Patches with the names of the phases, in rows."""
    from matplotlib.patches import Rectangle

    width, total = figure.get_size_inches()
    for k, phase in enumerate(phases):
        line, column = divmod(k, per_line)
        x, y = 0.06 + 0.8 * column, height - 0.1 - _KEY_LINE * line
        size = 0.16 / width, 0.1 / total
        figure.add_artist(Rectangle((x / width, y / total), *size, transform=figure.transFigure, **style.fill(phase)))
        figure.text((x + 0.2) / width, (y + 0.05) / total, style.LOOKS[phase].name, va="center", fontsize=6)


def _foot(figure: Figure, strand: Strand) -> None:
    packed = any(ring.copper_fraction < 1.0 for ring in strand.rings)
    pattern = " Grey dots: filaments, a pattern of the right area." if packed else ""
    text, y = f"Computed, to scale; an estimate.{pattern}", 0.03 / figure.get_figheight()
    figure.text(0.02, y, text, fontsize=5.5, color=style.FAINT, va="bottom")
