"""Everything that draws, tells or reports takes a run as Result, as Dataset, as opened file and as file name."""

from __future__ import annotations

import json

import pytest
import xarray as xr

from bronzeward.errors import InputError
from bronzeward.model.answer_bands import bands_of
from bronzeward.model.result import write_netcdf
from bronzeward.plots import comparison, panels, run_history, section
from bronzeward.plots.picture_file import encode
from bronzeward.reports.comparison import comparison_data, comparison_table
from bronzeward.reports.run_page import html
from bronzeward.reports.summary import answers, events, sentences
from drawing_cases import result

DRAWING = {
    "draw_history": run_history.draw_history,
    "draw_account": run_history.draw_account,
    "draw_section": section.draw_section,
    "plot_section": lambda run: section.plot_section(run, 5),
    "draw_comparison": lambda run: comparison.draw_comparison([("a", run)]),
    "plot_compared": lambda run: comparison.plot_compared([("a", run)], "overfill"),
    **{name: getattr(panels, name) for name in vars(panels) if name.startswith("plot_")},
}

TELLING = {
    "answers": answers,
    "events": events,
    "sentences": sentences,
    "bands_of": bands_of,
    "comparison_data": lambda run: comparison_data([("a", run)]),
    "comparison_table": lambda run: comparison_table([("a", run)]),
    "html": html,
}


@pytest.fixture(scope="module")
def forms(tmp_path_factory):
    """One run in every form."""
    path = write_netcdf(result("sleeve"), tmp_path_factory.mktemp("door") / "sleeve.nc")
    with xr.open_dataset(path) as opened:
        yield [result("sleeve").to_dataset(), opened, path, str(path)]


@pytest.mark.parametrize("name", DRAWING)
def test_drawings_are_the_same_from_every_form(forms, name):
    expected = encode(DRAWING[name](result("sleeve")), "svg")
    for run in forms:
        assert encode(DRAWING[name](run), "svg") == expected


@pytest.mark.parametrize("name", TELLING)
def test_words_are_the_same_from_every_form(forms, name):
    expected = json.dumps(TELLING[name](result("sleeve")))
    for run in forms:
        assert json.dumps(TELLING[name](run)) == expected


@pytest.mark.parametrize("name", [*DRAWING, *TELLING])
def test_what_is_no_run_is_refused_in_one_line(name, tmp_path):
    ask = {**DRAWING, **TELLING}[name]
    for thing in (xr.Dataset(), 3.0, tmp_path / "none.nc"):
        with pytest.raises(InputError) as caught:
            ask(thing)
        assert "\n" not in str(caught.value)
