"""Between which temperatures the phases of a description are stable."""

from __future__ import annotations

from functools import cache

from bronzeward.model.boundary_tables import stable_ranges
from bronzeward.thermo import load_table


@cache
def stability(description: str) -> dict[str, tuple[float, float]]:
    """Lowest and highest temperature [K] at which each phase is stable."""
    return stable_ranges(load_table(description))
