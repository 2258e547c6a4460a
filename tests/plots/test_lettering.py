"""Marks spread apart."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from bronzeward.plots.lettering import spread_out


@given(st.lists(st.floats(0.0, 1.0), max_size=20), st.floats(0.001, 0.05))
def test_marks_are_spread_apart_in_order_and_stay_inside(places, distance):
    spread = spread_out(sorted(places), distance)
    assert len(spread) == len(places)
    for one, other in pairwise(spread):
        assert other - one >= distance * (1 - 1e-9)
    assert all(-1e-9 <= place <= 1 + 1e-9 for place in spread)


def test_marks_pushed_back_from_the_end_push_on():
    places = [0.70, 0.93, 0.95, 0.97, 0.98, 0.99, 1.0]
    spread = spread_out(places, 0.05)
    np.testing.assert_allclose(spread, [0.70, 0.75, 0.80, 0.85, 0.90, 0.95, 1.0])
    np.testing.assert_allclose(spread_out([0.72, *places[1:]], 0.05), spread)


def test_marks_that_lie_apart_stay_where_they_are():
    assert spread_out([0.1, 0.5, 0.9], 0.05) == [0.1, 0.5, 0.9]
    np.testing.assert_allclose(spread_out([0.5, 0.5], 0.1), [0.45, 0.55])
