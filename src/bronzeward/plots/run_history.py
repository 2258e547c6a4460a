"""Figures of one result: temperature, phases, layers, liquid and room against time or temperature.

Every `plot_...` function draws on the axes it is given, or on new ones, and returns them.
`draw_history` puts the usual ones on one column-wide figure. Nothing here asks for a window.
"""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from math import ceil
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.files import replacing
from bronzeward.inputs.schedule import Schedule
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.model.layers import COLUMN
from bronzeward.model.result import Result, names
from bronzeward.plots import style
from bronzeward.units import HOUR, ZERO_CELSIUS

Array = NDArray[np.float64]

AGAINST = ("time", "temperature")
SUFFIXES = (".png", ".svg", ".pdf")

THINNEST = 5e-9
"""Layers thinner than this everywhere are seeds, not drawn as lines [m]."""

MOST_EVENTS = 24
"""Events listed below a figure; the rest are counted."""

BAND = ("_low", "_high")
"""Endings of the variables that hold the 5 % and 95 % quantiles of an ensemble."""


class Event(NamedTuple):
    """One event of a result: name, time [h], temperature [°C], row of the first state after it."""

    name: str
    hours: float
    celsius: float
    row: int

    @property
    def words(self) -> str:
        """The name with Greek letters for phases."""
        first, _, rest = self.name.partition(" ")
        letter = style.LOOKS[first].letter if first in style.LOOKS and first not in (LIQUID, SOLID_TIN) else first
        return f"{letter} {rest}".strip()


def events(result: Result) -> list[Event]:
    """The events of a result in order of time; the last state of a schedule without quench is called its end."""
    last = len(result["time"]) - 1
    rows = [
        Event(name, float(time) / HOUR, float(kelvin) - ZERO_CELSIUS, min(int(row), last))
        for name, time, kelvin, row in zip(
            names(result, "event_name"),
            result["event_time"],
            result["event_temperature"],
            _event_rows(result),
            strict=True,
        )
    ]
    if rows and rows[-1].name == "quench" and not _quenched(result):
        rows[-1] = rows[-1]._replace(name="end")
    return rows


def _event_rows(result: Result) -> Sequence[int]:
    if "event_row" in result.variables:
        return [int(row) for row in result["event_row"]]
    return [int(np.searchsorted(result["time"], time, side="right")) for time in result["event_time"]]


def _quenched(result: Result) -> bool:
    steps = json.loads(result.attributes["inputs"])["schedule"].get("steps", [])
    return bool(steps) and "quench" in steps[-1]


def draw_history(
    result: Result,
    against: str = "time",
    volume: bool = False,
    equilibrium: bool = False,
    window: tuple[float, float] | None = None,
) -> Figure:
    """The history of one run on one column-wide figure.

    Against time: temperature with numbered event marks, which phases are there, layer thickness, liquid;
    against temperature: layer thickness and liquid, cooling drawn pale. The events are listed below.

    Parameters
    ----------
    result : Result
    against : "time" or "temperature"
    volume : bool
        Add the volume account and the wall's strength.
    equilibrium : bool
        Add the shares of the phases as the kinetics leave them and as equilibrium has them.
    window : (float, float), optional
        Draw only from the first to the second time [h].

    Raises
    ------
    InputError
        For an unknown `against` or a window outside the run.
    """
    _one_of(against, AGAINST, "against")
    shown = _windowed(result, window)
    panels = _panels(shown, against, volume, equilibrium)
    return _stacked(shown, panels, against)


def draw_account(result: Result) -> Figure:
    """Where the phases lie, the volume account, and kinetics beside equilibrium against time, one column wide."""
    panels: list[tuple[Any, float]] = [
        (lambda ax: plot_radii(result, ax), 1.5),
        (lambda ax: plot_volume(result, ax), 1.05),
        (lambda ax: plot_wall(result, ax), 0.8),
        (lambda ax: plot_shares(result, ax, "kinetics"), 1.05),
        (lambda ax: plot_shares(result, ax, "equilibrium"), 1.05),
    ]
    return _stacked(result, panels, "time")


