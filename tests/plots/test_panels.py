"""Panels: drawn on the axes given, with the numbers of the result and its bands."""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.model.answers import numbers
from bronzeward.model.result import Result, Variable
from bronzeward.plots.axes import new_axes
from bronzeward.plots.panels import (
    plot_liquid,
    plot_phases,
    plot_radii,
    plot_shares,
    plot_temperature,
    plot_thickness,
    plot_volume,
    plot_wall,
)
from closeness import close
from drawing_cases import result
from drawing_checks import check_texts


def test_unknown_choices_name_what_is_allowed():
    with pytest.raises(InputError, match="time, temperature"):
        plot_liquid(result("cold"), against="length")
    with pytest.raises(InputError, match="kinetics, equilibrium"):
        plot_shares(result("cold"), kind="both")


PLOTS = (
    plot_temperature, plot_phases, plot_thickness, plot_liquid,
    plot_volume, plot_wall, plot_shares, plot_radii,
)  # fmt: skip


@pytest.mark.parametrize("plot", PLOTS, ids=lambda plot: plot.__name__)
@pytest.mark.parametrize("name", ["lean", "plane", "cold"])
def test_plots_draw_on_the_axes_given_and_return_them(plot, name):
    ax = new_axes()
    assert plot(result(name), ax) is ax
    own = plot(result(name))
    assert own is not ax
    check_texts(own.figure)


def test_layer_lines_are_the_numbers_of_the_result():
    run = result("sleeve")
    ax = plot_thickness(run)
    drawn = max(np.nanmax(line.get_ydata()) for line in ax.lines if line.get_label() == "whole shell")
    assert drawn == close(run["shell_thickness"].max() * 1e6)


def test_shares_fill_the_whole_height():
    for kind in ("kinetics", "equilibrium"):
        ax = plot_shares(result("lean"), kind=kind)
        tops = [line.get_ydata() for line in ax.lines]
        np.testing.assert_allclose(tops[-1], 100.0, atol=1e-6)


@pytest.mark.parametrize("against", ["time", "temperature"])
def test_room_is_drawn_both_ways(against):
    """Voids anywhere as a line, voids outside the shell as a diamond at the moment tin melts."""
    run = result("sleeve")
    (diamond,) = (line for line in plot_volume(run, against=against).lines if line.get_marker() == "D")
    n = numbers(run)
    place = n["first_liquid_time"] / 3600 if against == "time" else n["first_liquid_temperature"] - 273.15
    assert diamond.get_xydata()[0].tolist() == close([place, 100 * n["bore_overfill_at_first_liquid"]])
    assert not any(line.get_marker() == "D" for line in plot_volume(result("cold")).lines)


def test_bands_are_drawn_where_the_file_has_them():
    run = result("sleeve")
    banded = dict(run.variables)
    for name in ("thickness", "shell_thickness", "liquid_tin_fraction", "overfill"):
        variable = run.variables[name]
        banded[f"{name}_low"] = Variable(variable.dims, variable.values * 0.8)
        banded[f"{name}_high"] = Variable(variable.dims, variable.values * 1.2)
    with_bands = Result(banded, run.attributes)
    for plot in (plot_thickness, plot_liquid, plot_volume):
        assert len(plot(with_bands).collections) > len(plot(run).collections)
