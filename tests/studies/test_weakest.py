"""The weakest of many sub-elements: order statistics, and what all of them share."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, load_case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.starter import STARTER
from bronzeward.materials.kinetics import load_set
from bronzeward.reports.weakest import weakest_data, weakest_sentences
from bronzeward.studies.ensemble import Spread
from bronzeward.studies.optimise.limits import Limit
from bronzeward.studies.weakest import MOST_RUNS, weakest
from closeness import close

LIMIT = Limit("tin_left_at_first_liquid", "<=", 0.43)


def _case() -> Case:
    plan = Schedule.start(20).ramp(50, to=210).hold(20).ramp(50, to=230)
    return replace(load_case(STARTER), schedule=plan, kinetics=load_set("couples"))


def test_the_weakest_of_independent_ones_follows_the_power_of_one() -> None:
    """Constants known: the sub-elements of all strands are as many independent ones."""
    spread = Spread(size=150, constants=False, core_diameter=0.04)
    found = weakest(_case(), LIMIT, 5, spread)
    # of 150 strands, a standard error of 4 %: three of them, with that of the power
    assert 0.6 < found.any_kept < 0.95
    assert found.all_kept == pytest.approx(found.any_kept**5, abs=0.13)
    assert found.breaking == close(5 * (1.0 - found.any_kept))
    # the median of the largest of five is the quantile 0.5 ** (1/5) of one, 0.87: between its median and its 95 %
    assert found.any_one[1] < found.weakest[1] < found.any_one[2]


def test_one_sub_element_is_its_own_weakest() -> None:
    found = weakest(_case(), LIMIT, 1, Spread(size=20, core_diameter=0.02))
    assert found.all_kept == found.any_kept
    assert found.weakest == close(found.any_one)


def test_where_constants_decide_all_sub_elements_of_a_strand_go_together() -> None:
    found = weakest(_case(), LIMIT, 6, Spread(size=40, core_diameter=1e-6))
    assert found.all_kept == close(found.any_kept)
    # the median of 40 strands, and of each six times
    assert found.weakest[1] == close(found.any_one[1], rel=0.05)
    # where a limit is to be exceeded, the smallest is the weakest
    known = Spread(size=20, constants=False, core_diameter=0.03)
    least = weakest(_case(), replace(LIMIT, kind=">="), 6, known)
    assert least.weakest[1] < least.any_one[1]


def test_it_is_said(command, tmp_path) -> None:
    found = weakest(_case(), LIMIT, 3, Spread(size=10, core_diameter=0.03))
    told = " ".join(weakest_sentences(found, LIMIT))
    assert f"In the weakest of 3: kept in {100 * found.all_kept:.1f} of 100 strands" in told
    assert weakest_data(found, LIMIT)["weakest_kept"] == found.all_kept
    (tmp_path / "case.toml").write_text(STARTER.read_text(encoding="utf-8"), encoding="utf-8")
    words = ("lengths", "--sub-elements", 3, "--case", tmp_path / "case.toml", "--members", 4)
    code, out, _ = command(*words, "--keep", "tin_left_at_first_liquid<=40", "--core-spread", 3, "--json")
    assert code == 0
    data = json.loads(out)
    assert (data["sub_elements"], data["strands_drawn"]) == (3, 4)
    assert "wound, compacted magnet" in data["caution"]
    assert command(*words)[0] == 2
    assert command("lengths", "--tested", 10)[2] == (
        "bronzeward: lengths: give --each, how long the tested lengths are, or --sub-elements\n"
    )


def test_what_cannot_be_asked_is_said() -> None:
    with pytest.raises(InputError, match="differ in nothing"):
        weakest(_case(), LIMIT, 5, Spread(size=5))
    with pytest.raises(InputError, match=f"at most {MOST_RUNS} runs"):
        weakest(_case(), LIMIT, 100_000, Spread(size=50, core_diameter=0.01))