def _stacked(result: Result, panels: list[tuple[Any, float]], against: str) -> Figure:
    """Panels above each other over one horizontal axis, numbered events above them, their list below."""
    listed = _listed(result)
    key = 0.125 * ceil(len(listed) / 2) + 0.05
    with style.settings():
        figure, axes = style.column_of_axes([height for _, height in panels], top=0.4, bottom=key + 0.38)
        total = figure.get_figheight()
        for ax, (plot, _) in zip(axes, panels, strict=True):
            plot(ax)
        _share_horizontal(axes, _marks_top(result, axes[0], against))
        _write_key(figure.add_axes((0.0, 0.03 / total, 1.0, key / total)), listed, len(_marked(result)))
        if result.attributes.get("title"):
            x = axes[0].get_position().x0
            figure.text(x, 1.0 - 0.03 / total, _short(str(result.attributes["title"])), va="top", fontsize=7.5)
    drawn: Figure = figure
    return drawn


def _panels(result: Result, against: str, volume: bool, equilibrium: bool) -> list[tuple[Any, float]]:
    """Functions that draw one axes each, and their heights [inch]."""
    panels: list[tuple[Any, float]] = []
    if against == "time":
        bars = len(_there(result))
        panels += [
            (lambda ax: plot_temperature(result, ax), 1.15),
            (lambda ax: plot_phases(result, ax), 0.1 + 0.125 * bars),
        ]
    panels += [
        (lambda ax: plot_thickness(result, ax, against), 1.35),
        (lambda ax: plot_liquid(result, ax, against), 1.05),
    ]
    if volume:
        panels += [
            (lambda ax: plot_volume(result, ax, against), 1.05),
            (lambda ax: plot_wall(result, ax, against), 0.8),
        ]
    if equilibrium:
        panels += [
            (lambda ax: plot_shares(result, ax, "kinetics", against), 1.05),
            (lambda ax: plot_shares(result, ax, "equilibrium", against), 1.05),
        ]
    return panels


def plot_temperature(result: Result, ax: Any = None) -> Any:
    """Temperature [°C] against time [h]; returns the axes."""
    with style.settings():
        ax = style.new_axes() if ax is None else ax
        hours, celsius = _hours(result), result["temperature"] - ZERO_CELSIUS
        ax.plot(hours, celsius, color=style.INK, linewidth=1.2)
        for event in _marked(result):
            ax.plot(event.hours, event.celsius, "o", markersize=2.6, color=style.WARN, markeredgewidth=0, zorder=4)
        ax.set_ylim(0.0, 1.06 * float(celsius.max()))
        _label(ax, "temperature, °C", "time")
    return ax


def plot_phases(result: Result, ax: Any = None) -> Any:
    """A bar per phase over the times [h] at which the strand holds any of it; returns the axes."""
    with style.settings():
        ax = style.new_axes() if ax is None else ax
        hours, there = _hours(result), _there(result)
        for place, phase in enumerate(there):
            for start, end in _spans(result["amount"][:, COLUMN[phase]] > 0):
                bar, across = [(hours[start], hours[end] - hours[start])], (place - 0.38, 0.76)
                ax.broken_barh(bar, across, **style.fill(phase))
                ax.broken_barh(bar, across, facecolor="none", edgecolor=style.INK, linewidth=0.4)
        ax.set_yticks(range(len(there)), [style.LOOKS[phase].letter for phase in there])
        ax.set_ylim(len(there) - 0.45, -0.55)
        _label(ax, "phases", "time")
        ax.grid(visible=False)
        ax.tick_params(axis="y", length=0)
    return ax


