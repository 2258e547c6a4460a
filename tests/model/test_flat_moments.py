"""The moment of least copper between rows, and answers read there that mean little, against sums done by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from bronzeward.materials.phases import PHASES
from bronzeward.model.answers import ANSWERS
from bronzeward.model.course import Course
from bronzeward.model.flat_moments import flat_answers, flat_words
from closeness import close

HOURS = np.array([0.0, 1.0, 2.0, 4.0, 5.0, 6.0])


def history(copper: Any, liquid: Any, kelvin: Any = None, events: tuple[int, ...] = (), offset: float = 0.0) -> Any:
    """Columns of a run with this copper [m] and this share of the tin liquid at `HOURS` [s]."""
    thickness = np.zeros((len(HOURS), len(PHASES)))
    thickness[:, PHASES.index("alpha")] = copper
    liquid = np.asarray(liquid, dtype=float)
    return {
        "time": HOURS, "temperature": 500.0 - 3.0 * HOURS if kelvin is None else np.asarray(kelvin, dtype=float),
        "thickness": thickness, "liquid_mole_fraction": 0.1 * liquid, "liquid_tin_fraction": liquid,
        "event_row": np.array(events), "event_name": np.array(["eta appears"] * len(events)), "core_offset_m": offset,
    }  # fmt: skip


def answers(columns: Any) -> list[float]:
    names = ("copper_left_with_liquid", "copper_left_time", "copper_left_temperature", "copper_left_liquid")
    course = Course(columns)
    return [float(ANSWERS[name].rule(course)[0]) for name in names]


def test_the_least_of_a_parabola_lies_between_rows() -> None:
    """Three points on a parabola give its vertex, and what is straight or a parabola is read there as it is."""
    copper = 2e-6 + 1e-7 * (HOURS - 2.7) ** 2
    liquid = 0.9 - 0.1 * HOURS + 0.002 * HOURS**2
    at = 0.9 - 0.27 + 0.002 * 2.7**2
    assert answers(history(copper, liquid)) == pytest.approx([2e-6, 2.7, 500.0 - 3.0 * 2.7, at], rel=1e-12, abs=0.0)


def test_nothing_is_laid_through_an_event_or_a_bend_of_the_schedule() -> None:
    copper = 2e-6 + 1e-7 * (HOURS - 2.2) ** 2
    liquid = 0.9 - 0.1 * HOURS
    for rows in (2, 3):
        # the event parts the rows before it from those after; on either side of it the parabola still serves
        found = answers(history(copper, liquid, events=(rows,)))
        assert found[1] in (close(2.0), close(2.2))
    bent = np.where(HOURS < 2.0, 500.0, 500.0 - 10.0 * (HOURS - 2.0))
    bent[3:] = 470.0
    assert answers(history(copper, liquid, bent))[1] == 2.0


def test_copper_that_is_gone_is_told_from_its_first_row() -> None:
    copper = np.array([3e-6, 2e-6, 1e-6, 0.0, 0.0, 0.0])
    found = answers(history(copper, [0.5, 0.4, 0.3, 0.2, 0.1, 0.0]))
    assert found == [0.0, 4.0, 500.0 - 12.0, 0.2]


def test_a_flat_least_is_told() -> None:
    """Copper within 1e-4 of the core's radius of its least from 1.7 to 3.7: the liquid falls from 0.73 to 0.53."""
    radius, bend = 1e-3, 1e-7
    copper = 2e-4 + bend * (HOURS - 2.7) ** 2
    columns = history(copper, 0.9 - 0.1 * HOURS)
    # straight between rows, the copper is at the level where the chords are
    level = 2e-4 + 1e-7
    start = 1.0 + (copper[1] - level) / (copper[1] - copper[2])
    end = 2.0 + 2.0 * (level - copper[2]) / (copper[3] - copper[2])
    flat = flat_answers(columns, radius)
    assert list(flat) == ["copper_left_liquid"]
    assert flat["copper_left_liquid"] == pytest.approx((0.9 - 0.1 * end, 0.9 - 0.1 * start), rel=1e-9, abs=0.0)
    words = flat_words(flat)
    assert len(words) == 1
    assert "ill-conditioned" in words[0]
    # a steep least is not: 0.0001 of a radius is passed in a thousandth of the time
    assert flat_answers(history(2e-4 + 1e-3 * (HOURS - 2.0) ** 2, 0.9 - 0.1 * HOURS), radius) == {}
    # nor is a flat one while the liquid stays
    assert flat_answers(history(copper, np.full(6, 0.4)), radius) == {}
    assert flat_words({}) == []


def test_only_liquid_of_the_same_stretch_counts() -> None:
    """Rows before tin melts or after it has frozen hold no liquid, and are no doubt about it."""
    copper = np.full(6, 2e-4)
    copper[2] -= 1e-9
    assert flat_answers(history(copper, [0.0, 0.0, 0.4, 0.4, 0.0, 0.3], events=(2, 3, 4)), 1e-3) == {}
    assert flat_answers(history(copper, [0.0] * 6), 1e-3) == {}
