"""The strand's section to scale at chosen moments of a run: what a quench there should show under the microscope.

Radii are those of the result: 25 °C molar volumes, void at the centre. Filaments and barrier are a
pattern of the right area, not a layout: the model knows only the copper share of the pack.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from math import ceil, cos, floor, log10, pi, sin, sqrt, tau
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from matplotlib.collections import EllipseCollection
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle, Wedge

from bronzeward.errors import InputError
from bronzeward.inputs.case import case_from_data
from bronzeward.inputs.strand import Ring, Strand
from bronzeward.materials.phases import PHASES
from bronzeward.model.layers import COLUMN
from bronzeward.model.result import Result
from bronzeward.plots import style
from bronzeward.plots.run_history import Event, events, spread_out
from bronzeward.units import HOUR, ZERO_CELSIUS

MOST_FILAMENTS = 420
"""Filaments drawn in one section at most; a pattern, not a count."""

THINNEST_NAMED = 0.005
"""Layers thinner than this share of the barrier's radius are called out but not filled with a hatch."""

LEAST_NAMED = 2e-9
"""Layers thinner than this are seeds: not called out, not in the key [m]."""

_MARGIN = 1.07
_ROUND_WIDE, _ROUND_HIGH = 3.3, 2.14
_STRIP_WIDE, _STRIP_HIGH = 2.14, 2.32
"""Sizes of a drawing in radii of the barrier: from the centre to the edge, and over all."""

_ALIASES = {
    "start": "start",
    "end": "end",
    "last": "end",
    "first liquid": "first liquid",
    "first melt": "first liquid",
    "peak liquid": "peak liquid",
    "most liquid": "peak liquid",
    "liquid gone": "liquid gone",
    "last liquid": "liquid gone",
}

_QUANTITY = re.compile(r"([-+]?\d*[.,]?\d+)\s*(s|min|h|d|°?c|k)")
_TIME = {"s": 1.0, "min": 60.0, "h": HOUR, "d": 24.0 * HOUR}


class Layer(NamedTuple):
    """A ring (plane couple: a slab) of one phase, radii [m]; phase None is void."""

    phase: str | None
    inner: float
    outer: float


def find_moment(result: Result, text: str) -> int:
    """Row along time of a moment given in words.

    Understood are "start", "end", "first liquid", "peak liquid", "liquid gone", a time as "12.5h" (also
    s, min, d; the stored state nearest to it), a temperature as "400C" or "673K" (the first time the run
    comes to it), and the name of an event as the result lists it, such as "delta appears"; the state is
    then the first one after the event, or with "before " in front the last one before it. A number after
    an event, as in "epsilon used up 2", asks for the second of that name.

    Raises
    ------
    InputError
        When the text means nothing, or the run has no such moment.
    """
    words = " ".join(str(text).split())
    plain = words.casefold()
    if plain in _ALIASES:
        return _landmark(result, _ALIASES[plain])
    quantity = _QUANTITY.fullmatch(plain)
    if quantity is not None:
        value, unit = float(quantity[1].replace(",", ".")), quantity[2].lstrip("°")
        return _at_time(result, value * _TIME[unit], words) if unit in _TIME else _at_temperature(result, value, unit)
    return _at_event(result, words)


def _landmark(result: Result, which: str) -> int:
    liquid = result["liquid_mole_fraction"]
    there = np.flatnonzero(liquid > 0)
    if which == "start":
        return 0
    if which == "end":
        return len(liquid) - 1
    if not there.size:
        raise InputError(f"moment: there is no '{which}', tin never melts in this run")
    if which == "peak liquid":
        return int(np.argmax(liquid))
    if which == "first liquid":
        return int(there[0])
    if there[-1] + 1 >= len(liquid):
        raise InputError("moment: there is no 'liquid gone', liquid is left at the end of this run")
    return int(there[-1]) + 1


def _at_time(result: Result, seconds: float, words: str) -> int:
    time = result["time"]
    if not time[0] <= seconds <= time[-1] + 1.0:
        raise InputError(f"moment: {words} lies outside the run, which takes {time[-1] / HOUR:.4g} h")
    return int(np.argmin(np.abs(time - seconds)))