def plot_thickness(result: Result, ax: Any = None, against: str = "time") -> Any:
    """Thickness [µm] of the core and of every compound, and of the whole shell, with bands where the file has them.

    `against` is "time" [h] or "temperature" [°C]. Copper, which surrounds everything, is left out. Returns the axes.
    """
    _one_of(against, AGAINST, "against")
    with style.settings():
        ax = style.new_axes() if ax is None else ax
        across = _across(result, against)
        labels: list[tuple[str, Array]] = []
        for phase in [p for p in _there(result) if p != "alpha"]:
            thickness = result["thickness"][:, COLUMN[phase]]
            if thickness.max() < THINNEST:
                continue
            drawn = np.where(thickness > 0, thickness, np.nan) * 1e6
            _band(result, ax, across, "thickness", 1e6, style.LOOKS[phase].colour, COLUMN[phase])
            _draw(ax, across, drawn, against, **style.line(phase))
            labels.append((style.LOOKS[phase].letter, drawn))
        shell = result["shell_thickness"] * 1e6
        _band(result, ax, across, "shell_thickness", 1e6, style.FAINT)
        _draw(ax, across, shell, against, color=style.INK, linewidth=0.8, linestyle=(0, (1, 1.5)), label="whole shell")
        ax.set_ylim(0.0, _headroom(ax))
        _label(ax, "thickness, µm", against)
        ax.set_xlim(float(across.min()), float(across.max()))
        _name_lines(ax, across, labels)
        _legend(ax, across, shell)
    return ax


def plot_liquid(result: Result, ax: Any = None, against: str = "time") -> Any:
    """Liquid as share of the tin and of the volume [%], with bands where the file has them; returns the axes."""
    _one_of(against, AGAINST, "against")
    with style.settings():
        ax = style.new_axes() if ax is None else ax
        across = _across(result, against)
        for name in ("liquid_tin_fraction", "liquid_volume_fraction"):
            _band(result, ax, across, name, 100.0, style.LOOKS[LIQUID].colour)
        of_tin, of_volume = (result[name] * 100.0 for name in ("liquid_tin_fraction", "liquid_volume_fraction"))
        if against == "time":
            ax.fill_between(across, 0.0, of_tin, label="of the tin", **style.fill(LIQUID))
            ax.plot(across, _while_there(of_tin), color=style.INK, linewidth=0.6)
        else:
            _draw(ax, across, _while_there(of_tin), against, label="of the tin", **style.line(LIQUID))
        _draw(
            ax,
            across,
            _while_there(of_volume),
            against,
            color=style.INK,
            linewidth=1.1,
            linestyle=(0, (3, 1.2)),
            label="of the volume",
        )
        ax.set_ylim(0.0, max(1.0, _headroom(ax)))
        _label(ax, "liquid, %", against)
        _legend(ax, across, of_tin)
    return ax


def plot_volume(result: Result, ax: Any = None, against: str = "time") -> Any:
    """Contents less cavity over the volume of the tin core at the start [%]; returns the axes.

    Above zero the contents press on their wall, below zero there is void.
    """
    _one_of(against, AGAINST, "against")
    with style.settings():
        ax = style.new_axes() if ax is None else ax
        across, overfill = _across(result, against), result["overfill"] * 100.0
        _band(result, ax, across, "overfill", 100.0, style.FAINT)
        if against == "time":
            pressed = {"facecolor": "#f3d4d6", "edgecolor": style.WARN, "hatch": "////", "linewidth": 0.0}
            ax.fill_between(across, 0.0, overfill, where=overfill > 0, interpolate=True, **pressed)
        _draw(ax, across, overfill, against, color=style.INK, linewidth=1.1)
        ax.axhline(0.0, color=style.INK, linewidth=0.6)
        low, high = min(float(ax.dataLim.y0), -0.5), max(float(ax.dataLim.y1), 0.5)
        ax.set_ylim(low - 0.1 * (high - low), high + 0.22 * (high - low))
        _label(ax, "overfill, % of core", against)
        note: dict[str, Any] = {
            "xycoords": ("axes fraction", "data"),
            "fontsize": 6,
            "color": style.FAINT,
            "ha": "right",
        }
        note["path_effects"] = _halo()
        ax.annotate(
            "presses on the wall ↑", (0.995, 0.0), xytext=(0, 1.5), textcoords="offset points", va="bottom", **note
        )
        ax.annotate("void ↓", (0.995, 0.0), xytext=(0, -1.5), textcoords="offset points", va="top", **note)
    return ax


