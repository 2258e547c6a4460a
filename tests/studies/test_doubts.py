"""What the model could have assumed: each alternative is the run of its own case, the largest moves first."""

from __future__ import annotations

from pathlib import Path

import pytest

from bronzeward import Case, Schedule, Strand, load_set
from bronzeward.inputs.case import case_from_data
from bronzeward.materials.doubt_data import alternatives, usual_spreads
from bronzeward.model.answers import DECISIVE
from bronzeward.model.simulation import run_case
from bronzeward.plots.doubts import draw_doubts
from bronzeward.reports.doubts import doubts_lines
from bronzeward.reports.run_page import html
from bronzeward.reports.summary import answers
from bronzeward.studies.doubts import Doubts, doubts, doubts_from_data, doubts_of, taking, with_doubts
from bronzeward.studies.ensemble import Spread
from closeness import close

PLAN = Schedule.start(20).ramp(100, to=430).quench()
CASE = Case(Strand.round(24, 44), PLAN, load_set())
PACK = Case(Strand.round(24, 30, [(50, 0.3)]), PLAN, load_set().scaled({"delta": 0.5}))


@pytest.fixture(scope="module")
def found() -> Doubts:
    return doubts(CASE, precision="quick")


def test_every_alternative_is_a_case_of_its_own() -> None:
    """Written out and read again it is the same, and differs from what it doubts."""
    for one in alternatives():
        other = taking(PACK, one)
        if one.name == "void in the core":
            assert other is None  # that is what the case has
            continue
        assert other is not None
        data = other.to_data()
        assert case_from_data(data, Path()).to_data() == data != PACK.to_data()
    slower = taking(PACK, next(one for one in alternatives() if one.name == "δ ten times slower"))
    assert slower is not None  # of what the case has, which is half the set's
    assert slower.kinetics.constant("delta").prefactor == close(0.05 * load_set().constant("delta").prefactor)


def test_rows_are_the_answers_of_their_cases_and_come_by_how_much_they_move(found: Doubts) -> None:
    moves = [row.moves for row in found.rows]
    assert moves == sorted(moves, reverse=True)
    assert 0.0 <= moves[-1] <= moves[0] <= 1.0
    by_name = {row.name: row for row in found.rows}
    stiff = by_name["cavity expands 12e-6 1/K"].answers
    # by hand: the cavity of 44 um over the core of 24 um, at the eutectic
    warm = 226.8 - 20.0
    narrower = ((1 + 17.5e-6 * warm) ** 3 - (1 + 12e-6 * warm) ** 3) * (44 / 24) ** 2
    gained = stiff["overfill_at_first_liquid"] - found.answers["overfill_at_first_liquid"]
    assert gained == pytest.approx(narrower, rel=0.01)  # volumes at 20 and 25 C differ by 0.1 %
    for key in DECISIVE:
        if key != "overfill_at_first_liquid":
            assert stiff[key] == close(found.answers[key], rel=1e-9)
    assert by_name["parallel channels in pack"].moves == 0.0  # there is none
    slow = by_name["scalloped η on liquid tin"].answers
    assert slow["shell_at_first_liquid"] == close(found.answers["shell_at_first_liquid"], rel=1e-6)
    # anchored at 5 um: what is thinner grows faster and leaves less liquid
    assert found.answers["shell_at_first_liquid"] < 5e-6
    assert slow["liquid_above_peritectic"] < found.answers["liquid_above_peritectic"]


def test_they_are_told_with_what_they_leave_out(found: Doubts) -> None:
    table, lines = doubts_lines(found)
    assert max(map(len, table.splitlines())) <= 80
    assert table.splitlines()[1].startswith("as it stands")
    assert any("Left out" in line for line in lines)
    assert any("parallel channels" in line for line in lines)
    assert doubts_from_data(found.to_data()) == found
    figure = draw_doubts(found)
    assert len(figure.axes) == len(DECISIVE)
    assert [text.get_text() for text in figure.axes[0].get_yticklabels()] == [row.name for row in found.moving()]
    assert any("Left out" in text.get_text() for text in figure.texts)


def test_a_result_carries_them_to_its_report() -> None:
    bare = run_case(CASE)
    assert doubts_of(bare) is None
    result = with_doubts(bare)
    assert doubts_of(result) is not None
    assert answers(result)["doubts"]["alternatives"][0]["name"] in html(result)
    assert "bronzeward doubts" in html(bare)


def test_a_couple_takes_what_it_can() -> None:
    couple = Case(Strand.couple(10, 20), PLAN, load_set())
    names = {one.name for one in alternatives() if taking(couple, one) is not None}
    assert {"void behind the shell", "no δ"} <= names
    assert "parallel channels in pack" not in names


def test_usual_spreads_are_on_and_said() -> None:
    usual = Spread.usual(50)
    assert {name: getattr(usual, name) for name in usual_spreads()} == usual_spreads()
    assert all(usual_spreads().values())
    caveat = usual.caveat()
    assert "core diameter (2 %)" in caveat
    assert "eccentricity (5 % of the wall)" in caveat
    assert "furnace" in caveat.partition("leave out")[2]
    assert "core diameter" in Spread().caveat().partition("leave out")[2]
    assert Spread.usual(50, core_diameter=0.0, film=None).film == usual.film
