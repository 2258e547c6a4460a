"""Furnace margins: tolerance of thermocouples, extreme strands, safe set-points."""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.model.batch import run_batch
from bronzeward.plots.furnace_margins import plot_margins
from bronzeward.reports.furnace_margins import margins_table
from bronzeward.studies.furnace_load import (
    Furnace,
    coldest_of,
    extreme_schedule,
    highest_safe,
    holds,
    hottest_of,
    lowest_safe,
)
from bronzeward.studies.furnace_margins import margins, reactions
from closeness import close

EXACT = Furnace(sensor_class=0, homogeneity=0.0, overshoot=0.0, lag=0.0)
PLAN = Schedule.start(20).ramp(25, to=222).hold(10).ramp(25, to=400).hold(5).ramp(10, to=300)
CASE = Case(Strand.round(24, 44), PLAN, load_set())


@pytest.mark.parametrize(
    ("grade", "celsius", "wanted"),
    # IEC 60584-1:2013, table of tolerances, types K and N
    [(1, 20, 1.5), (1, 375, 1.5), (1, 400, 1.6), (1, 1000, 4.0), (2, 300, 2.5), (2, 400, 3.0), (2, 1200, 9.0)],
)
def test_tolerance_of_the_standard(grade: int, celsius: float, wanted: float) -> None:
    for kind in ("K", "N"):
        assert Furnace(grade, kind).tolerance(celsius + 273.15) == close(wanted)


def test_an_exact_furnace_changes_nothing() -> None:
    for hottest in (True, False):
        made = extreme_schedule(PLAN, EXACT, hottest)
        np.testing.assert_allclose(made.temperature_at(PLAN.time), PLAN.temperature)
        assert made.time[-1] == PLAN.time[-1]


def test_extreme_strands_add_everything_up() -> None:
    furnace = Furnace(1, "K", homogeneity=3.0, overshoot=2.0, settling=3600.0, lag=120.0)
    hot, cold = (extreme_schedule(PLAN, furnace, h) for h in (True, False))
    first = holds(PLAN)[0]
    ahead = 25.0 / 3600.0 * 120.0
    assert float(hot.temperature_at(first.start)) - 273.15 == close(222 + 1.5 + 3 + 2 + ahead)
    assert float(hot.temperature_at(first.start + 3600)) - 273.15 == close(222 + 1.5 + 3)
    assert float(cold.temperature_at(first.start + 3600)) - 273.15 == close(222 - 1.5 - 3)
    # while it cools, the coldest strand runs ahead
    last = float(PLAN.time[-1])
    assert float(cold.temperature_at(last)) - 273.15 == close(300 - 1.5 - 3 - 10.0 / 3600.0 * 120.0)
    grid = np.linspace(0, last, 500)
    assert (hot.temperature_at(grid) >= PLAN.temperature_at(grid)).all()
    assert (cold.temperature_at(grid) <= PLAN.temperature_at(grid)).all()


def test_safe_set_points_turn_the_extremes_round() -> None:
    furnace, limit = Furnace(2), 500.0
    safe = highest_safe(limit, furnace, approach=25 / 3600)
    assert hottest_of(safe, furnace, 25 / 3600) == pytest.approx(limit, abs=1e-6)
    assert coldest_of(lowest_safe(limit, furnace), furnace) == pytest.approx(limit, abs=1e-6)


def test_holds_near_the_eutectic_are_found() -> None:
    known = reactions(CASE)
    assert known["eutectic"] - 273.15 == pytest.approx(227, abs=1)
    assert known["peritectic"] - 273.15 == pytest.approx(415, abs=8)
    data = margins(CASE, Furnace(1, homogeneity=3.0, overshoot=2.0))
    # 222 C and 1.5 + 3 + 2 above it reach 227, 400 C stays below the peritectic
    assert data["touches"].sel(hold=1, reaction="eutectic") == 1
    assert data["touches"].sel(hold=2).sum() == 0
    safe = float(data["highest_safe"].sel(hold=1, reaction="eutectic"))
    assert safe < float(data["hold_temperature"].sel(hold=1))
    single = run_batch([CASE], precision="quick")
    assert float(data["shell_at_first_liquid"].sel(strand="as programmed")) == single["shell_at_first_liquid"][0]
    hot, cold = (float(data["first_liquid_time"].sel(strand=s)) for s in ("hottest", "coldest"))
    assert hot < cold
    text = margins_table(data)
    assert max(map(len, text.splitlines())) <= 80
    assert "eutectic" in text
    assert len(plot_margins(data).lines) == 6


def test_a_programme_without_holds() -> None:
    case = Case(CASE.strand, Schedule.start(20).ramp(100, to=240), CASE.kinetics)
    assert "no hold" in margins_table(margins(case))


def test_bad_furnace_is_named() -> None:
    with pytest.raises(InputError, match="sensor class is 3"):
        Furnace(3)
    with pytest.raises(InputError, match="allowed: K, N"):
        Furnace(1, "S")
    with pytest.raises(InputError, match="lag is -1"):
        Furnace(lag=-1)
    with pytest.raises(InputError, match="class 1 holds from -40 to 1000"):
        Furnace(1).tolerance(1500.0)