def plot_wall(result: Result, ax: Any = None, against: str = "time") -> Any:
    """Pressure [MPa] at which the copper left of the sleeve yields throughout; returns the axes."""
    _one_of(against, AGAINST, "against")
    with style.settings():
        ax = style.new_axes() if ax is None else ax
        across, pressure = _across(result, against), result["wall_yield_pressure"] / 1e6
        _draw(ax, across, pressure, against, color=style.INK, linewidth=1.1)
        ax.set_ylim(0.0, max(1.0, _headroom(ax)))
        _label(ax, "wall yields, MPa", against)
    return ax


def plot_shares(result: Result, ax: Any = None, kind: str = "kinetics", against: str = "time") -> Any:
    """Shares of all atoms [%] by phase, stacked, as the "kinetics" leave them or at "equilibrium"; returns the axes.

    Against temperature only the heating is drawn: a stack cannot turn back.
    """
    _one_of(kind, ("kinetics", "equilibrium"), "kind")
    _one_of(against, AGAINST, "against")
    variable = "mole_fraction" if kind == "kinetics" else "equilibrium_mole_fraction"
    with style.settings():
        ax = style.new_axes() if ax is None else ax
        across, shares = _across(result, against), np.nan_to_num(result[variable]) * 100.0
        rising = across >= np.maximum.accumulate(across)
        across, shares = across[rising], shares[rising]
        floor = np.zeros(len(across))
        for k, phase in enumerate(PHASES):
            if (shares[:, k] > 0).any():
                top = floor + shares[:, k]
                ax.fill_between(across, floor, top, **style.fill(phase))
                ax.plot(across, top, color=style.INK, linewidth=0.35)
                _name_area(ax, across, floor, top, style.LOOKS[phase].letter, 9.0)
                floor = top
        ax.set_ylim(0.0, 100.0)
        _label(ax, f"{kind}, %", against)
        ax.grid(visible=False)
    return ax


def plot_radii(result: Result, ax: Any = None, barrier: float | None = None) -> Any:
    """Where each phase lies: radius [µm] against time [h]; returns the axes.

    `barrier` [m] is drawn as a line when given. The white part below is void. A plane couple has the
    distance from the free surface of the tin in place of the radius.
    """
    with style.settings():
        ax = style.new_axes() if ax is None else ax
        hours = _hours(result)
        largest = float(np.nanmax(result["outer_radius"])) * 1e6
        void = np.nan_to_num(np.nanmin(result["inner_radius"], axis=1)) * 1e6
        ax.plot(hours, void, color=style.INK, linewidth=0.5)
        for phase in _there(result):
            inner, outer = (result[name][:, COLUMN[phase]] * 1e6 for name in ("inner_radius", "outer_radius"))
            ax.fill_between(hours, inner, outer, where=np.isfinite(inner), **style.fill(phase))
            ax.plot(hours, outer, color=style.INK, linewidth=0.35)
            _name_area(ax, hours, inner, outer, style.LOOKS[phase].letter, 0.06 * largest)
        _name_area(ax, hours, np.zeros(len(hours)), void, "void", 0.08 * largest)
        if barrier is not None:
            ax.axhline(barrier * 1e6, color=style.BARRIER, linewidth=2.0)
        ax.set_ylim(0.0, 1.03 * largest)
        _label(ax, "radius, µm", "time")
        ax.grid(visible=False)
    return ax


def plot_programme(programmed: Schedule, measured: Schedule, ax: Any = None, shift: float = 0.0) -> Any:
    """Programmed and measured temperature [°C] against time [h]; returns the axes.

    `shift` [s] is added to the measured times.
    """
    with style.settings():
        ax = style.new_axes() if ax is None else ax
        ax.plot(
            programmed.time / HOUR, programmed.temperature - ZERO_CELSIUS,
            color=style.FAINT, linewidth=2.4, alpha=0.55, label="programmed", solid_capstyle="butt",
        )  # fmt: skip
        hours = (measured.time + shift) / HOUR
        ax.plot(hours, measured.temperature - ZERO_CELSIUS, color=style.WARN, linewidth=0.9, label="measured")
        ax.set_ylim(0.0, _headroom(ax))
        _label(ax, "temperature, °C", "time")
        ax.set_xlabel("time, h")
        ax.legend(loc="lower right", borderaxespad=0.2)
    return ax


