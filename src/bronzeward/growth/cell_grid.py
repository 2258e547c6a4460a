"""Relative edges of the cells in alpha: fine at the moving interface, coarse towards the barrier."""

from __future__ import annotations

FIRST_CELL = 2e-4
"""Share of alpha in the cell next to the interface; the others grow geometrically."""


def graded_edges(cells: int) -> list[float]:
    """Edges from 0 to 1 of cells that grow geometrically from `FIRST_CELL`; equal ones if these are finer."""
    if cells * FIRST_CELL >= 1.0:
        return [k / cells for k in range(cells + 1)]
    # the last cell alone would be everything at the upper end
    low, high = 1.0 + 1e-9, (1.0 / FIRST_CELL) ** (1.0 / max(cells - 1, 1)) + 1e-9
    for _ in range(200):
        ratio = (low * high) ** 0.5
        total = FIRST_CELL * (ratio**cells - 1.0) / (ratio - 1.0)
        low, high = (ratio, high) if total < 1.0 else (low, ratio)
    return [(ratio**k - 1.0) / (ratio**cells - 1.0) for k in range(cells)] + [1.0]