def _at_temperature(result: Result, value: float, unit: str) -> int:
    kelvin = result["temperature"]
    wanted = value if unit == "k" else value + ZERO_CELSIUS
    if not kelvin.min() - 1e-6 <= wanted <= kelvin.max() + 1e-6:
        low, high = kelvin.min() - ZERO_CELSIUS, kelvin.max() - ZERO_CELSIUS
        raise InputError(
            f"moment: {wanted - ZERO_CELSIUS:.4g} °C is never reached; the run goes from {low:.4g} to {high:.4g} °C"
        )
    side = np.sign(kelvin - wanted)
    crossed = np.flatnonzero((side == 0) | (side != side[0]))
    first = int(crossed[0]) if crossed.size else 0
    before = max(first - 1, 0)
    return min((before, first), key=lambda k: abs(float(kelvin[k]) - wanted))


def _at_event(result: Result, words: str) -> int:
    asked = re.fullmatch(r"(before )?(.*?)(?: (\d+))?", words.casefold())
    assert asked is not None
    before, name, which = bool(asked[1]), asked[2], int(asked[3] or 1)
    known = events(result)
    same = [event for event in known if name in (event.name.casefold(), event.words.casefold())]
    if 1 <= which <= len(same):
        return max(same[which - 1].row - int(before), 0)
    if same:
        raise InputError(f"moment: '{name}' happens {len(same)} times in this run, there is no number {which}")
    listed = "; ".join(dict.fromkeys(event.name for event in known))
    raise InputError(
        f"moment: '{words}' is not understood; give a time (12.5h), a temperature (400C), start, end, first liquid, "
        f"peak liquid, liquid gone, or an event of this run: {listed}"
    )


def strand_of(result: Result) -> Strand:
    """The strand a result was computed for."""
    inputs = json.loads(result.attributes["inputs"])
    kept = {key: inputs[key] for key in ("strand", "couple") if key in inputs}
    heating = {"start_C": 20.0, "steps": [{"ramp_C_per_h": 1.0, "to_C": 30.0}]}
    return case_from_data({**kept, "schedule": heating}, Path()).strand


def layers_at(result: Result, row: int) -> list[Layer]:
    """What lies where at one moment, from the centre (plane couple: the free surface of the tin) outwards, gapless.

    Gamma at both sides of epsilon is told from the gap that its tin side leaves there.
    """
    inner, outer, thickness = (result[name][row] for name in ("inner_radius", "outer_radius", "thickness"))
    found = [
        Layer(phase, float(inner[k]), float(outer[k]))
        for k, phase in enumerate(PHASES)
        if np.isfinite(inner[k]) and outer[k] > inner[k]
    ]
    found.sort(key=lambda layer: layer.inner)
    k = COLUMN["gamma"]
    hidden = float(thickness[k] - (outer[k] - inner[k])) if np.isfinite(inner[k]) else 0.0
    layers: list[Layer] = []
    here = 0.0
    for layer in found:
        gap = layer.inner - here
        if gap > 1e-12:
            inside = min(hidden, gap) if hidden > 1e-10 and layer.phase == "epsilon" else 0.0
            layers += [Layer(None, here, layer.inner - inside)] if gap - inside > 1e-12 and not layers else []
            layers += [Layer("gamma", layer.inner - inside, layer.inner)] if inside else []
        layers.append(layer)
        here = layer.outer
    return layers


def draw_section(
    result: Result, moments: Sequence[str] | str = ("first liquid",), columns: int | None = None
) -> Figure:
    """The section at one moment with call-outs, or a strip of several moments to the same scale.

    Parameters
    ----------
    result : Result
    moments : str or sequence of str
        In the words of `find_moment`.
    columns : int, optional
        Sections side by side in a strip; two take one column of a page, more the whole page. Default: by their number.
    """
    wanted = [moments] if isinstance(moments, str) else list(moments)
    if not wanted:
        raise InputError("section: give at least one moment, such as 'first liquid'")
    rows = [find_moment(result, text) for text in wanted]
    strand = strand_of(result)
    if len(rows) == 1:
        return _single(result, rows[0], wanted[0], strand)
    return _strip(result, rows, wanted, strand, columns)


