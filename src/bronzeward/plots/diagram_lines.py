"""The lines of a phase diagram in at.% tin and °C: views, boundaries, compounds and reactions."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from bronzeward.thermo.table import PhaseTable
from bronzeward.units import ZERO_CELSIUS

Array = npt.NDArray[np.float64]


class View(NamedTuple):
    """What part is drawn: tin [at.%] and temperature [°C]."""

    x: tuple[float, float]
    t: tuple[float, float]

    @property
    def width(self) -> float:
        """Tin [at.%] from edge to edge."""
        return self.x[1] - self.x[0]

    @property
    def height(self) -> float:
        """Temperature [K] from edge to edge."""
        return self.t[1] - self.t[0]


VIEWS: dict[str | None, View] = {
    None: View((0.0, 100.0), (100.0, 1120.0)),
    "tin": View((94.0, 100.0), (190.0, 310.0)),
    "copper": View((0.0, 32.0), (300.0, 1100.0)),
}


class Compound(NamedTuple):
    """A line compound in view: tin [at.%], lowest and highest temperature [°C]."""

    label: str
    x: float
    low: float
    high: float


def heights(table: PhaseTable, k: int, view: View, most: int = 60) -> Array:
    """Temperatures [°C] at which to draw one interval, none where it is out of view."""
    low, high = (t - ZERO_CELSIUS for t in table.interval(k))
    low, high = max(low, view.t[0]), min(high, view.t[1])
    if high <= low:
        return np.empty(0)
    # closer at both ends, where fields close like a root
    return low + (high - low) * 0.5 * (1 - np.cos(np.pi * np.linspace(0, 1, most)))


def horizontals(table: PhaseTable) -> list[tuple[float, float, float, bool]]:
    """Lines of the reactions: from and to [at.%], temperature [°C], solid (dashed: a change of form)."""
    lines: list[tuple[float, float, float, bool]] = []
    for reaction in table.invariants:
        t = reaction.temperature
        if len(reaction.x_sn) > 2:
            lines.append((100 * min(reaction.x_sn), 100 * max(reaction.x_sn), t - ZERO_CELSIUS, True))
        elif reaction.kind == "polymorphic":
            for field in table.fields:
                if field.temperature[-1] == t:
                    ends = 100 * field.x_copper_side[-1], 100 * field.x_tin_side[-1]
                    lines.append((float(ends[0]), float(ends[1]), t - ZERO_CELSIUS, False))
    return lines


def compounds(table: PhaseTable, view: View) -> list[Compound]:
    """Line compounds in view."""
    spans: dict[str, Compound] = {}
    for field in table.fields:
        low, high = (float(field.temperature[k]) - ZERO_CELSIUS for k in (0, -1))
        for label, x in ((field.copper_side, field.x_copper_side), (field.tin_side, field.x_tin_side)):
            if np.ptp(x) < 1e-9 and 1e-6 < x[0] < 1 - 1e-6:
                known = spans.get(label, Compound(label, 100 * float(x[0]), low, high))
                spans[label] = known._replace(low=min(known.low, low), high=max(known.high, high))
    seen = [c._replace(low=max(c.low, view.t[0]), high=min(c.high, view.t[1])) for c in spans.values()]
    return [c for c in seen if view.x[0] <= c.x <= view.x[1] and c.high > c.low]


def places_on_lines(table: PhaseTable, view: View) -> Array:
    """Closely spaced places on every boundary and horizontal in view, [at.%] and [°C], shape (2, n)."""
    fine = np.linspace(*view.t, 400)
    parts = [np.empty((2, 0))]
    for field in table.fields:
        t = field.temperature - ZERO_CELSIUS
        rows = fine[(fine >= t[0]) & (fine <= t[-1])]
        parts += [np.stack([100 * np.interp(rows, t, x), rows]) for x in (field.x_copper_side, field.x_tin_side)]
    for x0, x1, level, _ in horizontals(table):
        x = np.arange(max(x0, view.x[0]), min(x1, view.x[1]), view.width / 300)
        parts.append(np.stack([x, np.full(x.size, level)]))
    return np.concatenate(parts, axis=1)
