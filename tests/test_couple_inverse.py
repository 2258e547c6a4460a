"""The plane couple both ways: growth constants from integrated coefficients and back.

Closed form: the two functions solve one linear balance from its two ends, so the round trip is exact but
for rounding, which the spread of the constants (12 decades) may raise to about 1e-13.
"""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward.couple import growth_from_integrated, integrated_from_growth


def test_three_layers_from_very_different_constants():
    # Newton's method without a line search ran away to infinity here
    growth, x, volume = [3e-16, 7e-17, 2e-18], [0.455, 0.25, 0.212], [1.069e-5, 8.59e-6, 8.41e-6]
    integrated = integrated_from_growth(growth, volume, x, (0.98, 0.01))
    assert growth_from_integrated(integrated, volume, x, (0.98, 0.01)) == pytest.approx(growth, rel=1e-12)


@pytest.mark.parametrize("seed", range(20))
def test_round_trip_of_random_couples(seed):
    rng = np.random.default_rng(seed)
    for _ in range(50):
        layers = int(rng.integers(1, 6))
        steps = rng.uniform(0.05, 1.0, layers + 1)
        x = 1.0 - np.concatenate([[0.0], np.cumsum(steps) / steps.sum()])
        integrated = 10 ** rng.uniform(-24, -12, layers)
        volume = rng.uniform(7e-6, 17e-6, layers)
        ends = (float(x[0]), max(float(x[-1]), 0.0))
        growth = growth_from_integrated(integrated, volume, x[1:-1], ends)
        assert integrated_from_growth(growth, volume, x[1:-1], ends) == pytest.approx(integrated, rel=1e-11)
