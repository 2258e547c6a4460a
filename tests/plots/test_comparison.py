"""Comparison: 80 columns, every answer, marks only where bands do not meet."""

from __future__ import annotations

import json
from dataclasses import replace
from math import isfinite

import pytest

from bronzeward.errors import InputError
from bronzeward.model.answer_bands import differs
from bronzeward.model.answers import ANSWERS, numbers
from bronzeward.plots.comparison import draw_comparison
from bronzeward.reports.comparison import comparison_data, comparison_table
from drawing_cases import result
from drawing_checks import check_texts

NAMED = [(f"{name}.nc", result(name)) for name in ("sleeve", "lean", "plane", "cold", "long")]


def with_bands(name, factor, width=0.1):
    run = result(name)
    bands = {
        key: [v * factor * (1 - width), v * factor, v * factor * (1 + width)]
        for key, v in numbers(run).items()
        if isfinite(v)
    }
    return replace(run, attributes={**run.attributes, "bands": json.dumps(bands)})


@pytest.mark.parametrize("count", range(1, 6))
def test_table_fits_a_terminal(count):
    lines = comparison_table(NAMED[:count]).splitlines()
    assert max(map(len, lines)) <= 80
    answered = [answer for key, answer in ANSWERS.items() if isfinite(numbers(result("sleeve"))[key])]
    for answer in answered:
        assert any(line.startswith(f"{answer.title}, {answer.shown_unit} ") for line in lines)


def test_numbers_are_those_of_the_results():
    lines = comparison_table(NAMED[:2]).splitlines()
    line = next(line for line in lines if line.startswith("shell at first liquid, µm"))
    expected = [numbers(run)["shell_at_first_liquid"] * 1e6 for _, run in NAMED[:2]]
    assert [float(cell) for cell in line.split("µm")[1].split()] == pytest.approx(expected, abs=0.006)


def test_missing_moments_show_a_dash_and_zeros_no_sign():
    text = comparison_table([NAMED[3], NAMED[0]])
    line = next(line for line in text.splitlines() if line.startswith("first liquid after, h"))
    assert line.split(", h", 1)[1].split()[0] == "-"
    assert "-0.00" not in text.replace("-0.00%", "")
    assert "- : no such moment" in text
    assert "no such moment" not in comparison_table(NAMED[:1])


def test_without_bands_nothing_is_marked_and_it_says_so():
    text = comparison_table(NAMED[:2])
    assert "*" not in text
    assert "not marked" in text


def test_marks_stand_where_bands_do_not_meet():
    same, near, far = (with_bands("sleeve", factor) for factor in (1.0, 1.15, 1.5))
    assert not differs(same, near, "shell_at_first_liquid")
    assert differs(same, far, "shell_at_first_liquid")
    assert differs(far, same, "shell_at_first_liquid")
    text = comparison_table([("a", same), ("b", near), ("c", far)])
    line = next(line for line in text.splitlines() if line.startswith("shell at first liquid"))
    assert line.rstrip().endswith("*")
    assert line.count("*") == 1
    assert comparison_data([("a", same), ("c", far)])["results"][1]["differs"]
    assert max(map(len, text.splitlines())) <= 80


def test_data_is_plain_and_complete():
    found = json.loads(json.dumps(comparison_data(NAMED)))
    assert found["schema"] == "bronzeward/compare/1"
    assert [one["name"] for one in found["results"]] == [name for name, _ in NAMED]
    assert set(found["results"][0]["answers"]) == set(ANSWERS)


def test_damaged_bands_are_told():
    run = replace(result("cold"), attributes={**result("cold").attributes, "bands": "{not json"})
    with pytest.raises(InputError, match="bands"):
        comparison_table([("a", run)])


@pytest.mark.parametrize("count", [1, 2, 5])
def test_figure_keeps_its_texts_inside(count):
    check_texts(draw_comparison(NAMED[:count]))


def test_too_many_and_too_few_results():
    with pytest.raises(InputError, match="6 at most"):
        draw_comparison(NAMED[:1] * 7)
    with pytest.raises(InputError, match="at least one"):
        comparison_table([])
    assert comparison_table(NAMED[:1] * 7)
