"""Figures of one result: colours that everybody can tell apart, texts inside the page, no traces left behind."""

from __future__ import annotations

import subprocess
import sys
from itertools import combinations, pairwise

import matplotlib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bronzeward.errors import InputError
from bronzeward.inputs.schedule import Schedule
from bronzeward.materials.phases import PHASES
from bronzeward.model.result import Result, Variable
from bronzeward.plots import run_history, style
from closeness import close
from drawing_cases import CASES, result
from drawing_checks import check_texts

# G.M. Machado et al., IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291, severity 1.0, acts on linear RGB
MACHADO = {
    "normal": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
# sRGB to CIE XYZ, D65 (IEC 61966-2-1)
XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
WHITE = np.array([0.95047, 1.0, 1.08883])

#: Phases that can lie side by side in a strand, or follow each other in the core.
NEIGHBOURS = (
    ("liquid", "eta"), ("(Sn)", "eta"), ("eta", "epsilon"), ("liquid", "epsilon"), ("epsilon", "alpha"),
    ("epsilon", "delta"), ("delta", "alpha"), ("epsilon", "gamma"), ("delta", "gamma"), ("gamma", "beta"),
    ("beta", "alpha"), ("gamma", "alpha"), ("epsilon", "zeta"), ("zeta", "delta"), ("zeta", "gamma"),
    ("liquid", "gamma"), ("(Sn)", "liquid"), ("eta", "alpha"),
)  # fmt: skip


def lab(colour: str, sight: str = "normal") -> np.ndarray:
    """CIE L*a*b* of a colour as somebody sees it."""
    srgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    seen = np.clip(np.asarray(MACHADO[sight]) @ linear, 0, 1)
    x = XYZ @ seen / WHITE
    f = np.where(x > (6 / 29) ** 3, np.cbrt(x), x / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("sight", MACHADO)
def test_every_two_phases_can_be_told_apart_with_every_sight(sight):
    for one, other in combinations(PHASES, 2):
        distance = np.linalg.norm(lab(style.LOOKS[one].colour, sight) - lab(style.LOOKS[other].colour, sight))
        # 2.3 is just noticeable (Mahy et al. 1994); 20 is plain at a glance
        assert distance > 20, f"{one} and {other} with {sight}: {distance:.1f}"


@pytest.mark.parametrize("sight", MACHADO)
def test_compared_results_can_be_told_apart_with_every_sight(sight):
    for one, other in combinations(style.STROKES, 2):
        assert np.linalg.norm(lab(one[0], sight) - lab(other[0], sight)) > 10 or one[1] != other[1]
    assert len({dash for _, dash, _ in style.STROKES}) == len({marker for *_, marker in style.STROKES}) == 6


def test_neighbours_differ_in_grey():
    for one, other in NEIGHBOURS:
        difference = abs(lab(style.LOOKS[one].colour)[0] - lab(style.LOOKS[other].colour)[0])
        assert difference > 12, f"{one} and {other} in grey: {difference:.1f}"


def test_liquid_is_told_from_copper_by_its_hatch():
    assert style.LOOKS["liquid"].hatch
    assert not style.LOOKS["alpha"].hatch


def test_every_phase_has_a_look_and_hatches_repeat_only_where_there_is_none():
    assert tuple(style.LOOKS) == PHASES
    hatched = [look.hatch for look in style.LOOKS.values() if look.hatch]
    assert len(set(hatched)) == len(hatched) == 7


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("against", run_history.AGAINST)
def test_history_keeps_its_texts_inside_and_apart(name, against):
    figure = run_history.draw_history(result(name), against, volume=True, equilibrium=True)
    assert figure.get_figwidth() == close(85 / 25.4)
    check_texts(figure)
    numbers = [text for ax in figure.axes for text in ax.texts if text.get_text().isdigit()]
    boxes = [matplotlib.text.Text.get_window_extent(text) for text in numbers]  # without the leader
    for one, other in combinations(boxes, 2):
        assert not one.overlaps(other)


def test_history_lists_every_event_once():
    figure = run_history.draw_history(result("lean"))
    said = [text.get_text() for text in figure.axes[-1].texts]
    for event in run_history.events(result("lean")):
        assert sum(line.startswith(event.words) for line in said) == 1
    assert any(line.startswith("η decomposes") for line in said)


def test_end_without_quench_is_not_called_one():
    assert run_history.events(result("sleeve"))[-1].name == "end"
    assert run_history.events(result("lean"))[-1].name == "quench"


def test_more_events_than_fit_are_counted():
    run = result("lean")
    count = 40
    many = {
        "event_name": np.array(["tin melts"] * count, dtype=object),
        "event_time": np.linspace(0, run["time"][-1], count),
        "event_temperature": np.full(count, 500.0),
        "event_row": np.arange(count),
    }
    variables = {**run.variables, **{key: Variable(("event",), value) for key, value in many.items()}}
    figure = run_history.draw_history(Result(variables, run.attributes))
    assert any("and 16 more" in text.get_text() for text in figure.axes[-1].texts)


def test_window_shows_only_its_part_and_must_lie_in_the_run():
    figure = run_history.draw_history(result("sleeve"), window=(55.0, 60.0))
    low, high = figure.axes[0].get_xlim()
    assert 55.0 <= low < high <= 60.0
    assert run_history.draw_history(result("sleeve"), window=(0.0, 1e6)) is not None
    for window in ((60.0, 55.0), (500.0, 600.0)):
        with pytest.raises(InputError, match="window"):
            run_history.draw_history(result("sleeve"), window=window)


def test_unknown_choices_name_what_is_allowed():
    with pytest.raises(InputError, match="time, temperature"):
        run_history.draw_history(result("cold"), against="length")
    with pytest.raises(InputError, match="kinetics, equilibrium"):
        run_history.plot_shares(result("cold"), kind="both")


PLOTS = (
    run_history.plot_temperature, run_history.plot_phases, run_history.plot_thickness, run_history.plot_liquid,
    run_history.plot_volume, run_history.plot_wall, run_history.plot_shares, run_history.plot_radii,
)  # fmt: skip


@pytest.mark.parametrize("plot", PLOTS, ids=lambda plot: plot.__name__)
@pytest.mark.parametrize("name", ["lean", "plane", "cold"])
def test_plots_draw_on_the_axes_given_and_return_them(plot, name):
    ax = style.new_axes()
    assert plot(result(name), ax) is ax
    own = plot(result(name))
    assert own is not ax
    check_texts(own.figure)


def test_nothing_global_is_touched():
    before = dict(matplotlib.rcParams)
    figure = run_history.draw_history(result("plane"), volume=True)
    run_history.encode(figure)
    assert dict(matplotlib.rcParams) == before
    code = "import sys, bronzeward.reports.run_page; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_layer_lines_are_the_numbers_of_the_result():
    run = result("sleeve")
    ax = run_history.plot_thickness(run)
    drawn = max(np.nanmax(line.get_ydata()) for line in ax.lines if line.get_label() == "whole shell")
    assert drawn == close(run["shell_thickness"].max() * 1e6)


def test_shares_fill_the_whole_height():
    for kind in ("kinetics", "equilibrium"):
        ax = run_history.plot_shares(result("lean"), kind=kind)
        tops = [line.get_ydata() for line in ax.lines]
        np.testing.assert_allclose(tops[-1], 100.0, atol=1e-6)


def test_bands_are_drawn_where_the_file_has_them():
    run = result("sleeve")
    banded = dict(run.variables)
    for name in ("thickness", "shell_thickness", "liquid_tin_fraction", "overfill"):
        variable = run.variables[name]
        banded[f"{name}_low"] = Variable(variable.dims, variable.values * 0.8)
        banded[f"{name}_high"] = Variable(variable.dims, variable.values * 1.2)
    with_bands = Result(banded, run.attributes)
    for plot in (run_history.plot_thickness, run_history.plot_liquid, run_history.plot_volume):
        assert len(plot(with_bands).collections) > len(plot(run).collections)


def test_programme_and_log_are_drawn():
    programme = Schedule.start(20).ramp(25, to=210).hold(4)
    log = Schedule.from_arrays(programme.time, programme.temperature + np.array([0.0, 1.5, 2.0]))
    ax = run_history.plot_programme(programme, log, shift=60.0)
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["programmed", "measured"]
    assert ax.lines[1].get_xdata()[0] == close(1 / 60)


@given(st.lists(st.floats(0.0, 1.0), max_size=20), st.floats(0.001, 0.05))
def test_marks_are_spread_apart_in_order_and_stay_inside(places, distance):
    spread = run_history.spread_out(sorted(places), distance)
    assert len(spread) == len(places)
    for one, other in pairwise(spread):
        assert other - one >= distance * (1 - 1e-9)
    assert all(-1e-9 <= place <= 1 + 1e-9 for place in spread)


def test_marks_pushed_back_from_the_end_push_on():
    places = [0.70, 0.93, 0.95, 0.97, 0.98, 0.99, 1.0]
    spread = run_history.spread_out(places, 0.05)
    np.testing.assert_allclose(spread, [0.70, 0.75, 0.80, 0.85, 0.90, 0.95, 1.0])
    np.testing.assert_allclose(run_history.spread_out([0.72, *places[1:]], 0.05), spread)


def test_marks_that_lie_apart_stay_where_they_are():
    assert run_history.spread_out([0.1, 0.5, 0.9], 0.05) == [0.1, 0.5, 0.9]
    np.testing.assert_allclose(run_history.spread_out([0.5, 0.5], 0.1), [0.45, 0.55])


@pytest.mark.parametrize(
    ("suffix", "start"), [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".pdf", b"%PDF"), (".PNG", b"\x89PNG")]
)
def test_save_writes_by_suffix(tmp_path, suffix, start):
    figure = run_history.plot_wall(result("cold")).figure
    path = run_history.save(figure, tmp_path / f"out{suffix}")
    assert path.read_bytes().startswith(start)
    assert list(tmp_path.iterdir()) == [path]


def test_save_is_the_same_every_time():
    for kind in ("png", "svg", "pdf"):
        one, other = (run_history.encode(run_history.plot_liquid(result("lean")).figure, kind) for _ in range(2))
        assert one == other


def test_save_refuses_and_leaves_nothing(tmp_path, monkeypatch):
    figure = run_history.plot_wall(result("cold")).figure
    kept = tmp_path / "kept.png"
    kept.write_bytes(b"mine")
    for path, word in (
        (tmp_path / "a.gif", ".png, .svg, .pdf"),
        (tmp_path / "none" / "a.png", "folder"),
        (kept, "overwrite"),
        (tmp_path / "a", "none of them"),
    ):
        with pytest.raises(InputError, match=word):
            run_history.save(figure, path)
    monkeypatch.setattr(run_history, "encode", lambda *_: (_ for _ in ()).throw(OSError(28, "no space left")))
    with pytest.raises(InputError, match="no space left"):
        run_history.save(figure, kept, overwrite=True)
    assert kept.read_bytes() == b"mine"
    assert [path.name for path in tmp_path.iterdir()] == ["kept.png"]