def _single(result: Result, row: int, text: str, strand: Strand) -> Figure:
    width = style.COLUMN_WIDTH
    picture = 0.5 * width if strand.plane else width * _ROUND_HIGH / _ROUND_WIDE
    total = picture + 0.36
    with style.settings():
        figure: Figure = style.new_figure(width, total)
        ax = figure.add_axes((0.0, 0.14 / total, 1.0, picture / total))
        plot_section(result, row, ax, strand)
        figure.text(0.02, 1.0 - 0.05 / total, _caption(result, row, text).replace("\n", ": "), va="top", fontsize=7.5)
        _foot(figure, strand, 0.03 / total)
    return figure


def _strip(result: Result, rows: list[int], wanted: list[str], strand: Strand, asked: int | None) -> Figure:
    usual = len(rows) if len(rows) <= 3 else ceil(len(rows) / 2) if len(rows) <= 8 else 4
    columns = max(1, min(asked or usual, len(rows)))
    lines = ceil(len(rows) / columns)
    width = style.COLUMN_WIDTH if columns <= 2 else style.PAGE_WIDTH
    cell = width / columns
    listed = [_thickness_lines(result, row, strand) for row in rows]
    there = [phase for phase in PHASES if any(phase == part.phase for row in rows for part in _seen(result, row))]
    listing = 0.115 * max(len(part) for part in listed) + 0.36
    picture = 0.45 * cell if strand.plane else 0.94 * cell * _STRIP_HIGH / _STRIP_WIDE
    per_line = max(1, int((width - 0.1) / 0.8))
    key = 0.17 * ceil(len(there) / per_line) + 0.2
    total = lines * (picture + listing + 0.06) + key
    with style.settings():
        figure: Figure = style.new_figure(width, total)
        for k, (row, text) in enumerate(zip(rows, wanted, strict=True)):
            line, column = divmod(k, columns)
            top = total - line * (picture + listing + 0.06)
            corner = (column * cell + 0.03 * cell) / width, (top - listing - picture) / total
            ax = figure.add_axes((*corner, 0.94 * cell / width, picture / total))
            plot_section(result, row, ax, strand, callouts=False)
            x = (column * cell + 0.06) / width
            figure.text(x, (top - 0.05) / total, _caption(result, row, text), va="top", fontsize=7)
            for n, words in enumerate(listed[k]):
                y = (top - 0.36 - 0.115 * n) / total
                figure.text(x, y, words, va="top", fontsize=6, color=style.FAINT)
        _key(figure, there, width, total, key, per_line)
        _foot(figure, strand, 0.03 / total)
    return figure


def plot_section(result: Result, row: int, ax: Any = None, strand: Strand | None = None, callouts: bool = True) -> Any:
    """One section to scale, with a scale bar; call-outs give thicknesses [µm]. Returns the axes.

    `row` is an index along time, as `find_moment` gives it; `strand` saves reading it from the result again.
    """
    strand = strand_of(result) if strand is None else strand
    with style.settings():
        ax = style.new_axes(style.COLUMN_WIDTH, 0.75 * style.COLUMN_WIDTH) if ax is None else ax
        ax.set_axis_off()
        ax.set_aspect("equal", adjustable="box", anchor="C")
        layers = layers_at(result, row)
        if strand.plane:
            _slab(ax, layers, strand, callouts)
        else:
            _rings(ax, layers, strand, callouts)
    return ax


