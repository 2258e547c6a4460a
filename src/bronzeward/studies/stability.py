"""Between which temperatures the phases of a case are stable."""

from __future__ import annotations

from functools import cache

from bronzeward.thermo import load_table
from bronzeward.thermo.eta_limit import with_eta_limit


@cache
def stability(description: str, eta_limit_K: float | None = None) -> dict[str, tuple[float, float]]:
    """Lowest and highest temperature [K] at which each phase is stable; `eta_limit_K` as in a case."""
    table = load_table(description)
    return (table if eta_limit_K is None else with_eta_limit(table, eta_limit_K)).stable_ranges