def save(figure: Figure, path: str | Path, overwrite: bool = False) -> Path:
    """Write a figure as PNG, SVG or PDF, by the ending of the name; a reader never meets half a file.

    Raises
    ------
    InputError
        For another ending, a missing folder, or an existing file without `overwrite`.
    """
    target = Path(path)
    if target.suffix.lower() not in SUFFIXES:
        raise InputError(
            f"{target}: figures end in {', '.join(SUFFIXES)}; '{target.suffix or target.name}' is none of them"
        )
    with replacing(target, overwrite) as temporary:
        temporary.write_bytes(encode(figure, target.suffix.lower()[1:]))
    return target


def encode(figure: Figure, kind: str = "png") -> bytes:
    """A figure as the bytes of a "png", "svg" or "pdf" file, the same every time."""
    undated: dict[str, Any] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind, {})
    stream = io.BytesIO()
    more: dict[str, Any] = {"pil_kwargs": {"compress_level": 4}} if kind == "png" else {}
    with style.settings():
        figure.savefig(stream, format=kind, metadata=undated, **more)
    return stream.getvalue()


def _one_of(value: str, allowed: Sequence[str], what: str) -> None:
    if value not in allowed:
        raise InputError(f"{what} is {value!r}; allowed: {', '.join(allowed)}")


def _hours(result: Result) -> Array:
    return np.asarray(result["time"] / HOUR)


def _across(result: Result, against: str) -> Array:
    return _hours(result) if against == "time" else np.asarray(result["temperature"] - ZERO_CELSIUS)


def _there(result: Result) -> list[str]:
    return style.present(result["amount"])


def _spans(there: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], there.astype(int), [0]])))
    return [(int(start), int(end) - 1) for start, end in zip(edges[::2], edges[1::2], strict=True)]


def _headroom(ax: Any) -> float:
    """Top of the vertical axis: a quarter above the highest line or band, for legend and names."""
    top = float(ax.dataLim.y1)
    return 1.25 * top if np.isfinite(top) and top > 0 else 1.0


def _draw(ax: Any, across: Array, values: Array, against: str, **look: Any) -> None:
    """A line; against temperature, what comes after the way back down begins is drawn pale."""
    cooling = across < np.maximum.accumulate(across) - 1e-9 if against == "temperature" else np.zeros(len(across), bool)
    ax.plot(across, np.where(cooling, np.nan, values), **look)
    if cooling.any():
        ax.plot(across, np.where(cooling, values, np.nan), **{**look, "alpha": 0.3, "label": "_back"})


def _while_there(values: Array) -> Array:
    """Values with the zeros left out, but for the ones at either end of what is there."""
    there = values > 0
    beside = there.copy()
    beside[1:] |= there[:-1]
    beside[:-1] |= there[1:]
    return np.where(beside, values, np.nan)


def _legend(ax: Any, across: Array, values: Array) -> None:
    """A legend in the upper corner where the curve is lower."""
    low, high = ax.get_xlim()
    left = across < 0.5 * (low + high)
    peaks = [float(np.max(values[half], initial=0.0)) for half in (left, ~left)]
    side = "left" if peaks[0] < peaks[1] else "right"
    box = {"frameon": True, "framealpha": 0.9, "edgecolor": "none", "facecolor": "white", "borderpad": 0.15}
    ax.legend(loc=f"upper {side}", handlelength=2.2, borderaxespad=0.1, labelspacing=0.25, **box).set_zorder(5.5)


def _label(ax: Any, text: str, against: str) -> None:
    style.frame(ax)
    ax.set_ylabel(text)
    ax.set_xlabel("time, h" if against == "time" else "temperature, °C")
    ax.margins(x=0.0)


