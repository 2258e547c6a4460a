"""The history of one run on one column-wide figure: panels above each other, events numbered, their list below."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from math import ceil
from textwrap import fill
from typing import TYPE_CHECKING

from bronzeward.model.answer_bands import caveats_of
from bronzeward.model.events import Event
from bronzeward.model.layer_stack import strand_of
from bronzeward.model.moments import between
from bronzeward.model.result import Result, Source, as_result
from bronzeward.plots import panels, style
from bronzeward.plots.axes import COLUMN_WIDTH, column_of_axes
from bronzeward.plots.lettering import spread_out, wrapped

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_EVENTS = 24
"""Events listed below a figure; the rest are counted."""

LINE = 0.095
"""Height of a line of the note on bands [inch]."""

CELL = 0.66
"""Height of a row of single layers, two beside each other, with the gap below it [inch]."""

HALF, APART = 1.08, 1.61
"""Width of a single layer where two lie beside each other, and from one's left edge to the other's [inch]."""

Panel = tuple[Callable[..., "Axes"], float]
"""A function that draws one panel of a run on given axes, and its height [inch]."""

_VOLUME: Panel = (panels.plot_volume, 1.05)
_WALL: Panel = (panels.plot_wall, 0.8)
_SHARES: list[Panel] = [(partial(panels.plot_shares, kind=kind), 1.05) for kind in ("kinetics", "equilibrium")]


def draw_history(
    run: Source,
    against: str = "time",
    volume: bool = False,
    equilibrium: bool = False,
    window: tuple[float, float] | None = None,
    layers: Sequence[str] | None = None,
) -> Figure:
    """The history of one run on one column-wide figure.

    Against time: temperature with numbered event marks, which phases are there, layer thickness, liquid;
    against temperature: layer thickness and liquid, cooling drawn pale. The events are listed below. A run without
    liquid has no panel for it.

    Parameters
    ----------
    run : Result, xarray.Dataset or file name
    against : "time" or "temperature"
    volume : bool
        Add the volume account and the wall's strength.
    equilibrium : bool
        Add the shares of the phases as the kinetics leave them and as equilibrium has them.
    window : (float, float), optional
        Draw only from the first to the second time [h].
    layers : sequence of str, optional
        Phases whose layers get a panel each, with their bands. Default: all where the run has bands, else none.

    Raises
    ------
    InputError
        For an unknown `against` or layer, a window outside the run, or a `run` that is none.
    """
    panels.one_of(against, panels.AGAINST, "against")
    result = as_result(run) if window is None else between(as_result(run), *window)
    drawn: list[Panel] = [(partial(panels.plot_thickness, against=against), 1.35)]
    chosen = layers if layers is not None else panels.drawn_layers(result) if _banded(result) else ()
    if panels.melts(result):
        drawn.append((partial(panels.plot_liquid, against=against), 1.05))
    if against == "time":
        bars = 0.1 + 0.125 * len(panels.present_phases(result))
        drawn = [(panels.plot_temperature, 1.15), (panels.plot_phases, bars), *drawn]
    more: list[Panel] = [*(_room(result) if volume else []), *(_SHARES if equilibrium else [])]
    drawn += ((partial(plot, against=against), height) for plot, height in more)
    return _stacked(result, drawn, against, chosen)


def draw_account(run: Source) -> Figure:
    """Where the phases lie, the volume account, and kinetics beside equilibrium against time, one column wide."""
    result = as_result(run)
    return _stacked(result, [(panels.plot_radii, 1.5), *_room(result), *_SHARES], "time")


def _room(result: Result) -> list[Panel]:
    """The volume account, and the wall's strength of a round strand."""
    return [_VOLUME] if strand_of(result).plane else [_VOLUME, _WALL]


def _banded(result: Result) -> bool:
    return all(f"thickness{ending}" in result.variables for ending in panels.BAND)


