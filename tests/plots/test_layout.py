"""Figures of studies and logs: texts inside the page and apart, nothing left out or unsaid."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
import xarray as xr

from bronzeward.inputs.schedule import Schedule
from bronzeward.model.events import events
from bronzeward.plots.comparison import draw_comparison
from bronzeward.plots.furnace_deviation import draw_programme
from bronzeward.plots.furnace_margins import plot_margins
from bronzeward.plots.panels import plot_phases
from bronzeward.plots.run_history import draw_history
from bronzeward.plots.shortest_schedule import plot_trade_off
from bronzeward.plots.sweep import draw_sweep
from bronzeward.plots.uncertainty import plot_band
from bronzeward.studies.ensemble import Spread
from drawing_cases import banded, result
from drawing_checks import check_texts, check_texts_apart


def check(figure):
    check_texts(figure)
    check_texts_apart(figure)


@pytest.mark.parametrize("against", ["time", "temperature"])
def test_bands_of_layers_have_a_panel_each(against):
    plain, all_of_them = (draw_history(run, against) for run in (result("sleeve"), banded("sleeve")))
    named = {ax.get_ylabel() for ax in all_of_them.axes} - {ax.get_ylabel() for ax in plain.axes}
    assert named == {"L, µm", "Sn, µm", "η, µm", "ε, µm", "δ, µm"}
    check(all_of_them)
    for one, other in permutations(all_of_them.axes, 2):
        if one.get_ylabel():
            assert not one.yaxis.label.get_window_extent().overlaps(other.get_window_extent())
    chosen = draw_history(banded("sleeve"), against, layers=["eta"])
    assert len(chosen.axes) == len(plain.axes) + 1


def test_a_bar_ends_where_its_phase_does():
    """Rows may lie far before an event."""
    run = result("plane")
    used_up = {event.name: event.hours for event in events(run)}
    bars = {(box.x0, box.x1) for c in plot_phases(run).collections for box in [p.get_extents() for p in c.get_paths()]}
    assert any(end == pytest.approx(used_up["tin melts"], abs=1e-5) for _, end in bars)
    liquid = run["liquid_mole_fraction"] > 0
    last = int(np.flatnonzero(liquid)[-1])
    gone = run["time"][min(last + 1, len(liquid) - 1)] / 3600
    assert any(end == pytest.approx(gone, abs=1e-9) for _, end in bars)


def test_a_plane_couple_has_no_empty_panel():
    labels = [ax.get_ylabel() for ax in draw_history(result("plane"), volume=True).axes]
    assert "overfill, % of core" in labels
    assert "wall yields, MPa" not in labels
    assert "liquid, %" not in [ax.get_ylabel() for ax in draw_history(result("cold")).axes]
    assert "liquid, %" in [ax.get_ylabel() for ax in draw_history(result("sleeve")).axes]
    assert "wall yields, MPa" in [ax.get_ylabel() for ax in draw_history(result("lean"), volume=True).axes]


def test_titles_are_told_in_full():
    title = "Larkfell couple, a plate of tin on a plate of copper, annealed in steps to see whether it works"
    run = replace(result("cold"), attributes={**result("cold").attributes, "title": title})
    figure = draw_history(run)
    check(figure)
    assert " ".join(figure.texts[0].get_text().split()) == title
    compared = draw_comparison([("cold", run), ("lean", result("lean"))])
    check(compared)
    told = " ".join(text.get_text() for ax in compared.axes for text in ax.texts)
    assert "annealed in steps" in told


def test_three_kelvin_are_seen():
    programme = Schedule.start(20).ramp(25, to=210).hold(4).ramp(25, to=400).hold(10)
    log = Schedule.from_arrays(programme.time, programme.temperature + 3.0)
    figure = draw_programme(programme, log)
    check(figure)
    lower = figure.axes[1]
    assert max(np.max(line.get_ydata()) for line in lower.lines) == pytest.approx(3.0, abs=1e-9)
    assert np.ptp(lower.get_ylim()) < 10


def test_margins_name_close_reactions_apart():
    time = np.tile([0.0, 27360.0, 113760.0, 141120.0, 227520.0], (3, 1))
    kelvin = np.tile([293.15, 483.15, 483.15, 673.15, 673.15], (3, 1)) + np.array([[0.0], [5.0], [-5.0]])
    data = xr.Dataset(
        {
            "knot_time": (("strand", "knot"), time),
            "knot_temperature": (("strand", "knot"), kelvin),
            "reaction_temperature": (("reaction",), [500.0, 688.2, 681.15, 683.0]),
        },
        {"reaction": ["eutectic", "peritectic", "eta, measured 2018", "eta, another"]},
    )
    ax = plot_margins(data)
    check(ax.figure)
    ax.figure.draw_without_rendering()
    legend, frame = ax.get_legend().get_window_extent(), ax.get_window_extent()
    assert legend.y0 >= frame.y1 - 1  # nowhere on the curves


CAVEAT = {"caveat": Spread.usual(60).caveat()}


def swept(two, band):
    ramp, hold = np.geomspace(5.0, 100.0, 8), np.linspace(0.0, 48.0, 5)
    field = np.log(ramp)[:, None] + 0.1 * hold if two else np.log(ramp)
    dims = ("steps_0_ramp_C_per_h", "steps_1_hold_h") if two else ("steps_0_ramp_C_per_h",)
    ends = {"": 1.0, "_low": 0.6, "_high": 1.7} if band else {"": 1.0}
    columns = {f"shell_at_first_liquid{end}": (dims, 1e-6 * share * field) for end, share in ends.items()}
    return xr.Dataset(columns, dict(zip(dims, (ramp, hold), strict=False)), CAVEAT)


@pytest.mark.parametrize("two", [False, True])
@pytest.mark.parametrize("band", [False, True])
def test_sweeps_show_their_bands_at_round_ticks(two, band):
    figure = draw_sweep(swept(two, band), "shell_at_first_liquid")
    check(figure)
    assert len(figure.axes) == (4 if band else 2) if two else 1
    axis = figure.axes[0].yaxis if two else figure.axes[0].xaxis
    shown = [
        text.get_text()
        for text, place in zip(axis.get_ticklabels(), axis.get_ticklocs(), strict=True)
        if 4.9 < place < 101
    ]
    assert shown == ["5", "10", "20", "50", "100"]
    if two:
        for ax in figure.axes[: 3 if band else 1]:
            inner = ax.get_window_extent()
            for text in ax.texts:
                box = text.get_window_extent()
                assert inner.padded(1).containsx(box.x0)
                assert inner.padded(1).containsx(box.x1)
                assert inner.padded(1).containsy(box.y0)
                assert inner.padded(1).containsy(box.y1)


def test_limits_that_nothing_keeps_are_marked():
    data = xr.Dataset(
        {"hours": (("limit",), [np.nan, 80.0, 60.0])},
        {"limit": [0.2, 0.4, 0.5]},
        {"answer": "overfill_at_first_liquid", "kind": "<=", "confidence": 0.95, **CAVEAT},
    )
    ax = plot_trade_off(data)
    check(ax.figure)
    crosses = next(line for line in ax.lines if line.get_marker() == "x")
    assert list(crosses.get_xdata()) == [20.0]


def test_a_band_names_its_quantiles_inside():
    members = np.linspace(3e-6, 11e-6, 60)
    data = xr.Dataset(
        {
            "shell_at_first_liquid": (("quantile",), np.quantile(members, [0.05, 0.5, 0.95])),
            "shell_at_first_liquid_members": (("member",), members),
            "shell_at_first_liquid_single": 6.9e-6,
        },
        attrs=CAVEAT,
    )
    check(plot_band(data).figure)