def _band(
    result: Result, ax: Any, across: Array, name: str, scale: float, colour: str, column: int | None = None
) -> None:
    """Shade between the 5 % and 95 % quantiles, where the file has them."""
    ends = [f"{name}{ending}" for ending in BAND]
    if not all(end in result.variables for end in ends):
        return
    low, high = (result[end] * scale if column is None else result[end][:, column] * scale for end in ends)
    ax.fill_between(across, low, high, color=colour, alpha=0.18, linewidth=0, zorder=1)


def _name_lines(ax: Any, across: Array, labels: list[tuple[str, Array]]) -> None:
    """Write each line's letter above it, as near its highest point as other lines and letters allow."""
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    x = (across - x0) / (x1 - x0)
    curves = [(values - y0) / (y1 - y0) for _, values in labels]
    taken: list[tuple[float, float]] = []
    for (text, _), curve in zip(labels, curves, strict=True):
        known = np.flatnonzero(np.isfinite(curve))
        order = known[np.argsort(-curve[known], kind="stable")]
        spots = [(min(max(float(x[k]), 0.02), 0.98), min(float(curve[k]) + 0.07, 0.95)) for k in order]
        others = [other for other in curves if other is not curve]
        free = (spot for spot in spots if _is_free(spot, x, others, taken))
        spot = next(free, next((s for s in spots if _apart(s, taken)), spots[0]))
        taken.append(spot)
        ax.text(*spot, text, transform=ax.transAxes, ha="center", va="center", zorder=6, path_effects=_halo())


def _apart(spot: tuple[float, float], taken: list[tuple[float, float]]) -> bool:
    return all(abs(spot[0] - x) > 0.05 or abs(spot[1] - y) > 0.13 for x, y in taken)


def _is_free(spot: tuple[float, float], x: Array, curves: list[Array], taken: list[tuple[float, float]]) -> bool:
    """Whether a letter there (axes fractions) keeps off the letters so far and off all other lines."""
    near = np.abs(x - spot[0]) < 0.025
    crossed = any(bool((np.abs(curve[near] - spot[1]) < 0.055).any()) for curve in curves)
    return _apart(spot, taken) and not crossed