def _rings(ax: Any, layers: list[Layer], strand: Strand, callouts: bool) -> None:
    barrier = strand.barrier_radius * 1e6
    wall = 0.035 * barrier
    for layer in layers:
        _ring(ax, layer, barrier)
    _filaments(ax, strand)
    ax.add_patch(Wedge((0, 0), barrier + wall, 0, 360, width=wall, facecolor=style.BARRIER, linewidth=0))
    ax.set_xlim(-_MARGIN * barrier, ((_ROUND_WIDE if callouts else _STRIP_WIDE) - _MARGIN) * barrier)
    ax.set_ylim(-((_ROUND_HIGH if callouts else _STRIP_HIGH) - _MARGIN) * barrier, _MARGIN * barrier)
    if callouts:
        _scale_bar(ax, (1.2 * barrier, -1.0 * barrier), barrier)
        _call_out(ax, layers, barrier)
        _call_out_pack(ax, strand, wall)
    else:
        _scale_bar(ax, (-1.04 * barrier, -1.16 * barrier), barrier)


def _ring(ax: Any, layer: Layer, barrier: float) -> None:
    inner, outer = layer.inner * 1e6, layer.outer * 1e6
    edge = {"edgecolor": style.INK, "linewidth": 0.4}
    whole = inner <= 0.0
    shape: Any = Circle((0, 0), outer) if whole else Wedge((0, 0), outer, 0, 360, width=outer - inner)
    if layer.phase is None:
        shape.set(facecolor=style.VOID, **edge)
        ax.add_patch(shape)
        return
    look = style.fill(layer.phase)
    if outer - inner < THINNEST_NAMED * barrier:
        look["hatch"] = ""
    shape.set(**look)
    ax.add_patch(shape)
    rim = Circle((0, 0), outer, fill=False, **edge)
    ax.add_patch(rim)


def _filaments(ax: Any, strand: Strand) -> None:
    """Dots that take up what copper leaves of each ring of the pack, in rows round the centre."""
    inner = strand.core_radius
    share = sum(_dots_area(ring, start) for ring, start in zip(strand.rings, _starts(strand), strict=True))
    for ring in strand.rings:
        area = _dots_area(ring, inner)
        if area > 0.0:
            count = max(12, round(MOST_FILAMENTS * area / share))
            places, radius = _ring_of_dots(inner * 1e6, ring.radius * 1e6, 1.0 - ring.copper_fraction, count)
            ax.add_collection(
                EllipseCollection(
                    2.0 * radius,
                    2.0 * radius,
                    0.0,
                    units="xy",
                    offsets=places,
                    offset_transform=ax.transData,
                    facecolor=style.FILAMENT,
                    edgecolor="white",
                    linewidth=0.1,
                    zorder=3,
                )
            )
        inner = ring.radius


def _starts(strand: Strand) -> list[float]:
    return [strand.core_radius, *(ring.radius for ring in strand.rings[:-1])]


def _dots_area(ring: Ring, inner: float) -> float:
    return (1.0 - ring.copper_fraction) * pi * (ring.radius**2 - inner**2)


def _ring_of_dots(inner: float, outer: float, share: float, count: int) -> tuple[list[tuple[float, float]], float]:
    """Places of about `count` equal circles, and their radius, that cover `share` of a ring."""
    pitch = sqrt(pi * (outer**2 - inner**2) / count)
    rows = max(1, round((outer - inner) / pitch))
    step = (outer - inner) / rows
    places: list[tuple[float, float]] = []
    for k in range(rows):
        r = inner + (k + 0.5) * step
        n = max(6, round(tau * r / pitch))
        places += [(r * cos(tau * (j + 0.5 * (k % 2)) / n), r * sin(tau * (j + 0.5 * (k % 2)) / n)) for j in range(n)]
    radius = sqrt(share * (outer**2 - inner**2) / len(places))
    return places, min(radius, 0.5 * step)


