"""One panel of a run each: temperature, phases, layers, liquid and room against time or temperature.

Every function draws on the axes it is given, or on new ones, and returns them. A run may be given as a
`Result`, as a Dataset or as the name of a file.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.materials.phases import LETTERS, LIQUID, PHASES, SOLID_TIN
from bronzeward.model.answer_bands import bands_of
from bronzeward.model.answers import numbers
from bronzeward.model.events import Event, events
from bronzeward.model.layers import COLUMN
from bronzeward.model.result import Result, Source, as_result
from bronzeward.plots import style
from bronzeward.plots.axes import frame, new_axes
from bronzeward.plots.lettering import headroom, legend, name_areas, name_lines
from bronzeward.units import HOUR, ZERO_CELSIUS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

AGAINST = ("time", "temperature")

THINNEST = 5e-9
"""Layers thinner than this everywhere are seeds, not drawn as lines [m]."""

BAND = ("_low", "_high")
"""Endings of the variables that hold the 5 % and 95 % quantiles of an ensemble."""

SHADED = "Shaded: 5 to 95 % of the runs."
"""What a band is, for the note below a figure."""


@style.settings()
def plot_temperature(run: Source, ax: Axes | None = None) -> Axes:
    """Temperature [°C] against time [h]."""
    result, ax = as_result(run), ax or new_axes()
    celsius = result["temperature"] - ZERO_CELSIUS
    ax.plot(result["time"] / HOUR, celsius, color=style.INK, linewidth=1.2)
    for event in numbered_events(result):
        ax.plot(event.hours, event.celsius, "o", ms=2.6, color=style.WARN, mew=0, zorder=4, clip_on=False)
    ax.set_ylim(0.0, 1.06 * float(celsius.max()))
    return _labelled(ax, "temperature, °C")


@style.settings()
def plot_phases(run: Source, ax: Axes | None = None) -> Axes:
    """A bar per phase over the times [h] at which the strand holds any of it."""
    result, ax = as_result(run), ax or new_axes()
    hours, phases = result["time"] / HOUR, present_phases(result)
    for place, phase in enumerate(phases):
        for start, end in _spans(result["amount"][:, COLUMN[phase]] > 0):
            gone = hours[min(end + 1, len(hours) - 1)]  # the first state without it, which may come much later
            bar, across = [(hours[start], gone - hours[start])], (place - 0.38, 0.76)
            ax.broken_barh(bar, across, **style.fill(phase))
            ax.broken_barh(bar, across, facecolor="none", edgecolor=style.INK, linewidth=0.4)
    ax.set_yticks(range(len(phases)), [LETTERS[phase] for phase in phases])
    ax.set_ylim(len(phases) - 0.45, -0.55)
    ax.tick_params(axis="y", length=0)
    return _labelled(ax, "phases", rules=False)


@style.settings()
def plot_thickness(run: Source, ax: Axes | None = None, against: str = "time") -> Axes:
    """Thickness [µm] of the core and every compound, and of the whole shell, this with its band where there is one.

    `against` is "time" [h] or "temperature" [°C]. Copper, which surrounds everything, is left out. The bands of
    single layers lie on each other; `plot_layer` draws one of them.
    """
    result, ax = as_result(run), ax or new_axes()
    across = horizontal(result, against)
    lines: list[tuple[str, Array]] = []
    for phase in drawn_layers(result):
        thickness = result["thickness"][:, COLUMN[phase]]
        micrometres = np.where(thickness > 0, thickness, np.nan) * 1e6
        _line(ax, across, micrometres, against, **style.line(phase))
        lines.append((LETTERS[phase], micrometres))
    shell = result["shell_thickness"] * 1e6
    _band(result, ax, across, "shell_thickness", 1e6, style.FAINT)
    name = "whole shell" if f"shell_thickness{BAND[0]}" not in result.variables else "whole shell, its band shaded"
    _line(ax, across, shell, against, color=style.INK, linewidth=0.8, linestyle=(0, (1, 1.5)), label=name)
    ax.set_ylim(0.0, headroom(ax))
    _labelled(ax, "thickness, µm", against)
    ax.set_xlim(float(across.min()), float(across.max()))
    name_lines(ax, across, lines)
    legend(ax, across, shell)
    return ax


@style.settings()
def plot_layer(run: Source, ax: Axes | None = None, phase: str = "eta", against: str = "time") -> Axes:
    """Thickness [µm] of one layer, with its band where the file has one; `phase` is one of `PHASES`."""
    one_of(phase, PHASES, "layer")
    result, ax = as_result(run), ax or new_axes()
    across, thickness = horizontal(result, against), result["thickness"][:, COLUMN[phase]]
    shade = style.FAINT if phase == SOLID_TIN else style.LOOKS[phase].colour  # tin is too pale to shade with
    _band(result, ax, across, "thickness", 1e6, shade, COLUMN[phase], 0.4)
    _line(ax, across, np.where(thickness > 0, thickness, np.nan) * 1e6, against, **style.line(phase))
    ax.set_ylim(0.0, headroom(ax))
    ax.locator_params(axis="y", nbins=3)
    return _labelled(ax, f"{LETTERS[phase]}, µm", against)


@style.settings()
def plot_liquid(run: Source, ax: Axes | None = None, against: str = "time") -> Axes:
    """Liquid as share of the tin and of the volume [%], with bands where the file has them."""
    result, ax = as_result(run), ax or new_axes()
    across, shares = horizontal(result, against), ("liquid_tin_fraction", "liquid_volume_fraction")
    for name in shares:
        _band(result, ax, across, name, 100.0, style.LOOKS[LIQUID].colour)
    of_tin, of_volume = (result[name] * 100.0 for name in shares)
    if against == "time":
        ax.fill_between(across, 0.0, of_tin, label="of the tin", **style.fill(LIQUID))
        ax.plot(across, _without_zeros(of_tin), color=style.INK, linewidth=0.6)
    else:
        _line(ax, across, _without_zeros(of_tin), against, label="of the tin", **style.line(LIQUID))
    dashed = {"color": style.INK, "linewidth": 1.1, "linestyle": (0, (3, 1.2)), "label": "of the volume"}
    _line(ax, across, _without_zeros(of_volume), against, **dashed)
    ax.set_ylim(0.0, max(1.0, headroom(ax)))
    _labelled(ax, "liquid, %", against)
    if melts(result):
        legend(ax, across, of_tin)
    else:
        ax.text(0.5, 0.5, "no liquid", transform=ax.transAxes, ha="center", va="center", color=style.FAINT)
    return ax


@style.settings()
def plot_volume(run: Source, ax: Axes | None = None, against: str = "time") -> Axes:
    """Contents less cavity over the volume of the tin core at the start [%], and the same of the bore at melting.

    Above zero the contents press on their wall, below zero there is void, counted wherever it lies. A diamond marks
    what the liquid lacks inside its shell when tin melts, as where all voids lie outside; with its band.
    """
    result, ax = as_result(run), ax or new_axes()
    across, overfill = horizontal(result, against), result["overfill"] * 100.0
    _band(result, ax, across, "overfill", 100.0, style.FAINT)
    if against == "time":
        pressed: dict[str, Any] = {"facecolor": "#f3d4d6", "edgecolor": style.WARN, "hatch": "////", "linewidth": 0.0}
        ax.fill_between(across, 0.0, overfill, where=overfill > 0, interpolate=True, **pressed)
    _line(ax, across, overfill, against, color=style.INK, linewidth=1.1)
    ax.axhline(0.0, color=style.INK, linewidth=0.6)
    _mark_bore(result, ax, against)
    low, high = min(float(ax.dataLim.y0), -0.5), max(float(ax.dataLim.y1), 0.5)
    ax.set_ylim(low - 0.1 * (high - low), high + 0.22 * (high - low))
    for text, rise, side in (("presses on the wall ↑", 1.5, "bottom"), ("void ↓", -1.5, "top")):
        ax.annotate(
            text, (0.995, 0.0), (0, rise), xycoords=("axes fraction", "data"), textcoords="offset points",
            fontsize=6, color=style.FAINT, ha="right", va=side, path_effects=style.halo(),
        )  # fmt: skip
    return _labelled(ax, "overfill, % of core", against)


def _mark_bore(result: Result, ax: Axes, against: str) -> None:
    n, key = numbers(result), "bore_overfill_at_first_liquid"
    if not np.isfinite(n[key]):
        return
    time = against == "time"
    place = n["first_liquid_time"] / HOUR if time else n["first_liquid_temperature"] - ZERO_CELSIUS
    low, _, high = bands_of(result).get(key, (n[key],) * 3)
    ax.plot([place, place], [100.0 * low, 100.0 * high], color=style.INK, linewidth=0.8)
    ax.plot([place], [100.0 * n[key]], "D", color="white", mec=style.INK, mew=0.7, ms=3.2, zorder=4)
    ax.annotate(
        "bore", (place, 100.0 * n[key]), (-4, 1), textcoords="offset points", fontsize=6, ha="right", va="bottom",
        path_effects=style.halo(),
    )  # fmt: skip


@style.settings()
def plot_wall(run: Source, ax: Axes | None = None, against: str = "time") -> Axes:
    """Pressure [MPa] at which the copper left of the sleeve yields throughout."""
    result, ax = as_result(run), ax or new_axes()
    pressure = result["wall_yield_pressure"] / 1e6
    _line(ax, horizontal(result, against), pressure, against, color=style.INK, linewidth=1.1)
    ax.set_ylim(0.0, max(1.0, headroom(ax)))
    return _labelled(ax, "wall yields, MPa", against)


@style.settings()
def plot_shares(run: Source, ax: Axes | None = None, kind: str = "kinetics", against: str = "time") -> Axes:
    """Shares of all atoms [%] by phase, stacked, as the "kinetics" leave them or at "equilibrium".

    Against temperature only the heating is drawn: a stack cannot turn back.
    """
    one_of(kind, ("kinetics", "equilibrium"), "kind")
    result, ax = as_result(run), ax or new_axes()
    across = horizontal(result, against)
    shares = np.nan_to_num(result["mole_fraction" if kind == "kinetics" else "equilibrium_mole_fraction"]) * 100.0
    rising = across >= np.maximum.accumulate(across)
    across, tops = across[rising], np.cumsum(shares[rising], axis=1)
    areas = []
    for k, phase in enumerate(PHASES):
        if (shares[rising, k] > 0).any():
            floor = tops[:, k - 1] if k else np.zeros(len(across))
            ax.fill_between(across, floor, tops[:, k], **style.fill(phase))
            ax.plot(across, tops[:, k], color=style.INK, linewidth=0.35)
            areas.append((LETTERS[phase], floor, tops[:, k]))
    name_areas(ax, across, areas, 9.0)
    ax.set_ylim(0.0, 100.0)
    return _labelled(ax, f"{kind}, %", against, rules=False)


@style.settings()
def plot_radii(run: Source, ax: Axes | None = None, barrier: float | None = None) -> Axes:
    """Where each phase lies: radius [µm] against time [h].

    `barrier` [m] is drawn as a line when given. The white part below is void. A plane couple has the
    distance from the free surface of the tin in place of the radius.
    """
    result, ax = as_result(run), ax or new_axes()
    hours, inner, outer = result["time"] / HOUR, result["inner_radius"] * 1e6, result["outer_radius"] * 1e6
    largest = float(np.nanmax(outer))
    void = np.nan_to_num(np.nanmin(inner, axis=1))
    ax.plot(hours, void, color=style.INK, linewidth=0.5)
    areas = []
    for phase in present_phases(result):
        low, high = inner[:, COLUMN[phase]], outer[:, COLUMN[phase]]
        ax.fill_between(hours, low, high, where=np.isfinite(low), **style.fill(phase))
        ax.plot(hours, high, color=style.INK, linewidth=0.35)
        areas.append((LETTERS[phase], low, high))
    name_areas(ax, hours, areas, 0.06 * largest)
    name_areas(ax, hours, [("void", np.zeros(len(hours)), void)], 0.08 * largest)
    if barrier is not None:
        ax.axhline(barrier * 1e6, color=style.BARRIER, linewidth=2.0)
    ax.set_ylim(0.0, 1.03 * largest)
    return _labelled(ax, "radius, µm", rules=False)


def present_phases(result: Result) -> list[str]:
    """Phases of which the strand holds anything at any time, from the tin side."""
    return [phase for phase in PHASES if (result["amount"][:, COLUMN[phase]] > 0).any()]


def drawn_layers(result: Result) -> list[str]:
    """Layers that are more than seeds at some time, without copper, from the tin side."""
    thick = result["thickness"].max(axis=0) >= THINNEST
    return [phase for phase in present_phases(result) if phase != "alpha" and thick[COLUMN[phase]]]


def melts(result: Result) -> bool:
    """Whether there is liquid at any time, or in the band."""
    name = "liquid_tin_fraction"
    most = result.variables.get(f"{name}{BAND[1]}")
    return bool(result[name].max() > 0.0 or (most is not None and most.values.max() > 0.0))


def numbered_events(result: Result) -> list[Event]:
    """Events that get a number: all but the end."""
    return [event for event in events(result) if event.name != "end"]


def horizontal(result: Result, against: str) -> Array:
    """What runs across: time [h] or temperature [°C]."""
    one_of(against, AGAINST, "against")
    return np.asarray(result["time"] / HOUR if against == "time" else result["temperature"] - ZERO_CELSIUS)


def one_of(value: str, allowed: Sequence[str], what: str) -> None:
    """Raise InputError unless a choice is one of those allowed."""
    if value not in allowed:
        raise InputError(f"{what} is {value!r}; allowed: {', '.join(allowed)}")


def _labelled(ax: Axes, text: str, against: str = "time", rules: bool = True) -> Axes:
    frame(ax)
    if not rules:
        ax.grid(visible=False)
    ax.set_ylabel(text)
    ax.set_xlabel("time, h" if against == "time" else "temperature, °C")
    ax.margins(x=0.0)
    return ax


def _spans(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return [(int(start), int(end) - 1) for start, end in zip(edges[::2], edges[1::2], strict=True)]


def _line(ax: Axes, across: Array, values: Array, against: str, **look: Any) -> None:
    """A line; against temperature, what comes after the way back down begins is drawn pale."""
    cooling = across < np.maximum.accumulate(across) - 1e-9 if against == "temperature" else np.zeros(len(across), bool)
    ax.plot(across, np.where(cooling, np.nan, values), **look)
    if cooling.any():
        ax.plot(across, np.where(cooling, values, np.nan), **{**look, "alpha": 0.3, "label": "_back"})


def _without_zeros(values: Array) -> Array:
    """Values with the zeros left out, but for the ones at either end of what is not zero."""
    kept = values > 0
    kept[1:] |= values[:-1] > 0
    kept[:-1] |= values[1:] > 0
    return np.where(kept, values, np.nan)


def _band(
    result: Result,
    ax: Axes,
    across: Array,
    name: str,
    scale: float,
    colour: str,
    column: int | None = None,
    alpha: float = 0.18,
) -> None:
    """Shade between the 5 % and 95 % quantiles, where the file has them."""
    ends = [result.variables.get(f"{name}{ending}") for ending in BAND]
    if None not in ends:
        low, high = (end.values[..., column] if column is not None else end.values for end in ends if end is not None)
        ax.fill_between(across, low * scale, high * scale, color=colour, alpha=alpha, linewidth=0, zorder=1)
