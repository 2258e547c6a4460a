"""The shortest schedule: against brute force, from several seeds, with what binds and what is written."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, case_from_data, load_case
from bronzeward.inputs.case_values import case_with
from bronzeward.inputs.schedule import Schedule
from bronzeward.plots.shortest_schedule import plot_trade_off
from bronzeward.reports.furnace_programme import programme_table
from bronzeward.reports.shortest_schedule import shorten_report, write_case
from bronzeward.studies.ensemble import Members, Spread, run_members
from bronzeward.studies.optimise.limits import Free, Limit, Rules, parse_free, parse_limit
from bronzeward.studies.optimise.shortest import shorten, trade_off
from bronzeward.studies.optimise.truncation import FIRST_LIQUID, PERITECTIC, moment_of, until
from closeness import close

INPUTS = {
    "strand": {"core_diameter_um": 24.0, "sleeve_diameter_um": 44.0},
    "schedule": {
        "steps": [{"ramp_C_per_h": 50.0, "to_C": 205.0}, {"hold_h": 5.0}, {"ramp_C_per_h": 50.0, "to_C": 232.0}]
    },
    "kinetics": {"set": "couples"},
    "numerics": {"alpha_cells": 6},
}
RATE = Free(("schedule.steps.0.ramp_C_per_h", "schedule.steps.2.ramp_C_per_h"), 10.0, 100.0, 10.0)
WARM = Free(("schedule.steps.0.to_C",), 180.0, 220.0, 10.0)
HOLD = Free(("schedule.steps.1.hold_h",), 0.0, 12.0, 1.0)
DRY = Limit("overfill_at_first_liquid", "<=", -0.01, 0.9)
FEW = Spread(size=10)


def _case() -> Case:
    return case_from_data(INPUTS, Path())


def _brute_force(free: list[Free], limits: list[Limit], spread: Spread, inputs: dict[str, Any]) -> float:
    """Least hours over the whole grid."""
    cases = []
    for places in product(*(range(own.most + 1) for own in free)):
        values = {path: own.value(k) for own, k in zip(free, places, strict=True) for path in own.paths}
        cases.append(case_with(inputs, values))
    found = run_members([member for case in cases for member in Members(case, spread)])
    kept = np.ones(len(cases), dtype=bool)
    for limit in limits:
        excess = limit.excess(found[limit.answer]).reshape(len(cases), spread.size)
        kept &= (excess > 0).sum(axis=1) <= limit.allowed(spread.size)
    return min(case.schedule.hours for case, fine in zip(cases, kept, strict=True) if fine)


def test_search_finds_what_brute_force_finds() -> None:
    free = [RATE, HOLD]
    found = shorten(_case(), free, [DRY], spread=FEW, for_others=False)
    assert found.feasible
    assert found.hours == close(_brute_force(free, [DRY], FEW, INPUTS))


def test_few_watched_members_find_what_all_of_them_say() -> None:
    """Two limits, more members than are watched, and an answer that cannot fall below zero."""
    steps = [
        {"ramp_C_per_h": 50.0, "to_C": 220.0}, {"hold_h": 4.0},
        {"ramp_C_per_h": 50.0, "to_C": 410.0}, {"hold_h": 4.0}, {"ramp_C_per_h": 50.0, "to_C": 418.0},
    ]  # fmt: skip
    inputs = {**INPUTS, "schedule": {"steps": steps}}
    free = [Free(("schedule.steps.1.hold_h",), 3.0, 6.0, 1.0), Free(("schedule.steps.3.hold_h",), 1.0, 5.0, 1.0)]
    limits = [Limit("overfill_at_first_liquid", "<=", 0.0, 0.9), Limit("eta_at_peritectic", "<=", 0.01, 0.9)]
    spread = Spread(size=40)
    found = shorten(case_from_data(inputs, Path()), free, limits, spread=spread, for_others=False)
    assert found.feasible
    assert found.hours == close(_brute_force(free, limits, spread, inputs))
    assert min(found.kept.values()) >= 0.9


def test_new_members_keep_the_limits_as_asked() -> None:
    own, sure = (shorten(_case(), [RATE, HOLD], [DRY], spread=FEW, for_others=new) for new in (False, True))
    words = DRY.words()
    assert own.aims[words] == DRY.confidence
    assert own.kept[words] >= DRY.confidence
    assert own.kept_by_others[words] < DRY.confidence  # the members of this search are kinder than most
    assert sure.hours > own.hours
    assert sure.aims[words] > DRY.confidence
    # aimed at by 100 members, told by 100 others: two standard errors of their difference
    assert sure.kept_by_others[words] > DRY.confidence - 2.0 * np.sqrt(2.0 * 0.9 * 0.1 / sure.others)
    assert f"Kept by {100 * sure.kept_by_others[words]:.1f} % of 100 new members" in shorten_report(sure)
    assert f"Less sure than asked for: {words}" in shorten_report(own)


def test_a_run_up_to_its_moment_gives_the_same_answers() -> None:
    plan = Schedule.start(20).ramp(50, to=215).hold(6).ramp(50, to=405).hold(3).ramp(50, to=450).hold(2)
    case = replace(_case(), schedule=plan)
    whole = run_members(Members(case, FEW))
    for moment, answers in (
        (FIRST_LIQUID, ("shell_at_first_liquid", "overfill_at_first_liquid", "first_liquid_time")),
        (PERITECTIC, ("eta_at_peritectic", "shell_at_first_liquid")),
    ):
        part = until(plan, moment, case.description)
        assert part.hours < plan.hours
        found = run_members(Members(replace(case, schedule=part), FEW))
        for answer in answers:
            assert np.array_equal(found[answer], whole[answer], equal_nan=True)
    # twice molten, or never: nothing can be left out
    twice = plan.ramp(50, to=200).ramp(50, to=300)
    assert until(twice, FIRST_LIQUID, case.description) is twice
    assert until(twice, PERITECTIC, case.description).hours < plan.hours
    cold = Schedule.start(20).ramp(50, to=200)
    assert until(cold, FIRST_LIQUID, case.description) is cold
    assert until(plan, moment_of("peak_liquid"), case.description) is plan


def test_other_seeds_find_the_same_length() -> None:
    hours = [shorten(_case(), [RATE, WARM, HOLD], [DRY], spread=FEW, seed=seed).hours for seed in (1, 2)]
    # one grid step of the hold
    assert np.ptp(hours) <= HOLD.step


def test_limits_are_kept_and_named_when_they_bind(tmp_path: Path) -> None:
    found = shorten(_case(), [HOLD], [DRY, Limit("shell_at_first_liquid", ">=", 1e-6, 0.5)], spread=FEW)
    words = DRY.words()
    assert found.kept[words] >= 0.9
    assert 0.5 <= found.kept_by_others[words] <= 1.0
    assert found.reached[words] <= DRY.value
    assert words in found.binding
    assert Limit("shell_at_first_liquid", ">=", 1e-6, 0.5).words() not in found.binding
    text = shorten_report(found)
    assert max(map(len, text.splitlines())) <= 80
    case = load_case(write_case(found, tmp_path / "short.toml"))
    assert case.schedule.hours == close(found.hours)
    with (tmp_path / "short.toml").open("rb") as file:
        assert tomllib.load(file)["schedule"]["steps"][1]["hold_h"] == found.values[HOLD.paths[0]]


def test_what_cannot_be_kept_is_said() -> None:
    thick = Limit("shell_at_first_liquid", ">=", 2e-5, 0.9)
    nearest = shorten(_case(), [HOLD], [thick], spread=Spread(size=5))
    # a shell grows with the hold, so the longest one comes nearest; no member's is as thick as the sleeve
    assert not nearest.feasible
    assert nearest.values[HOLD.paths[0]] == HOLD.high
    assert nearest.kept[thick.words()] == 0.0
    assert 0.0 < nearest.reached[thick.words()] < thick.value
    impossible = shorten(_case(), [HOLD], [Limit("total_time", "<=", 3600.0, 0.9)], spread=Spread(size=5))
    assert not impossible.feasible
    assert "No schedule keeps all limits" in shorten_report(impossible)


def test_rules_of_the_furnace() -> None:
    plan = Schedule.start(20).ramp(50, to=220).hold(5)
    assert Rules(fastest=50.0).broken(plan) == 0.0
    assert Rules(fastest=25.0).broken(plan) > 0.0
    assert Rules(not_above=((220.0, 4.0),)).broken(plan) == 0.0
    assert Rules(not_above=((200.0, 4.0),)).broken(plan) > 0.0
    assert Rules(not_above=((200.0, 3.0),)).broken(plan) == 0.0
    # the rule decides: without it a faster ramp is shorter
    slow = shorten(_case(), [RATE], [Limit("total_time", "<=", 1e9)], Rules(fastest=40.0), spread=Spread(size=1))
    assert slow.values[RATE.paths[0]] == 40.0
    # nor may a search that goes downhill leave a rule behind: hot for a while, but not before its hour
    free = [Free(("schedule.steps.0.to_C",), 180.0, 224.0, 4.0), HOLD]
    rule = Rules(not_above=((208.0, 6.0),))
    late = shorten(_case(), free, [DRY], rule, spread=FEW)
    assert late.feasible
    assert rule.broken(late.case.schedule) == 0.0
    assert late.hours >= shorten(_case(), free, [DRY], spread=FEW).hours


def test_trade_off_rises() -> None:
    data = trade_off(_case(), [HOLD], [DRY], 0, [0.01, 0.0, -0.005], spread=FEW)
    assert (np.diff(data["hours"].values) >= 0).all()
    assert "overfill" in plot_trade_off(data).get_xlabel()


def test_programme_table_has_one_segment_for_a_ramp_and_its_hold() -> None:
    text = programme_table(Schedule.start(20).ramp(25, to=210).hold(48).ramp(50, to=400).hold(10).quench())
    assert text.splitlines()[1].split() == ["1", "+25.0", "210.0", "48.00", "55.60"]
    assert text.splitlines()[2].split() == ["2", "+50.0", "400.0", "10.00", "69.40"]
    assert "quench" in text.splitlines()[3]


def test_limits_and_free_values_from_text() -> None:
    limit = parse_limit("shell_at_first_liquid>=3@90")
    assert (limit.answer, limit.kind, limit.confidence) == ("shell_at_first_liquid", ">=", 0.9)
    assert limit.value == close(3e-6)
    assert parse_limit("overfill_at_first_liquid<=0") == Limit("overfill_at_first_liquid", "<=", 0.0, 0.95)
    assert parse_limit("first_liquid_temperature<=227").value == close(500.15)
    assert parse_free("schedule.steps.1.hold_h=0:48") == Free(("schedule.steps.1.hold_h",), 0.0, 48.0, 0.1)
    assert parse_free("a.b+c.d=1:2:0.5").most == 2
    for text in ("shell>=3", "shell_at_end=3", "shell_at_end>=x", "shell_at_end>=3@120"):
        with pytest.raises(InputError):
            parse_limit(text)
    for text in ("a.b", "a.b=1", "a.b=2:1", "a.b=x:1", "=1:2"):
        with pytest.raises(InputError):
            parse_free(text)


def test_bad_problems_are_named() -> None:
    with pytest.raises(InputError, match="nothing is free"):
        shorten(_case(), [], [DRY])
    with pytest.raises(InputError, match="no limits"):
        shorten(_case(), [HOLD], [])
    with pytest.raises(InputError, match="twice"):
        shorten(_case(), [HOLD, HOLD], [DRY])
    with pytest.raises(InputError, match="not a value of the case"):
        shorten(_case(), [Free(("schedule.steps.9.hold_h",), 0, 1)], [DRY])