def _slab(ax: Any, layers: list[Layer], strand: Strand, callouts: bool) -> None:
    """A plane couple: tin surface at the left, copper at the right."""
    whole = strand.barrier_radius * 1e6
    tall = 0.27 * whole
    for layer in layers:
        inner, outer = layer.inner * 1e6, layer.outer * 1e6
        box = Rectangle((inner, 0.0), outer - inner, tall)
        if layer.phase is None:
            box.set(facecolor=style.VOID, edgecolor=style.INK, linewidth=0.4)
        else:
            box.set(**style.fill(layer.phase))
        ax.add_patch(box)
        ax.plot([outer, outer], [0.0, tall], color=style.INK, linewidth=0.4)
    ax.add_patch(Rectangle((0.0, 0.0), whole, tall, fill=False, edgecolor=style.INK, linewidth=0.6))
    ax.set_xlim(-0.04 * whole, 1.04 * whole)
    ax.set_ylim(-0.1 * whole, (1.6 if callouts else 1.02) * tall)
    _scale_bar(ax, (0.0, -0.05 * whole), 0.7 * whole)
    if callouts:
        named = [layer for layer in layers if layer.outer - layer.inner > LEAST_NAMED]
        places = [(layer.inner + layer.outer) * 0.5e6 / whole for layer in named]
        arrow = {
            "arrowstyle": "-",
            "linewidth": 0.5,
            "color": style.INK,
            "shrinkA": 0,
            "shrinkB": 0,
            "relpos": (0.5, 0.0),
        }
        for layer, place, spread in zip(
            named, places, _inset(spread_out([(place - 0.06) / 0.88 for place in places], 0.2)), strict=True
        ):
            text = (spread * whole, 1.22 * tall)
            ax.annotate(
                _stacked(layer), (place * whole, tall), text, ha="center", va="bottom", fontsize=6, arrowprops=arrow
            )


def _inset(places: list[float]) -> list[float]:
    """Places along 0 to 1 as places along 0.06 to 0.94, so that texts stay inside."""
    return [0.06 + 0.88 * place for place in places]


def _stacked(layer: Layer) -> str:
    return f"{_letter(layer)}\n{_micrometres(layer.outer - layer.inner)}"


def _letter(layer: Layer) -> str:
    return "void" if layer.phase is None else style.LOOKS[layer.phase].letter


def _scale_bar(ax: Any, corner: tuple[float, float], size: float) -> None:
    """A bar of a round length [µm], about a third of `size` long, with its length beside it."""
    rough = 0.4 * size
    decade = 10.0 ** floor(log10(rough))
    length = max(step * decade for step in (1.0, 2.0, 5.0) if step * decade <= rough)
    x, y = corner
    ax.add_patch(Rectangle((x, y), length, 0.022 * size, facecolor=style.INK, linewidth=0))
    ax.text(x + length + 0.04 * size, y + 0.011 * size, f"{length:g} µm", va="center", fontsize=6.5)


def _call_out(ax: Any, layers: list[Layer], barrier: float) -> None:
    """Name and thickness of every layer in a column at the right, led to a point in the layer; innermost lowest."""
    shown = [layer for layer in layers if layer.outer - layer.inner > LEAST_NAMED]
    step = min(0.21, 0.95 / max(len(shown) - 1, 1))
    for k, layer in enumerate(shown):
        y = k * step
        middle = 0.5 * (layer.inner + layer.outer) * 1e6 / barrier
        height = min(y, 0.9 * middle)
        _lead(ax, _named_line(layer, False), (sqrt(middle**2 - height**2), height), y, barrier, style.INK)


def _call_out_pack(ax: Any, strand: Strand, wall: float) -> None:
    """Name the pack and the barrier."""
    barrier = strand.barrier_radius * 1e6
    packed = [ring for ring in strand.rings if ring.copper_fraction < 1.0]
    if packed:
        shares = sorted({round(100 * ring.copper_fraction) for ring in packed})
        words = f"pack, {shares[0]} % Cu" if len(shares) == 1 else f"pack, {shares[0]}–{shares[-1]} % Cu"
        inside = _starts(strand)[strand.rings.index(packed[0])] * 1e6 / barrier
        r = 0.5 * (inside + 1.0)
        _lead(ax, words, (r * cos(0.3), -r * sin(0.3)), -0.36, barrier, style.FAINT)
    r = 1.0 + 0.5 * wall / barrier
    _lead(ax, "barrier", (r * cos(0.62), -r * sin(0.62)), -0.6, barrier, style.FAINT)


