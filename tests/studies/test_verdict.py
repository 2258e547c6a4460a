"""A verdict counts what its members do; its words and its figure say what it counts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, load_case
from bronzeward.inputs.case_values import parse_axis, varied
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.starter import STARTER
from bronzeward.materials.kinetics import load_set
from bronzeward.plots.verdict import plot_verdict
from bronzeward.reports.verdict import kept_words, sentences, verdict_data, verdict_report
from bronzeward.studies.ensemble import Members, Spread, run_members
from bronzeward.studies.optimise.limits import parse_limit
from bronzeward.studies.verdict import verdict
from closeness import close

LIMITS = [parse_limit("bore_overfill_at_first_liquid<=1@50"), parse_limit("shell_at_first_liquid>=5@50")]
FEW = Spread(size=12, seed=3)


def _cases() -> dict[str, Case]:
    plan = Schedule.start(20).ramp(25, to=210).hold(4).ramp(25, to=240)
    case = replace(load_case(STARTER), schedule=plan, kinetics=load_set("couples"))
    return varied(case, "larkfell", parse_axis("schedule.steps.1.hold_h=4,30"))


def test_chances_are_counted_over_the_members_of_the_ensemble() -> None:
    cases, sets = _cases(), [load_set("default"), load_set("mei1992")]
    data = verdict(cases, LIMITS, sets, FEW)
    assert list(data["schedule"].values) == ["larkfell, hold_h 4", "larkfell, hold_h 30"]
    for k, case in enumerate(cases.values()):
        for j, kinetics in enumerate(sets):
            answers = run_members(Members(replace(case, kinetics=kinetics), FEW))
            room = answers["bore_overfill_at_first_liquid"] <= 0.01
            thick = answers["shell_at_first_liquid"] >= 5e-6
            # a member whose tin is used up before it melts keeps every limit on the first liquid
            never = np.isnan(answers["shell_at_first_liquid"])
            assert data["chance"].values[k, j] == close([(room | never).mean(), (thick | never).mean()])
            assert float(data["chance_of_all"][k, j]) == close(((room & thick) | never).mean())
    assert data["hours"].values == close([case.schedule.hours for case in cases.values()])
    assert (data["enough"].values == (data["chance"].values >= 0.5).all(axis=-1)).all()
    # twelve members: a share of one half has an error of 14 %, shares of none and all are not called certain
    assert float(data["chance_error"].max()) < 0.145
    assert float(data["chance_error"].min()) > 0.05


def test_a_case_with_another_value_does_not_keep_a_title_that_tells_the_first() -> None:
    case = replace(load_case(STARTER), title="24 h at 210 °C")
    assert [one.title for one in varied(case, "larkfell", parse_axis("schedule.steps.1.hold_h=4,30")).values()] == [
        "",
        "",
    ]


def test_words_say_which_is_the_shortest_that_will_do() -> None:
    data = verdict(_cases(), LIMITS, spread=FEW)
    assert kept_words(data) == ["room in the bore (<= 1 %)", "shell at first liquid >= 5 µm"]
    told = " ".join(sentences(data))
    chance = 100 * float(data["chance"][1, 0, 0])
    assert f"larkfell, hold_h 30: room in the bore (<= 1 %) in {chance:.0f} of 100" in told
    assert "The shortest that keeps every limit as asked is larkfell, hold_h 30" in told
    strict = [replace(limit, confidence=0.999) for limit in LIMITS]
    assert "None of these schedules keeps every limit" in " ".join(sentences(verdict(_cases(), strict, spread=FEW)))
    many = [parse_limit(f"shell_at_first_liquid>={k}@50") for k in range(1, 5)]
    text = verdict_report(verdict(_cases(), many, [load_set("default"), load_set("mei1992")], FEW))
    assert max(map(len, text.splitlines())) <= 80
    assert verdict_data(data)["schedules"][1]["chance"][0][0] == close(chance / 100)


def test_the_figure_has_a_row_for_each_schedule() -> None:
    ax = plot_verdict(verdict(_cases(), LIMITS, [load_set("default"), load_set("mei1992")], FEW))
    assert len(ax.get_yticklabels()) == 2
    assert len(ax.get_legend().get_texts()) == 4
    with pytest.raises(InputError, match="7 limits"):
        plot_verdict(verdict(_cases(), [LIMITS[0]] * 7, spread=Spread(size=1)))


def test_each_set_of_constants_is_filled_otherwise() -> None:
    """The first open, the last full, those between in between, of each limit."""
    sets = [load_set(name) for name in ("default", "mei1992", "couples")]
    data = verdict(_cases(), LIMITS, sets, Spread(size=2))
    handles, labels = plot_verdict(data).get_legend_handles_labels()
    fills = [np.array(to_rgb(cast(Any, handle)[0].get_markerfacecolor())) for handle in handles]
    assert [label.split(", ")[-1] for label in labels] == ["default", "mei1992", "couples"] * 2
    for first, middle, last, handle in zip(fills[::3], fills[1::3], fills[2::3], handles[2::3], strict=True):
        assert first == close(np.ones(3))
        assert last == close(to_rgb(cast(Any, handle)[0].get_color()))
        assert middle == close(0.5 * (first + last))


def test_what_makes_no_verdict_is_said() -> None:
    with pytest.raises(InputError, match="one limit or more"):
        verdict(_cases(), [])
    with pytest.raises(InputError, match="have the name 'default'"):
        verdict(_cases(), LIMITS, [load_set(), load_set()])