def _name_area(ax: Any, across: Array, floor: Array, top: Array, text: str, least: float) -> None:
    """Write a text where it has most room in an area, if that is at least so high over the width of the text."""
    grid = np.linspace(float(across[0]), float(across[-1]), 161)
    low, high = np.interp(grid, across, np.nan_to_num(floor)), np.interp(grid, across, np.nan_to_num(top))
    reach = 3 + len(text)  # grid points to either side
    floors = np.lib.stride_tricks.sliding_window_view(low, 2 * reach + 1).max(axis=1)
    tops = np.lib.stride_tricks.sliding_window_view(high, 2 * reach + 1).min(axis=1)
    room = tops - floors
    if room.max() < least:
        return
    roomy = np.flatnonzero(room > 0.97 * room.max())
    k = int(roomy[len(roomy) // 2])
    middle = 0.5 * (floors[k] + tops[k])
    ax.text(grid[k + reach], middle, text, ha="center", va="center", path_effects=_halo(2.2), zorder=6, clip_on=True)


def _halo(width: float = 1.8) -> list[Any]:
    from matplotlib import patheffects

    return [patheffects.withStroke(linewidth=width, foreground="white")]


def _windowed(result: Result, window: tuple[float, float] | None) -> Result:
    """The same result between two times [h]."""
    if window is None:
        return result
    start, end = window
    hours = _hours(result)
    keep = (hours >= start) & (hours <= end)
    if not start < end or keep.sum() < 2:
        raise InputError(f"window is {start:g} to {end:g} h; it must hold a part of the run, 0 to {hours[-1]:g} h")
    kept = (result["event_time"] / HOUR >= start) & (result["event_time"] / HOUR <= end)
    first = int(np.argmax(keep))
    variables = {}
    for name, variable in result.variables.items():
        rows = keep if variable.dims[:1] == ("time",) else kept if variable.dims[:1] == ("event",) else slice(None)
        values = variable.values[rows]
        if name == "event_row":
            values = values - first
        variables[name] = variable.__class__(variable.dims, values, variable.attributes)
    return Result(variables, result.attributes)


def _marked(result: Result) -> list[Event]:
    """Events that get a number: all but the end."""
    return [event for event in events(result) if event.name != "end"]


def _listed(result: Result) -> list[Event]:
    return _marked(result)[:MOST_EVENTS]


def _share_horizontal(axes: Sequence[Any], marks: list[float]) -> None:
    """One horizontal axis for all panels, its numbers below the last, event lines through all of them."""
    low = min(ax.get_xlim()[0] for ax in axes)
    high = max(ax.get_xlim()[1] for ax in axes)
    for k, ax in enumerate(axes):
        ax.set_xlim(low, high)
        ax.locator_params(axis="x", nbins=9 if high - low >= 1.0 else 4)
        for mark in marks:
            ax.axvline(mark, color=style.WARN, linewidth=0.35, alpha=0.6, zorder=0.5)
        if k < len(axes) - 1:
            ax.set_xlabel("")
            ax.tick_params(axis="x", labelbottom=False)


def _marks_top(result: Result, ax: Any, against: str) -> list[float]:
    """Number the events along the top of the first panel, spread apart; returns where they are."""
    found = _listed(result)
    across = _across(result, against)
    low, high = float(across.min()), float(across.max())
    where = [event.hours if against == "time" else event.celsius for event in found]
    order = sorted(range(len(where)), key=where.__getitem__)
    places = [(where[k] - low) / (high - low) for k in order]
    distance = 0.036 if len(found) < 10 else 0.05
    for k, place, spread in zip(order, places, spread_out(places, distance), strict=True):
        ax.annotate(
            str(k + 1),
            (place, 1.0),
            xytext=(spread, 1.1),
            xycoords="axes fraction",
            textcoords="axes fraction",
            ha="center",
            va="bottom",
            fontsize=6,
            color=style.WARN,
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "linewidth": 0.4, "color": style.WARN, "shrinkA": 0, "shrinkB": 0},
        )
    return where


def spread_out(places: Sequence[float], distance: float) -> list[float]:
    """Places along 0 to 1, in rising order, moved as little as needed to lie `distance` apart."""
    groups: list[tuple[float, int]] = []  # middle and number of members

    def inside(middle: float, count: int) -> float:
        half = 0.5 * (count - 1) * distance
        return min(max(middle, half), max(1.0 - half, half))

    for place in places:
        middle, count = place, 1
        # a group pushed back from the upper end may reach the one before it
        while groups and middle - groups[-1][0] < 0.5 * (count + groups[-1][1]) * distance - 1e-13:
            other, members = groups.pop()
            middle, count = (middle * count + other * members) / (count + members), count + members
            middle = inside(middle, count)
        groups.append((inside(middle, count), count))
    return [middle + (k - 0.5 * (count - 1)) * distance for middle, count in groups for k in range(count)]


def _write_key(ax: Any, listed: list[Event], total: int) -> None:
    """The numbered events, in two columns."""
    ax.set_axis_off()
    rows = max(1, ceil(len(listed) / 2))
    for k, event in enumerate(listed):
        column, row = divmod(k, rows)
        x, y = 0.03 + 0.5 * column, 1.0 - (row + 0.5) / rows
        ax.text(x, y, f"{k + 1}", fontsize=6, color=style.WARN, va="center", ha="right")
        text = f"{event.words}, {event.hours:.1f} h, {event.celsius:.0f} °C"
        ax.text(x + 0.015, y, text, fontsize=6, va="center")
    if total > len(listed):
        ax.text(
            1.0, 0.0, f"and {total - len(listed)} more", fontsize=6, va="bottom", ha="right", transform=ax.transAxes
        )


def _short(text: str, most: int = 46) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