def _lead(ax: Any, text: str, target: tuple[float, float], y: float, barrier: float, colour: str) -> None:
    """A text at the right, led to a target; places in radii of the barrier."""
    place = (target[0] * barrier, target[1] * barrier)
    arrow = {"arrowstyle": "-", "linewidth": 0.5, "color": style.INK, "shrinkA": 1, "shrinkB": 0, "relpos": (0.0, 0.5)}
    ax.annotate(
        text,
        place,
        xytext=(1.2 * barrier, y * barrier),
        va="center",
        ha="left",
        fontsize=6.5,
        color=colour,
        zorder=6,
        arrowprops={**arrow, "path_effects": _casing()},
    )
    ax.plot(*place, "o", markersize=2.2, color=style.INK, markeredgecolor="white", markeredgewidth=0.5, zorder=7)


def _casing() -> list[Any]:
    from matplotlib import patheffects

    return [patheffects.Stroke(linewidth=1.4, foreground="white"), patheffects.Normal()]


def _named_line(layer: Layer, plane: bool) -> str:
    if layer.inner <= 0.0 and not plane:
        return f"{_long(layer)}, ⌀ {_micrometres(2.0 * layer.outer)}"
    return f"{_long(layer)}, {_micrometres(layer.outer - layer.inner)}"


def _long(layer: Layer) -> str:
    return "void" if layer.phase is None else style.LOOKS[layer.phase].name


def _micrometres(metres: float) -> str:
    value = metres * 1e6
    return f"{value:.1f} µm" if value >= 9.95 else f"{value:.2f} µm" if value >= 0.0995 else f"{value:.3f} µm"


def _seen(result: Result, row: int) -> list[Layer]:
    return [layer for layer in layers_at(result, row) if layer.outer - layer.inner > LEAST_NAMED]


def _thickness_lines(result: Result, row: int, strand: Strand) -> list[str]:
    return [_named_line(layer, strand.plane) for layer in reversed(_seen(result, row))]


def _caption(result: Result, row: int, text: str) -> str:
    """The moment in words, and its time and temperature on a second line."""
    hours, celsius = float(result["time"][row]) / HOUR, float(result["temperature"][row]) - ZERO_CELSIUS
    where = f"{hours:.2f} h, {celsius:.0f} °C"
    said = " ".join(text.split())
    quantity = _QUANTITY.fullmatch(said.casefold())
    if quantity is not None:
        unit = quantity[2].lstrip("°")
        shown = {"c": "°C", "k": "K"}.get(unit, unit)
        return f"nearest to {quantity[1]} {shown}\n{where}"
    before, name = ("before ", said[7:]) if said.casefold().startswith("before ") else ("", said)
    known = [event for event in events(result) if event.name.casefold() == name.casefold()]
    return f"{before}{known[0].words if known else name}\n{where}"


def _key(figure: Figure, there: list[str], width: float, total: float, height: float, per_line: int) -> None:
    """Patches with the names of the phases, in rows."""
    for k, phase in enumerate(there):
        line, column = divmod(k, per_line)
        x, y = 0.06 + 0.8 * column, height - 0.1 - 0.17 * line
        corner = (x / width, y / total)
        box = Rectangle(corner, 0.16 / width, 0.1 / total, transform=figure.transFigure, **style.fill(phase))
        figure.add_artist(box)
        figure.text((x + 0.2) / width, (y + 0.05) / total, style.LOOKS[phase].name, va="center", fontsize=6)


def _foot(figure: Figure, strand: Strand, y: float) -> None:
    packed = any(ring.copper_fraction < 1.0 for ring in strand.rings)
    text = "Computed, to scale; an estimate. " + (
        "Grey dots: filaments, a pattern of the right area." if packed else ""
    )
    figure.text(0.02, y, text.strip(), fontsize=5.5, color=style.FAINT, va="bottom")


__all__ = ["Event", "Layer", "draw_section", "find_moment", "layers_at", "plot_section", "strand_of"]