@style.settings()
def _stacked(result: Result, drawn: Sequence[Panel], against: str, layers: Sequence[str] = ()) -> Figure:
    """Panels above each other over one horizontal axis, numbered events above them; below a grid of layers, and a list.

    The list is that of the events.
    """
    numbered = panels.numbered_events(result)
    listed = numbered[:MOST_EVENTS]
    key = 0.125 * ceil(len(listed) / 2) + 0.05
    title = wrapped(str(result.attributes.get("title", "")), 52, 3)
    note = "\n".join(fill(f"{panels.SHADED} {caveat}", 76) for caveat in caveats_of([result]))
    low = 0.03 + (LINE * (note.count("\n") + 1) if note else 0.0)
    grid = ceil(len(layers) / 2) * CELL + 0.25 if layers else 0.0
    figure, axes = column_of_axes(
        [height for _, height in drawn], top=0.4 + 0.13 * title.count("\n"), bottom=low + key + grid + 0.35
    )
    total = figure.get_figheight()
    for ax, (plot, _) in zip(axes, drawn, strict=True):
        plot(result, ax)
    across = panels.horizontal(result, against)
    marks = [event.hours if against == "time" else event.celsius for event in listed]
    _number_marks(axes[0], marks, float(across.min()), float(across.max()))
    _share_horizontal(axes, marks)
    width = HALF if len(layers) > 1 else COLUMN_WIDTH - 0.61
    for k, phase in enumerate(layers):
        corner = (0.5 + APART * (k % 2), low + key + grid - CELL * (k // 2 + 1) + 0.1)
        place = (corner[0] / COLUMN_WIDTH, corner[1] / total, width / COLUMN_WIDTH, (CELL - 0.12) / total)
        ax = figure.add_axes(place)
        panels.plot_layer(result, ax, phase, against).yaxis.set_label_coords(-0.345 / width, 0.5)
        _share_horizontal([ax], marks, axes[0].get_xlim(), last=k + 2 >= len(layers))
    _write_key(figure.add_axes((0.0, low / total, 1.0, key / total)), listed, len(numbered) - len(listed))
    figure.text(0.06 / COLUMN_WIDTH, 1.0 - 0.03 / total, title, va="top", fontsize=7.5)
    figure.text(0.06 / COLUMN_WIDTH, 0.03 / total, note, va="bottom", fontsize=5.5, color=style.FAINT)
    return figure


def _share_horizontal(
    axes: Sequence[Axes], marks: Sequence[float], ends: tuple[float, float] | None = None, last: bool = True
) -> None:
    """One horizontal axis for all panels, its numbers below the last, event lines through all.

    With `ends` of their own the panels are small: their event lines are pale, so that many do not hide what is there.
    """
    low, high = ends or (min(ax.get_xlim()[0] for ax in axes), max(ax.get_xlim()[1] for ax in axes))
    for ax in axes:
        ax.set_xlim(low, high)
        ax.locator_params(axis="x", nbins=9 if high - low >= 1.0 and not ends else 4)
        for mark in marks:
            ax.axvline(mark, color=style.WARN, linewidth=0.35, alpha=0.25 if ends else 0.6, zorder=0.5)
        if ax is not axes[-1] or not last:
            ax.set_xlabel("")
            ax.tick_params(axis="x", labelbottom=False)


def _number_marks(ax: Axes, marks: Sequence[float], low: float, high: float) -> None:
    """Number the events along the top of the first panel, spread apart."""
    order = sorted(range(len(marks)), key=marks.__getitem__)
    places = [(marks[k] - low) / (high - low) for k in order]
    lead = {"arrowstyle": "-", "linewidth": 0.4, "color": style.WARN, "shrinkA": 0, "shrinkB": 0}
    for k, place, spread in zip(order, places, spread_out(places, 0.036 if len(marks) < 10 else 0.05), strict=True):
        ax.annotate(
            str(k + 1), (place, 1.0), (spread, 1.1), xycoords="axes fraction", textcoords="axes fraction",
            ha="center", va="bottom", fontsize=6, color=style.WARN, annotation_clip=False, arrowprops=lead,
        )  # fmt: skip


def _write_key(ax: Axes, listed: Sequence[Event], more: int) -> None:
    """The numbered events, in two columns."""
    ax.set_axis_off()
    rows = max(1, ceil(len(listed) / 2))
    for k, event in enumerate(listed):
        column, row = divmod(k, rows)
        x, y = 0.03 + 0.5 * column, 1.0 - (row + 0.5) / rows
        ax.text(x, y, f"{k + 1}", fontsize=6, color=style.WARN, va="center", ha="right")
        text = f"{event.words}, {event.hours:.1f} h, {event.celsius:.0f} °C"
        ax.text(x + 0.015, y, text, fontsize=6, va="center")
    if more:
        ax.text(1.0, 0.0, f"and {more} more", fontsize=6, va="bottom", ha="right", transform=ax.transAxes)
