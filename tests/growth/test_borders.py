"""Interfaces that pass from zone to zone: where in a step they do, and that steps end there."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from bronzeward.growth import borders, engine
from bronzeward.growth.problem import Problem
from bronzeward.growth.slots import ALPHA, CORE, EPSILON, ETA
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import BEHIND_SHELL, Strand
from bronzeward.model.problem_builder import zone_table
from growth_cases import problem_of, run_plain
from growth_pieces import work

PACK = Strand.round(24, 30, [(60, 0.2)])
GROWS = Schedule.start(200).hold(200)


@pytest.fixture
def p() -> Problem:
    """Three zones with borders at areas of 3 and 4 of 10; every phase has a volume of one."""
    zones = {name: np.ones(3) for name in ("zone_offset", "zone_factor", "zone_shift")}
    start = problem_of(Strand.round(24, 44), GROWS)
    volumes = {"volume": np.ones(9), "volume_slope": np.zeros(9)}
    return start._replace(zone_area=np.array([0.0, 3.0, 4.0]), area=10.0, **volumes, **zones)


def grown(p: Problem, before: tuple[float, ...], after: tuple[float, ...]) -> Any:
    """Work space of layers with these amounts at the start of a step and now."""
    layers = (CORE, ETA, EPSILON, ALPHA)
    w = work(p, *layers)
    w.n_start[list(layers)], w.n[list(layers)] = before, after
    return w


@pytest.mark.parametrize("behind", [0, 1])
@pytest.mark.parametrize(
    ("before", "after", "share"),
    [
        ((2.0, 0.5, 0.1, 7.4), (2.0, 0.8, 0.1, 7.1), 1.0),  # 2.5 to 2.8 and 2.6 to 2.9
        ((2.0, 0.5, 0.1, 7.4), (2.0, 0.9, 0.2, 6.9), 0.8),  # the third layer's outer side passes 3
        ((2.0, 0.5, 0.1, 7.4), (1.0, 2.2, 0.3, 6.5), 4 / 9),  # both pass, and 2.6 to 3.5 is the first
        ((2.0, 0.5, 0.1, 7.4), (2.0, 2.3, 0.2, 5.5), 0.4 / 1.9),  # over both borders
        ((3.5, 0.2, 0.2, 6.1), (2.5, 1.2, 0.2, 6.1), 0.5),  # inwards
        ((3.0, 0.2, 0.2, 6.6), (3.2, 0.1, 0.1, 6.6), 1.0),  # lies on one at the start
        ((2.0, 0.99995, 0.1, 6.9), (2.0, 1.09995, 0.1, 6.8), 1.0),  # less than a thousandth before it
        ((2.0, 0.50005, 0.1, 7.4), (2.0, 1.00005, 0.1, 6.9), 0.4 / 0.5),
    ],
)
def test_where_in_a_step_a_border_is_passed(
    p: Problem, before: tuple[float, ...], after: tuple[float, ...], share: float, behind: int
) -> None:
    w = grown(p, before, after)
    assert borders.first_border(p._replace(void_outside=behind), w, 4) == pytest.approx(share, abs=1e-3)


def test_there_are_no_borders_in_a_plane_couple(p: Problem) -> None:
    w = grown(p, (2.0, 0.5, 0.1, 7.4), (2.0, 0.9, 0.2, 6.9))
    assert borders.first_border(p._replace(plane=1), w, 4) == 1.0


def test_a_core_in_a_sleeve_has_no_border() -> None:
    """All of it is one zone, as dense as the other."""
    assert len(zone_table(Strand.round(24, 44))["zone_area"]) == 1
    inner, outer = zone_table(PACK)["zone_area"]
    assert (inner, outer) == (0.0, pytest.approx(np.pi * 15e-6**2))


@pytest.mark.parametrize("place", ["core", BEHIND_SHELL])
def test_steps_end_where_the_shell_enters_the_pack(place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of every layer that grows out of the sleeve, one row has its outer side at the border."""
    monkeypatch.setattr(engine, "FELT", 0.0)
    problem = problem_of(Strand.round(24, 25, [(60, 0.1)], void_place=place), GROWS, longest_step=np.inf)
    run = run_plain(problem)
    assert run.complaints() == []
    border, volume = problem.zone_area[1], np.array(problem.volume)
    outward = np.cumsum(run.amount * volume, axis=1)
    inward = problem.area - outward[:, -1:] - run.tin @ np.array(problem.volume_slope)[:, None] + outward
    for slot in (CORE, ETA, EPSILON):
        side = (outward if problem.void_outside else inward)[:, slot]
        if not side[1] < border < side[-1]:
            continue
        k = int(np.flatnonzero(side > border)[0])
        # closer than a thousandth of either step that meets there
        assert np.abs(side - border).min() <= 1.01e-3 * max(side[k] - side[k - 1], side[k - 1] - side[k - 2])
    passed = (outward if problem.void_outside else inward)[:, EPSILON]
    assert passed[1] < border < passed[-1]
