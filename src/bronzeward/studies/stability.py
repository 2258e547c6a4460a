"""Between which temperatures the phases of a description are stable."""

from __future__ import annotations

from functools import cache

import numpy as np

from bronzeward.thermo import load_table


@cache
def stability(description: str) -> dict[str, tuple[float, float]]:
    """Lowest and highest temperature [K] at which each phase is stable."""
    limits: dict[str, tuple[float, float]] = {}
    for field in load_table(description).fields:
        for label in (field.tin_side, field.copper_side):
            phase = "eta" if label == "eta_prime" else label
            low, high = limits.get(phase, (np.inf, -np.inf))
            limits[phase] = (min(low, float(field.temperature[0])), max(high, float(field.temperature[-1])))
    return limits
