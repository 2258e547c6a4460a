"""Drafts: every change is checked and makes a new one; undo; dials; limits' signs; what is saved runs again."""

from __future__ import annotations

import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.case import load_case
from bronzeward.inputs.starter import STARTER
from bronzeward.live.dials import dials
from bronzeward.live.draft import Draft
from bronzeward.live.limit_signs import AT_RISK, BROKEN, KEPT, sign
from bronzeward.live.saving import save
from bronzeward.live.tables import answers_table, sign_line
from bronzeward.live.undoing import MOST, Undoing
from bronzeward.model.answers import ANSWERS
from bronzeward.studies.optimise.limits import parse_limit
from closeness import close
from drawing_cases import CASES, result


@pytest.fixture
def draft():
    return Draft(load_case(STARTER).to_data())


def test_a_refused_value_leaves_the_draft_as_it_was(draft):
    before = repr(draft)
    for change in (
        lambda: draft.with_value("strand.sleeve_diameter_um", 20.0),
        lambda: draft.with_programme(draft.programme.with_values(0, rate=-5.0)),
        lambda: draft.with_programme(draft.programme.with_values(0, to=2000.0)),
        lambda: draft.with_programme(draft.programme.without_segment(0).without_segment(0)),
    ):
        with pytest.raises(InputError):
            change()
        assert repr(draft) == before


def test_a_change_makes_a_new_draft_and_no_other_part_moves(draft):
    changed = draft.with_value("strand.core_diameter_um", 25.0)
    assert 2.0 * changed.case().strand.core_radius == close(25e-6)
    assert 2.0 * draft.case().strand.core_radius == close(24e-6)
    assert {**changed.inputs, "strand": None} == {**draft.inputs, "strand": None}


@pytest.mark.parametrize("name", ["sleeve", "lean", "plane"])
def test_every_number_of_a_strand_has_a_dial_that_takes_effect(name):
    draft = Draft(CASES[name])
    for dial in dials(load_inputs(draft)):
        changed = Draft(load_inputs(draft)).with_value(dial.path, dial.value + dial.step)
        assert changed.case().strand != draft.case().strand
        assert dial.low <= dial.value <= dial.high


def load_inputs(draft):
    return draft.case().to_data()


def test_undo_goes_back_step_by_step_and_redo_forward_until_something_new():
    drafts = Undoing(0)
    assert drafts.can == (False, False)
    for k in (1, 2, 3):
        drafts.do(k)
    assert (drafts.undo(), drafts.undo(), drafts.now, drafts.can) == (True, True, 1, (True, True))
    assert (drafts.redo(), drafts.now) == (True, 2)
    drafts.do(7)
    assert (drafts.redo(), drafts.undo(), drafts.now) == (False, True, 2)


def test_a_slider_on_its_way_is_one_step_and_the_next_slide_another():
    drafts = Undoing(0)
    for k in (1, 2, 3):
        drafts.do(k, "core")
    drafts.settle()
    drafts.do(4, "core")
    assert (drafts.undo(), drafts.now, drafts.undo(), drafts.now) == (True, 3, True, 0)


def test_a_long_session_forgets_its_beginning():
    drafts = Undoing(0)
    for k in range(1, 3 * MOST):
        drafts.do(k)
    assert sum(drafts.undo() for _ in range(3 * MOST)) == MOST


@pytest.mark.parametrize(
    ("value", "band", "expected"),
    [
        (5e-6, (4e-6, 5e-6, 6e-6), KEPT), (5e-6, (2e-6, 5e-6, 6e-6), AT_RISK), (2e-6, (1e-6, 2e-6, 6e-6), BROKEN),
        (5e-6, None, KEPT), (float("nan"), None, KEPT),
    ],
)  # fmt: skip
def test_signs_differ_in_shape_and_words(value, band, expected):
    limit = parse_limit("shell_at_first_liquid>=3")
    made = sign(limit, value, band)
    assert made.sign == expected
    assert expected in sign_line(made)
    assert len({KEPT[0], AT_RISK[0], BROKEN[0]}) == 3


def test_an_upper_limit_looks_at_the_upper_end_of_the_band():
    limit = parse_limit("peak_liquid_tin<=20")
    assert sign(limit, 0.1, (0.0, 0.1, 0.15)).sign == KEPT
    assert sign(limit, 0.1, (0.0, 0.1, 0.25)).sign == AT_RISK


def test_tables_escape_and_put_answers_beside():
    numbers = dict.fromkeys(ANSWERS, 1.0)
    table = answers_table(numbers, {"peak_liquid": (0.1, 0.2, 0.3)}, {**numbers, "peak_liquid": 0.5}, "<leave out>")
    assert "<small>&lt;leave out&gt;</small>" in table
    assert "10.0 to 30.0" in table
    assert "50.0 %" in table
    assert "<script" not in sign_line(sign(parse_limit("peak_liquid<=1"), 0.5, None)._replace(reason="<script>"))


def test_what_is_saved_is_the_draft_and_nothing_is_overwritten(draft, tmp_path):
    path = save("case", draft, None, tmp_path, "mine", False)
    assert load_case(path).to_data() == draft.inputs
    assert "210.0" in save("furnace table", draft, None, tmp_path, "mine", False).read_text(encoding="utf-8")
    report = save("report", draft, result("sleeve"), tmp_path, "mine", False)
    assert report.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    kept = path.read_bytes()
    with pytest.raises(InputError, match="exists already"):
        save("case", draft, None, tmp_path, "mine", False)
    assert path.read_bytes() == kept
    save("case", draft, None, tmp_path, "mine", True)


@pytest.mark.parametrize("name", ["", ".", "..", "../x", "/etc/x", "a/b", "a\\b", ".hidden", "x" * 101, "a\0b"])
def test_a_name_cannot_leave_the_folder(draft, tmp_path, name):
    with pytest.raises(InputError, match="name"):
        save("case", draft, None, tmp_path, name, True)
    assert list(tmp_path.iterdir()) == []


def test_a_report_waits_for_its_run(draft, tmp_path):
    with pytest.raises(InputError, match="still being computed"):
        save("report", draft, None, tmp_path, "mine", False)
