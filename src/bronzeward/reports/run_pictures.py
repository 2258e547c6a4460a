"""The pictures of a run's report, each with a text that says what it shows."""

from __future__ import annotations

import numpy as np

from bronzeward.errors import InputError
from bronzeward.materials.phases import PHASES, SOLID_TIN
from bronzeward.model.events import events
from bronzeward.model.layer_stack import seen_layers
from bronzeward.model.moments import find_moment
from bronzeward.model.result import Result
from bronzeward.plots.panels import present_phases
from bronzeward.plots.run_history import draw_account, draw_history
from bronzeward.plots.section import draw_section
from bronzeward.reports.page import Picture, picture
from bronzeward.units import HOUR, ZERO_CELSIUS

MOMENTS = ("first liquid", "peak liquid", "liquid gone", "before eta decomposes", "end")
"""Sections shown, as far as the run has these moments and they differ."""


def history_picture(result: Result) -> Picture:
    """Temperature, phases, layers and liquid against time."""
    hours = float(result["time"][-1]) / HOUR
    hottest = float(result["temperature"].max()) - ZERO_CELSIUS
    phases = ", ".join(_phase_words(phase) for phase in present_phases(result))
    peak, shell = 100.0 * float(result["liquid_tin_fraction"].max()), 1e6 * float(result["shell_thickness"].max())
    marked = "; ".join(f"{event.name} at {event.hours:.1f} h, {event.celsius:.0f} °C" for event in events(result))
    alt = (
        f"Panels against time, 0 to {hours:.0f} h: temperature up to {hottest:.0f} °C; which phases are there "
        f"({phases}); thickness of core and layers, the shell up to {shell:.1f} µm; "
        f"{f'liquid, at most {peak:.0f} % of the tin' if peak else 'no liquid'}. Events: {marked}."
    )
    return picture(draw_history(result), alt, "The history. Numbers mark the events.", over_time=True)


def account_picture(result: Result) -> Picture:
    """Where the phases lie, room, and kinetics beside equilibrium."""
    overfill = 100.0 * result["overfill"]
    kinetics, equilibrium = (_last_shares(result, name) for name in ("mole_fraction", "equilibrium_mole_fraction"))
    alt = (
        f"Panels against time: radius of each phase; overfill between {overfill.min():.1f} and {overfill.max():.1f} % "
        "of the core; pressure at which the wall yields; shares of atoms. At the end the kinetics leave "
        f"{kinetics}; equilibrium would have {equilibrium}."
    )
    caption = (
        "Where the phases lie, room, strength of the copper wall, and the phases that the kinetics leave beside those "
        "that equilibrium would have."
    )
    return picture(draw_account(result), alt, caption, over_time=True)


def sections_picture(result: Result) -> Picture:
    """Sections at those of `MOMENTS` that this run has."""
    rows: dict[int, str] = {}
    for text in MOMENTS:
        try:
            row = find_moment(result, text)
        except InputError:
            continue
        if all(abs(float(result["time"][row] - result["time"][other])) > 60.0 for other in rows):
            rows[row] = text
    parts = []
    for row in sorted(rows):
        layers = [f"{_phase_words(layer.phase)} {1e6 * layer.thickness:.2f} µm" for layer in seen_layers(result, row)]
        parts.append(f"{rows[row]}: from the centre outwards {', '.join(layers)}")
    figure = draw_section(result, [rows[row] for row in sorted(rows)], columns=2)
    alt = f"Sections of the strand to scale. {'; '.join(parts)}."
    return picture(figure, alt, "What a quench at these moments should show.")


def _phase_words(phase: str | None) -> str:
    return "void (radius)" if phase is None else "tin" if phase == SOLID_TIN else phase


def _last_shares(result: Result, name: str) -> str:
    shares = 100.0 * np.nan_to_num(result[name][-1])
    return ", ".join(
        f"{_phase_words(phase)} {share:.0f} %" for phase, share in zip(PHASES, shares, strict=True) if share >= 0.5
    )
