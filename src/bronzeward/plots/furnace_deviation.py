"""Programmed and measured temperature as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bronzeward.inputs.schedule import Schedule
from bronzeward.plots import style
from bronzeward.plots.axes import column_of_axes, frame, new_axes
from bronzeward.units import HOUR, ZERO_CELSIUS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@style.settings()
def draw_programme(programmed: Schedule, measured: Schedule, shift: float = 0.0) -> Figure:
    """Programmed and measured temperature, and below it their difference, against time; one column wide."""
    figure, (upper, lower) = column_of_axes([1.5, 1.1])
    plot_programme(programmed, measured, upper, shift)
    plot_difference(programmed, measured, lower, shift)
    upper.set_xlim(lower.get_xlim())
    upper.set_xlabel("")
    return figure


@style.settings()
def plot_difference(programmed: Schedule, measured: Schedule, ax: Axes | None = None, shift: float = 0.0) -> Axes:
    """Measured less programmed temperature [K] against time [h], at the times of both; returns the axes."""
    ax = ax or new_axes()
    seen = measured.time + shift
    times = np.union1d(seen, programmed.time)
    times = times[(times >= max(0.0, seen[0])) & (times <= min(programmed.time[-1], seen[-1]))]
    error = measured.temperature_at(times - shift) - programmed.temperature_at(times)
    ax.axhline(0.0, color=style.INK, linewidth=0.6)
    ax.plot(times / HOUR, error, color=style.WARN, linewidth=0.9)
    frame(ax)
    ax.set_xlabel("time, h")
    ax.set_ylabel("measured too hot, K")
    ax.set_xlim(0.0, float(programmed.time[-1]) / HOUR)
    return ax


@style.settings()
def plot_programme(programmed: Schedule, measured: Schedule, ax: Axes | None = None, shift: float = 0.0) -> Axes:
    """Programmed and measured temperature [°C] against time [h]; returns the axes.

    `shift` [s] is added to the measured times.
    """
    ax = ax or new_axes()
    ax.plot(
        programmed.time / HOUR, programmed.temperature - ZERO_CELSIUS,
        color=style.FAINT, linewidth=2.4, alpha=0.55, label="programmed", solid_capstyle="butt",
    )  # fmt: skip
    hours = (measured.time + shift) / HOUR
    ax.plot(hours, measured.temperature - ZERO_CELSIUS, color=style.WARN, linewidth=0.9, label="measured")
    ax.set_ylim(0.0, 1.06 * float(ax.dataLim.y1))
    frame(ax)
    ax.set_xlabel("time, h")
    ax.set_ylabel("temperature, °C")
    ax.margins(x=0.0)
    ax.legend(loc="lower right", borderaxespad=0.2)
    return ax
