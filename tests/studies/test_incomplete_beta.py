"""The incomplete beta function against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import betainc

from bronzeward.studies.incomplete_beta import incomplete_beta
from bronzeward.studies.quantiles import QUANTILES


@pytest.mark.parametrize(("members", "error"), [(1, 1e-14), (7, 1e-14), (39, 1e-13), (300, 1e-12), (4000, 1e-11)])
def test_at_the_quantiles_of_a_band(members: int, error: float) -> None:
    """What is left is the rounding of ln B, some ten thousand for 4,000 members, by 1e-16 of itself."""
    x = np.arange(members + 1) / members
    for quantile in QUANTILES:
        a, b = (members + 1) * quantile, (members + 1) * (1.0 - quantile)
        np.testing.assert_allclose(incomplete_beta(a, b, x), betainc(a, b, x), rtol=0.0, atol=error)


def test_at_random_shapes() -> None:
    rng = np.random.default_rng(5)
    x = np.concatenate([[0.0, 1.0], rng.random(200)])
    for a, b in 10.0 ** rng.uniform(-1.0, 3.0, (200, 2)):
        np.testing.assert_allclose(incomplete_beta(a, b, x), betainc(a, b, x), rtol=0.0, atol=1e-11)
