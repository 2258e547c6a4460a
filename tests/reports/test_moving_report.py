"""The report in a browser: it moves through time, prints, is whole without scripts and fits a phone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bronzeward.model.layer_stack import seen_layers
from bronzeward.model.moments import find_moment
from bronzeward.plots.section_words import layer_line
from bronzeward.reports.run_page import write_report
from bronzeward.reports.run_pictures import history_picture
from bronzeward.reports.validation_page import write_validation
from bronzeward.validation.check import read_checks
from bronzeward.validation.outcome import Outcome
from browser import beyond_the_edge, page_of
from drawing_cases import banded, result

NAMES = ("sleeve", "lean", "plane", "off centre")


@pytest.fixture(scope="module")
def addresses(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("moving")
    return {name: write_report(result(name), folder / f"{name}.html").as_uri() for name in NAMES}


def layers(page) -> list[str]:
    return [" ".join(line.split()) for line in page.locator(".stage li:not([hidden])").all_inner_texts()]


@pytest.mark.parametrize("name", ["sleeve", "lean", "plane"])
def test_it_opens_at_the_first_melting_with_the_layers_of_the_run(browser, addresses, name):
    run = result(name)
    row = find_moment(run, "first liquid")
    with page_of(browser) as page:
        page.goto(addresses[name])
        told = page.inner_text("#moving output")
        assert told.startswith(f"{run['time'][row] / 3600:.2f} h, {run['temperature'][row] - 273.15:.1f} °C")
        expected = [layer_line(layer, name == "plane") for layer in seen_layers(run, row)]
        # the page carries 0.1 nm, so the last digit shown may differ by one
        for seen, wanted in zip(layers(page), expected, strict=True):
            numbers = [float(re.findall(r"[\d.]+ µm", text)[0][:-3]) for text in (seen, wanted)]
            assert seen.split(",")[0] == wanted.split(",")[0]
            assert numbers[0] == pytest.approx(numbers[1], abs=0.011)


def test_slider_events_play_and_figures_move_the_section_and_the_mark(browser, addresses):
    def told() -> float:
        return float(page.inner_text("#moving output").split(" h")[0])

    with page_of(browser) as page:
        page.goto(addresses["sleeve"])
        mark = page.locator(".timed i").first
        first, melting = mark.bounding_box(), told()
        page.click(".after")
        assert told() > melting
        assert mark.bounding_box()["x"] > first["x"]
        page.click(".before")
        assert told() == melting
        page.focus("#moving input")
        page.keyboard.press("Home")
        assert told() == 0.0
        assert any(line.startswith("tin, ⌀ 24.0") for line in layers(page))
        page.keyboard.press("ArrowRight")
        assert 0.0 < told() < 1.0
        page.click(".play")
        page.wait_for_function("() => parseFloat(document.querySelector('#moving output').textContent) > 2")
        page.click(".play")
        stopped = told()
        page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        assert told() == stopped
        figure = page.locator(".timed").first
        figure.scroll_into_view_if_needed()
        box = figure.bounding_box()
        _, last, left, right, *_ = map(float, figure.get_attribute("data-span").split())
        page.mouse.click(box["x"] + box["width"] * (left + right) / 200, box["y"] + 60)
        assert told() == pytest.approx(last / 2, abs=last * 2 / box["width"])  # a click hits a pixel or its neighbour


def test_a_core_off_the_middle_takes_all_but_the_copper_with_it(browser, addresses):
    with page_of(browser) as page:
        page.goto(addresses["off centre"])
        shown = page.locator("circle.place[display=inline]")
        places = [float(shown.nth(k).get_attribute("cx")) for k in range(shown.count())]
        assert places[0] == 0.0
        assert places[1:] == pytest.approx([-1.5] * (len(places) - 1))
        assert page.get_by_text("Core 1.50 µm off centre").is_visible()


def test_the_moment_is_marked_in_panels_of_that_time_and_not_in_those_of_single_layers():
    plain, grid = (history_picture(run) for run in (result("sleeve"), banded("sleeve")))
    assert grid.height > plain.height
    marked = [picture.height * (100.0 - picture.span.top - picture.span.bottom) for picture in (plain, grid)]
    assert marked[1] == pytest.approx(marked[0], rel=0.01)


def test_it_prints_and_reads_without_script_as_before(browser, addresses):
    with page_of(browser, java_script_enabled=False) as page:
        page.goto(addresses["sleeve"])
        assert not page.locator("#moving").is_visible()
        assert page.locator("figure img").count() == 3
    with page_of(browser) as page:
        page.goto(addresses["sleeve"])
        page.emulate_media(media="print")
        assert not page.locator("#moving .controls").is_visible()
        assert not page.locator(".timed i").first.is_visible()


@pytest.mark.parametrize("width", [390, 1280, 1920])
def test_nothing_runs_off_the_page(browser, addresses, tmp_path: Path, width):
    outcomes = [Outcome(check, check.value, "") for check in read_checks()]
    pages = [addresses["lean"], write_validation(outcomes, tmp_path / "validation.html").as_uri()]
    with page_of(browser, width) as page:
        for address in pages:
            page.goto(address)
            assert beyond_the_edge(page) == []
            for figure in page.locator("figure img").all():
                # smallest letters are 5.5 points: no figure may be shown smaller than it is on paper
                assert figure.bounding_box()["width"] >= int(figure.get_attribute("width"))
