"""The history on one figure: texts inside the page, every event listed, no traces left behind."""

from __future__ import annotations

import subprocess
import sys
from itertools import combinations

import matplotlib
import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.materials.phases import LETTERS
from bronzeward.model.events import events
from bronzeward.model.result import Result, Variable
from bronzeward.plots import run_history
from bronzeward.plots.panels import AGAINST, drawn_layers
from bronzeward.plots.picture_file import encode
from closeness import close
from drawing_cases import CASES, result
from drawing_checks import check_texts


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("against", AGAINST)
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
    for event in events(result("lean")):
        assert sum(line.startswith(event.words) for line in said) == 1
    assert any(line.startswith("η decomposes") for line in said)


def test_layers_with_bands_share_one_grid_of_two_columns_and_all_their_texts_keep_apart():
    run = result("lean")
    ends = {f"thickness{end}": Variable(run.variables["thickness"].dims, share * run["thickness"], {})
            for end, share in (("_low", 0.7), ("_high", 1.3))}  # fmt: skip
    banded = Result({**run.variables, **ends}, run.attributes)
    plain, grid = run_history.draw_history(run), run_history.draw_history(banded)
    check_texts(grid)
    count = len(drawn_layers(run))
    cells = [ax for ax in grid.axes if ax.get_ylabel() in {f"{LETTERS[phase]}, µm" for phase in drawn_layers(run)}]
    assert (len(cells), len({round(ax.get_position().x0, 3) for ax in cells})) == (count, 2)
    # a row for every two layers, no more
    assert grid.get_figheight() - plain.get_figheight() < 0.7 * ((count + 1) // 2) + 0.5
    assert cells[0].get_xlim() == grid.axes[0].get_xlim()


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
    with pytest.raises(InputError, match="time, temperature"):
        run_history.draw_history(result("sleeve"), against="length")
    for window in ((60.0, 55.0), (500.0, 600.0)):
        with pytest.raises(InputError, match="window"):
            run_history.draw_history(result("sleeve"), window=window)


def test_nothing_global_is_touched():
    before = dict(matplotlib.rcParams)
    figure = run_history.draw_history(result("plane"), volume=True)
    encode(figure)
    assert dict(matplotlib.rcParams) == before
    code = "import sys, bronzeward.reports.run_page; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
