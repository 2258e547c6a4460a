"""One two-phase field made dense enough for straight lines between its points.

New points are solved inside every interval and compared with the straight line between its ends.
The error of a straight line falls with the square of the interval, which says into how many
pieces the next round has to cut it for `TOLERANCE`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from bronzeward.thermo.diagram_parts import Array, Field
from bronzeward.thermo.gibbs import Phase
from bronzeward.thermo.tangent import Tangent, common_tangent
from bronzeward.thermo.tie_lines import scan
from bronzeward.units import ZERO_CELSIUS

Indices = npt.NDArray[np.intp]

TOLERANCE = 1e-6
"""Error of a straight line between neighbours that is aimed at, as a tin fraction."""

_ROUNDS = 30
_MOST_PIECES = 10

_SHORTEST_GAP = 1e-4
"""The same for a miscibility gap, whose ends cannot be told apart so near its critical point."""

_MOST_POINTS = 4_000

_SHORTEST = 1e-6
"""Interval [K] that is not cut any further: beside a root a straight line is as good as it gets."""

_SMALL = 1e-3
"""Change of composition over an interval below which a point in it may be interpolated unsaid."""


@dataclass
class Run:
    """The life of one tie-line: its phases, its ends and what the scan saw between them.

    rooted: whether it ends at a congruent or critical point.
    """

    a: int
    b: int
    t: list[float] = field(default_factory=list)
    x_a: list[float] = field(default_factory=list)
    x_b: list[float] = field(default_factory=list)
    rooted_low: bool = False
    rooted_high: bool = False

    def add(self, t: float, x_a: float, x_b: float) -> None:
        """One more point, at a higher temperature."""
        self.t.append(t)
        self.x_a.append(x_a)
        self.x_b.append(x_b)


class Points(NamedTuple):
    """New points: the interval each lies in, its temperature, the straight line's and the start values."""

    place: Indices
    t: Array
    line_a: Array
    line_b: Array
    start_a: Array
    start_b: Array


def refined(phases: Sequence[Phase], run: Run, warnings: list[str]) -> Field:
    """The field of a tie-line's life, dense enough; says in `warnings` where no tangent was found."""
    a, b = phases[run.a], phases[run.b]
    known = tuple(np.array(values) for values in (run.t, run.x_a, run.x_b))
    if a.line and b.line:
        known = tuple(values[[0, -1]] for values in known)
        return Field(b.label, a.label, known[0], known[2], known[1])
    pieces = np.full(known[0].size - 1, 2)
    for _ in range(_ROUNDS):
        if not np.any(pieces > 1):
            break
        if pieces.sum() > _MOST_POINTS:
            warnings.append(f"{a.label} + {b.label}: boundaries too rough to follow to {TOLERANCE:g}")
            break
        points = _between(run, known, pieces)
        x_a, x_b = _solved(phases, run, known, points, warnings)
        error = np.zeros(pieces.size)
        miss = np.maximum(np.abs(x_a - points.line_a), np.abs(x_b - points.line_b))
        np.maximum.at(error, points.place, miss)
        where = points.place + 1
        known = tuple(np.insert(old, where, new) for old, new in zip(known, (points.t, x_a, x_b), strict=True))
        pieces = np.repeat(_pieces(error, pieces), pieces)
        pieces[np.diff(known[0]) < (_SHORTEST if run.a != run.b else _SHORTEST_GAP)] = 1
    return Field(b.label, a.label, known[0], known[2], known[1])


def _pieces(error: Array, pieces: Indices) -> Indices:
    """Into how many each part of an interval has to be cut, from the error over the whole of it."""
    expected = error / pieces**2
    needed = np.ceil(np.sqrt(expected / TOLERANCE)).astype(int)
    return np.where(expected > TOLERANCE, np.clip(needed, 2, _MOST_PIECES), 1)


def _between(run: Run, known: tuple[Array, ...], pieces: Indices) -> Points:
    """Evenly spaced points that cut each interval into so many pieces.

    Beside a congruent point, where compositions leave like the square root of the temperature
    difference, there is one point, at a sixteenth of the interval and a quarter of the way.
    """
    rooted = np.zeros(pieces.size, dtype=bool)
    rooted[0], rooted[-1] = run.rooted_low, run.rooted_high
    pieces[rooted & (pieces > 1)] = 2
    place = np.repeat(np.arange(pieces.size), pieces - 1)
    first = np.repeat(np.cumsum(pieces - 1) - (pieces - 1), pieces - 1)
    share = (np.arange(place.size) - first + 1) / pieces[place]
    bend = share.copy()
    if run.rooted_low:
        share[place == 0], bend[place == 0] = 1 / 16, 1 / 4
    if run.rooted_high:
        last = place == pieces.size - 1
        share[last], bend[last] = 15 / 16, 3 / 4
    t, x_a, x_b = known
    rise_a, rise_b = np.diff(x_a)[place], np.diff(x_b)[place]
    return Points(
        place,
        t[place] + share * np.diff(t)[place],
        x_a[place] + share * rise_a,
        x_b[place] + share * rise_b,
        x_a[place] + bend * rise_a,
        x_b[place] + bend * rise_b,
    )


def _solved(
    phases: Sequence[Phase], run: Run, known: tuple[Array, ...], points: Points, warnings: list[str]
) -> tuple[Array, Array]:
    """Compositions at new points by common tangents; the start values where there is none to be had."""
    a, b = phases[run.a], phases[run.b]
    tangent = common_tangent(a, b, points.t, points.start_a, points.start_b)
    if not tangent.ok.all():
        tangent = _retried(a, b, tangent, known, points)
    if not tangent.ok.all():
        tangent = _scanned(phases, run, points.t, tangent)
    lost = ~tangent.ok & (np.abs(np.diff(known[1])[points.place]) > _SMALL)
    if lost.any():
        warnings.append(
            f"{a.label} + {b.label}: no tangent at {lost.sum()} of {lost.size} temperatures "
            f"near {points.t[lost][0] - ZERO_CELSIUS:.3f} °C, interpolated"
        )
    return np.where(tangent.ok, tangent.x_a, points.start_a), np.where(tangent.ok, tangent.x_b, points.start_b)


def _retried(a: Phase, b: Phase, tangent: Tangent, known: tuple[Array, ...], points: Points) -> Tangent:
    """Tangents that Newton missed, filled in from the neighbour whose phases lie further apart."""
    _, x_a, x_b = known
    missed = np.flatnonzero(~tangent.ok)
    left = points.place[missed]
    wide = left + (x_b[left + 1] - x_a[left + 1] > x_b[left] - x_a[left])
    again = common_tangent(a, b, points.t[missed], x_a[wide], x_b[wide])
    for values, fresh in zip(tangent, again, strict=True):
        values[missed] = fresh
    return tangent


def _scanned(phases: Sequence[Phase], run: Run, t: Array, tangent: Tangent) -> Tangent:
    """Tangents that Newton missed from the neighbours' mean, taken from a scan of the whole system."""
    x_a, x_b, ok = tangent.x_a.copy(), tangent.x_b.copy(), tangent.ok.copy()
    missed = np.flatnonzero(~ok)
    for k, lines in zip(missed, scan(phases, t[missed]).lines, strict=True):
        alike = [line for line in lines if line.pair == (run.a, run.b)]
        if alike:
            best = min(alike, key=lambda line: abs(line.x_a - x_a[k]) + abs(line.x_b - x_b[k]))
            x_a[k], x_b[k], ok[k] = best.x_a, best.x_b, True
    return tangent._replace(x_a=x_a, x_b=x_b, ok=ok)
