"""The tie-lines of the whole system at given temperatures: which phases coexist, and their compositions.

At each temperature every phase is sampled over its composition range and the lower convex hull
gives the coexisting pairs roughly; common tangents make them exact. Then both errors that
sampling can make are mended: a phase that the exact tangents exclude is dropped, and a phase
that dips below a tangent between sample points is put in.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from bronzeward.thermo.diagram_parts import Array
from bronzeward.thermo.gibbs import Phase
from bronzeward.thermo.hull import lower_hull
from bronzeward.thermo.tangent import common_tangent, moved

_DIP = 5.0
"""Height of a sample above a tangent [J/mol] below which the phase may dip under it between samples."""

_SCAN_ROUNDS = 3


class Line(NamedTuple):
    """One tie-line: indices of the copper-side and tin-side phase, their tin fractions, the tangent."""

    a: int
    x_a: float
    b: int
    x_b: float
    origin: float
    slope: float

    @property
    def pair(self) -> tuple[int, int]:
        """The two phases, copper side first."""
        return self.a, self.b


class Scan(NamedTuple):
    """Tie-lines at each temperature, from the copper side to the tin side, and how near others are.

    `distance` has shape (n_temperatures, n_phases): Gibbs energy [J/mol] by which a phase lies
    above the stable state of its own composition, where that is least; zero where it is stable.
    """

    temperature: Array
    lines: list[list[Line]]
    distance: Array


def grid(phase: Phase, points: int, also: Array) -> Array:
    """Tin fractions at which a phase is sampled: even, and logarithmic towards both ends.

    And `also` at those of the line compounds, so that a compound is set against it where it lies.
    """
    if phase.line:
        return np.array([phase.x_low])
    ends = np.geomspace(1e-12, 0.5 / points, 24)
    even = np.linspace(0, 1, points + 1)[1:-1]
    share = np.concatenate([[0.0], ends, even, 1 - ends[::-1], [1.0]])
    inside = also[(also > phase.x_low) & (also < phase.x_high)]
    return np.union1d(phase.x_low + (phase.x_high - phase.x_low) * share, inside)


def scan(phases: Sequence[Phase], temperature: Array, points: int = 160) -> Scan:
    """All tie-lines at temperatures [K], shape (n,)."""
    t = np.atleast_1d(np.asarray(temperature, dtype=float))
    fixed = np.array([phase.x_low for phase in phases if phase.line])
    grids = [grid(phase, points, fixed) for phase in phases]
    samples = [_sample(phase, t, x) for phase, x in zip(phases, grids, strict=True)]
    distance = np.empty((t.size, len(phases)))
    rough = [_rough(grids, [sample[k] for sample in samples], distance[k]) for k in range(t.size)]
    lines = [_convex(phases, tk, exact) for tk, exact in zip(t, _exact(phases, t, rough), strict=True)]
    for _ in range(4):
        if not _mend(phases, t, lines, grids, samples):
            break
    return Scan(t, lines, distance)


def _sample(phase: Phase, t: Array, x: Array) -> Array:
    """Energies on the grid, shape (n_temperatures, n_grid)."""
    energy = phase.at(np.repeat(t, x.size), np.tile(x, t.size), rounds=_SCAN_ROUNDS).energy
    return energy.reshape(t.size, x.size)


def _rough(grids: list[Array], energies: list[Array], distance: Array) -> list[Line]:
    """Pairs of coexisting phases from the hull of the samples at one temperature; fills `distance`."""
    x = np.concatenate(grids)
    g = np.concatenate(energies)
    owner = np.concatenate([np.full(grid.size, k) for k, grid in enumerate(grids)])
    place = np.concatenate([np.arange(grid.size) for grid in grids])
    order = np.lexsort((g, x))
    order = order[np.concatenate([[True], np.diff(x[order]) > 0])]
    kept = order[lower_hull(x[order], g[order])]
    heights = g - np.interp(x, x[kept], g[kept])
    starts = np.concatenate([[0], np.cumsum([grid.size for grid in grids])[:-1]])
    distance[:] = np.minimum.reduceat(heights, starts)
    first, last = kept[:-1], kept[1:]
    gap = (owner[first] != owner[last]) | (place[last] - place[first] > 1)
    lines = []
    for i, j in zip(first[gap], last[gap], strict=True):
        a, b = int(owner[i]), int(owner[j])
        if a == b and not _concave(grids[a], energies[a], int(place[i]), int(place[j])):
            continue
        slope = (g[j] - g[i]) / (x[j] - x[i])
        lines.append(Line(a, float(x[i]), b, float(x[j]), float(g[i] - slope * x[i]), float(slope)))
    return lines


def _concave(x: Array, g: Array, i: int, j: int) -> bool:
    """Whether the energy rises above its chord between two sample points (beyond rounding)."""
    chord = g[i] + (g[j] - g[i]) * (x[i : j + 1] - x[i]) / (x[j] - x[i])
    return bool(np.max(g[i : j + 1] - chord) > 1e-6)


def _exact(phases: Sequence[Phase], t: Array, rough: list[list[Line]]) -> list[list[Line]]:
    """The same tie-lines with exact compositions, pair by pair over all temperatures."""
    places: dict[tuple[int, int], list[tuple[int, int]]] = defaultdict(list)
    for k, lines in enumerate(rough):
        for m, line in enumerate(lines):
            places[line.pair].append((k, m))
    result = [list(lines) for lines in rough]
    for (a, b), where in places.items():
        rows = np.array([k for k, _ in where])
        start_a = np.array([rough[k][m].x_a for k, m in where])
        start_b = np.array([rough[k][m].x_b for k, m in where])
        tangent = common_tangent(phases[a], phases[b], t[rows], start_a, start_b)
        for i in np.flatnonzero(tangent.ok):
            k, m = where[i]
            result[k][m] = Line(
                a, float(tangent.x_a[i]), b, float(tangent.x_b[i]), float(tangent.origin[i]), float(tangent.slope[i])
            )
    return result


def _convex(phases: Sequence[Phase], t: float, lines: list[Line]) -> list[Line]:
    """Drop phases whose two tie-lines cross, joining their neighbours, until slopes rise with x."""
    lines = list(lines)
    k = 0
    while k < len(lines) - 1:
        left, right = lines[k], lines[k + 1]
        if left.b == right.a and left.slope >= right.slope and left.a != right.b:
            one = _exact(phases, np.array([t]), [[Line(left.a, left.x_a, right.b, right.x_b, 0.0, 0.0)]])
            lines[k : k + 2] = one[0]
            k = max(k - 1, 0)
        else:
            k += 1
    return lines


def _mend(
    phases: Sequence[Phase],
    t: Array,
    lines: list[list[Line]],
    grids: list[Array],
    samples: list[Array],
) -> bool:
    """Put in phases that dip below a tangent between samples; says whether any was put in."""
    rows = np.array([k for k, row in enumerate(lines) for _ in row], dtype=int)
    flat = [line for row in lines for line in row]
    if not flat:
        return False
    origin, slope = np.array([line.origin for line in flat]), np.array([line.slope for line in flat])
    ends = [np.array([line.a for line in flat]), np.array([line.b for line in flat])]
    spans = np.array([line.x_a for line in flat]), np.array([line.x_b for line in flat])
    inserts: dict[int, list[tuple[float, int, float]]] = defaultdict(list)
    for p, phase in enumerate(phases):
        other = np.flatnonzero((ends[0] != p) & (ends[1] != p))
        if not other.size:
            continue
        least, x = _lowest(phase, t, rows[other], grids[p], samples[p], origin[other], slope[other])
        within = (x > spans[0][other]) & (x < spans[1][other])
        for i in np.flatnonzero((least < -1e-7) & within):
            inserts[int(other[i])].append((float(least[i]), p, float(x[i])))
    for index, dips in inserts.items():
        k = int(rows[index])
        _, p, x_p = min(dips)
        line = flat[index]
        if line not in lines[k]:
            continue  # gone with another phase put in beside it; the next round looks again
        two = [Line(line.a, line.x_a, p, x_p, 0.0, 0.0), Line(p, x_p, line.b, line.x_b, 0.0, 0.0)]
        place = lines[k].index(line)
        lines[k][place : place + 1] = _exact(phases, t[[k]], [two])[0]
        lines[k] = _convex(phases, float(t[k]), lines[k])
    return bool(inserts)


def _lowest(
    phase: Phase, t: Array, rows: npt.NDArray[np.int_], x: Array, sample: Array, origin: Array, slope: Array
) -> tuple[Array, Array]:
    """Least height of a phase above each tangent, and where; exact where the sample comes close."""
    height = sample[rows] - origin[:, None] - slope[:, None] * x
    place = np.argmin(height, axis=1)
    least, where = height[np.arange(rows.size), place], x[place]
    if phase.line:
        return least, where
    close = np.flatnonzero(least < _DIP)
    if close.size:
        tc, xc = t[rows[close]], where[close]
        for _ in range(8):
            state = phase.at(tc, xc)
            with np.errstate(divide="ignore", invalid="ignore"):
                step = np.where(state.curvature > 0, (slope[close] - state.slope) / state.curvature, 0.0)
            xc, _ = moved(phase, xc, step)
        exact = phase.at(tc, xc).energy - origin[close] - slope[close] * xc
        better = exact <= least[close]
        least[close[better]], where[close[better]] = exact[better], xc[better]
    return least, where
