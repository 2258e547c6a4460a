"""Programmed and measured temperature as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bronzeward.inputs.schedule import Schedule
from bronzeward.plots import style
from bronzeward.plots.axes import frame, new_axes
from bronzeward.plots.lettering import headroom
from bronzeward.units import HOUR, ZERO_CELSIUS

if TYPE_CHECKING:
    from matplotlib.axes import Axes


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
    ax.set_ylim(0.0, headroom(ax))
    frame(ax)
    ax.set_xlabel("time, h")
    ax.set_ylabel("temperature, °C")
    ax.margins(x=0.0)
    ax.legend(loc="lower right", borderaxespad=0.2)
    return ax
