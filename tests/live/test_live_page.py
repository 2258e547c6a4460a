"""The live page in a browser, as a user meets it: drag, type, slide, undo, compare, save."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from bronzeward.inputs.case import Case, load_case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.starter import STARTER
from bronzeward.inputs.strand import Strand
from bronzeward.live.saving import KINDS
from bronzeward.model.answer_bands import bands_of
from bronzeward.model.answers import ANSWERS, numbers
from bronzeward.model.simulation import run_case
from bronzeward.studies.ensemble import Spread
from bronzeward.studies.history_bands import with_bands
from browser import beyond_the_edge, page_of
from live_page import answer, drag, live, on_screen, opened, resized

SHELL, LEFT, LENGTH = "shell at first liquid", "tin left at first liquid", "length of the schedule"


@pytest.fixture(scope="module")
def case() -> Case:
    return load_case(STARTER)


def shown(page, title: str, text: str) -> None:
    """Wait until the table of answers says so."""
    page.locator(f"tr:has(td:text-is('{title}')) td:text-is('{text}')").first.wait_for()


def changed(page, title: str, text: str) -> None:
    """Wait until the table of answers says something else of this run."""
    page.locator(f"tr:has(td:text-is('{title}')) td:nth-child(2)").filter(has_not_text=text).wait_for()


def words(case: Case, key: str) -> str:
    return ANSWERS[key].words(numbers(run_case(case))[key])


def field(page, title: str, k: int = 0):
    return page.get_by_label(title, exact=True).nth(k)


def typed(page, title: str, text: str, k: int = 0) -> None:
    field(page, title, k).fill(text)
    page.keyboard.press("Enter")


def test_it_opens_at_the_first_melting_with_the_band_of_the_command(browser, address, case):
    with page_of(browser, 1280, 1000) as fresh:
        opened(fresh, address)
        fresh.get_by_text("32.27 h, 226.8 °C").wait_for()
        fresh.get_by_text("last event: tin melts").wait_for()
        low, _, high = bands_of(with_bands(run_case(case), Spread.usual(20)))["shell_at_first_liquid"]
        number = ANSWERS["shell_at_first_liquid"].number
        assert answer(fresh, SHELL, 2) == f"{number(low)} to {number(high)}"


def test_a_dragged_corner_changes_programme_and_answers_to_those_of_the_same_run(page, case):
    shown(page, SHELL, words(case, "shell_at_first_liquid"))
    drag(page, (31.6, 210.0), (45.0, 200.0))
    changed(page, LENGTH, "63.2 h")
    rate, to, dwell = (float(field(page, title).input_value()) for title in ("rate, °C/h", "set-point, °C", "dwell, h"))
    # the pointer meets a place to a pixel, the programme is rounded to what a controller can be set to
    assert (rate, abs(to - 200.0) < 3.0, abs(dwell - (45.0 - (to - 20.0) / 25.0)) < 0.5) == (25.0, True, True)
    plan = Schedule.start(20).ramp(rate, to).hold(dwell).ramp(25, 400).hold(24).quench()
    shown(page, SHELL, words(replace(case, schedule=plan), "shell_at_first_liquid"))
    shown(page, LENGTH, f"{plan.hours:.1f} h")


def test_backspace_removes_a_corner_and_undo_brings_it_back(page):
    page.mouse.click(*on_screen(page, "schedule", 31.6, 210.0))
    page.keyboard.press("Backspace")
    shown(page, LENGTH, "39.2 h")
    page.get_by_role("button", name="undo").click()
    shown(page, LENGTH, "63.2 h")


def test_what_is_typed_counts_and_bad_values_are_told_and_change_nothing(page, case):
    typed(page, "dwell, h", "48")
    plan = Schedule.start(20).ramp(25, 210).hold(48).ramp(25, 400).hold(24).quench()
    shown(page, SHELL, words(replace(case, schedule=plan), "shell_at_first_liquid"))
    length = answer(page, LENGTH)
    for title, text, told in (
        ("rate, °C/h", "-5", "must be above 0"), ("set-point, °C", "2000", "allowed are 0 to 1000"),
        ("dwell, h", "long", "'long' is not a number"), ("start, °C", "nan", "must be a finite number"),
    ):  # fmt: skip
        typed(page, title, text)
        page.get_by_text(told).wait_for()
        assert answer(page, LENGTH) == length
    typed(page, "dwell, h", "40")
    shown(page, LENGTH, "79.2 h")
    assert page.get_by_text("✖").and_(page.get_by_text("is not a number")).count() == 0


def test_all_of_it_works_from_the_keyboard(page):
    def press(name: str) -> None:
        page.get_by_role("button", name=name).focus()
        page.keyboard.press("Enter")

    before = answer(page, LENGTH)
    typed(page, "dwell, h", "30")
    shown(page, LENGTH, "69.2 h")
    press("undo")
    shown(page, LENGTH, before)
    press("redo")
    shown(page, LENGTH, "69.2 h")
    press("add a segment")
    shown(page, LENGTH, "72.2 h")
    press("✕ 3")
    shown(page, LENGTH, "69.2 h")
    left = answer(page, LEFT)
    page.get_by_role("slider").nth(1).focus()
    page.keyboard.press("ArrowRight")
    changed(page, LEFT, left)
    page.get_by_role("slider").nth(0).focus()
    for _ in range(3):
        page.keyboard.press("PageUp")
    page.get_by_text(re.compile(r"moment, h: (?!0\.00)")).wait_for()
    page.locator("b", has_text=re.compile(r"^\d+\.\d\d h, ")).first.wait_for()


def test_the_keys_of_undo_and_redo_step_through_drafts_and_leave_half_typed_text_to_its_field(page):
    typed(page, "dwell, h", "30")
    shown(page, LENGTH, "69.2 h")
    typed(page, "dwell, h", "31")
    shown(page, LENGTH, "70.2 h")
    for keys, length in (("z", "69.2 h"), ("z", "63.2 h"), ("y", "69.2 h"), ("Shift+Z", "70.2 h")):
        page.keyboard.press(f"Control+{keys}")
        shown(page, LENGTH, length)
    field(page, "dwell, h").press_sequentially("5")
    page.keyboard.press("Control+z")
    assert field(page, "dwell, h").input_value() == "31"
    assert answer(page, LENGTH) == "70.2 h"


def test_a_sleeve_inside_its_core_is_told_beside_its_slider(page):
    shell = answer(page, SHELL)
    page.get_by_role("slider").nth(2).focus()
    page.keyboard.press("Home")
    page.get_by_text("diameters must grow from the core outwards").wait_for()
    assert answer(page, SHELL) == shell
    page.get_by_text("copper sleeve ⌀, µm: 44").wait_for()


def test_a_core_slid_off_the_middle_leaves_less_copper_on_one_side_and_is_drawn_there(page, case):
    page.get_by_role("slider").last.focus()
    for _ in range(6):
        page.keyboard.press("PageUp")
    page.get_by_text("core off centre, of the wall: 0.30").wait_for()
    moved = replace(case, strand=replace(case.strand, eccentricity=0.3))
    shown(page, "least copper round liquid", words(moved, "copper_left_with_liquid"))
    page.get_by_text("Core 3.00 µm off centre").wait_for()


def test_limits_turn_a_sign_of_another_shape_and_word(page):
    signs = page.locator(".sign")
    page.get_by_text("▲ at risk").or_(page.get_by_text("✔ kept")).first.wait_for()
    assert signs.nth(0).inner_text().startswith("✔ kept")
    assert signs.nth(1).inner_text() == "✖ BROKEN"
    typed(page, "dwell, h", "90")
    page.locator(".sign").nth(1).filter(has_not_text="BROKEN").wait_for()
    typed(page, "dwell, h", "1")
    page.locator(".sign").nth(0).filter(has_text="✖ BROKEN").wait_for()
    page.get_by_label("value", exact=True).fill("9")
    page.keyboard.press("Tab")
    page.get_by_role("button", name="add", exact=True).click()
    page.get_by_text("shell at first liquid ≥ 9.00 µm").wait_for()
    page.get_by_label("value", exact=True).fill("thick")
    page.keyboard.press("Tab")
    page.get_by_role("button", name="add", exact=True).click()
    page.get_by_text("'thick' is not a number").wait_for()


def test_one_run_is_kept_beside_another(page):
    kept = answer(page, SHELL)
    page.get_by_role("button", name="keep this one beside").click()
    typed(page, "dwell, h", "48")
    changed(page, SHELL, kept)
    assert answer(page, SHELL, 3) == kept
    page.get_by_role("button", name="let go of the one beside").click()
    page.get_by_text("beside", exact=True).wait_for(state="detached")


def test_the_section_is_that_of_the_moment_under_the_pointer(page, case):
    run = run_case(case)
    hours = run["time"] / 3600
    for chart, about, y in (("schedule", 20.0, 50.0), ("thickness", 36.0, 3.0), ("liquid", 50.0, 10.0)):
        row = int(np.searchsorted(hours, about))
        between = (hours[row] + hours[row + 1]) / 2
        assert hours[row + 1] - hours[row] > 0.3  # three pixels
        page.mouse.move(*on_screen(page, chart, between, y))
        page.get_by_text(f"{hours[row]:.2f} h, ").wait_for()


def test_two_pages_at_once_do_not_mix(page, browser, address):
    with page_of(browser, 1280, 1000) as other:
        opened(other, address)
        before = answer(other, LENGTH)
        typed(page, "dwell, h", "48")
        shown(page, LENGTH, "87.2 h")
        typed(other, "dwell, h", "12", 1)
        shown(other, LENGTH, "51.2 h")
        assert before == "63.2 h"
        assert answer(page, LENGTH) == "87.2 h"
        assert field(other, "dwell, h").input_value() == "24"


def test_it_saves_case_furnace_table_and_report(page, folder, case):
    typed(page, "dwell, h", "48")
    shown(page, LENGTH, "87.2 h")
    assert field(page, "name, without ending").input_value() == "case_live"
    typed(page, "name, without ending", "tried")
    for kind in ("case", "furnace table", "report"):
        page.get_by_role("button", name=f"save {kind}").click()
        page.get_by_text(re.compile(rf"Written: .*tried\{KINDS[kind]}")).wait_for()
    plan = Schedule.start(20).ramp(25, 210).hold(48).ramp(25, 400).hold(24).quench()
    saved = load_case(folder / "tried.toml")
    assert saved.to_data() == replace(case, schedule=plan).to_data()
    assert "48.00" in (folder / "tried.txt").read_text(encoding="utf-8")
    assert "Tin first melts" in (folder / "tried.html").read_text(encoding="utf-8")
    page.get_by_role("button", name="save case").click()
    page.get_by_text("exists already").wait_for()
    typed(page, "name, without ending", "../away")
    page.get_by_role("button", name="save case").click()
    page.get_by_text("give a plain name").wait_for()
    assert not (folder.parent / "away.toml").exists()


@pytest.mark.parametrize("width", [390, 1280, 1920])
def test_nothing_runs_off_the_page(page, width):
    resized(page, width)
    assert beyond_the_edge(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_measured_log_is_shown_and_a_plane_couple_drawn(browser, tmp_path, case):
    plan = Schedule.from_arrays([0.0, 36000.0, 72000.0], [293.0, 520.0, 520.0])
    import tomli_w

    path = tmp_path / "log.toml"
    path.write_text(tomli_w.dumps(replace(case, schedule=plan, strand=Strand.couple(20, 60)).to_data()))
    with live(path, "--members", "20") as served, page_of(browser, 1280, 1000) as page:
        opened(page, served)
        page.get_by_text("The schedule is a measured log").wait_for()
        shell = answer(page, "shell at the end")
        page.get_by_role("slider").nth(1).focus()
        page.get_by_role("slider", name="tin, µm: 20").wait_for()
        page.keyboard.press("ArrowRight")
        page.get_by_text("tin, µm: 20.1").wait_for()
        assert shell.endswith("µm")
