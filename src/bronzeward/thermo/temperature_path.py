"""What is stable along a change of temperature at fixed composition."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from bronzeward.errors import InputError
from bronzeward.thermo.table import PhaseTable


@dataclass(frozen=True)
class Stretch:
    """One stretch of a path with one set of phases, between two temperatures [K].

    phases: labels from the tin side to the copper side. Then, for each phase in that order, its
    mole fraction and its tin fraction at both ends of the stretch.
    """

    from_temperature: float
    to_temperature: float
    phases: tuple[str, ...]
    start_fraction: tuple[float, ...]
    end_fraction: tuple[float, ...]
    start_x_sn: tuple[float, ...]
    end_x_sn: tuple[float, ...]

    def reversed(self) -> Stretch:
        """The same stretch walked the other way."""
        ends = self.to_temperature, self.from_temperature
        return Stretch(*ends, self.phases, self.end_fraction, self.start_fraction, self.end_x_sn, self.start_x_sn)


def phases_along(table: PhaseTable, temperatures: npt.ArrayLike, x_sn: float) -> list[Stretch]:
    """The sets of phases met along a sequence of temperatures [K] at one tin fraction, at equilibrium.

    Between neighbouring temperatures the path is straight, and every change of phases on it is
    found, however far apart they are. A single temperature gives one stretch of no length.
    Raises InputError outside the table.
    """
    path = np.atleast_1d(np.asarray(temperatures, dtype=float))
    if path.ndim != 1 or not path.size:
        raise InputError("a path needs at least one temperature")
    table.fractions(path, x_sn)
    if path.size == 1:
        return [_stretch(table, float(path[0]), float(path[0]), x_sn)]
    return [one for start, end in pairwise(path) for one in _leg(table, float(start), float(end), x_sn)]


def _leg(table: PhaseTable, start: float, end: float, x: float) -> list[Stretch]:
    """Stretches of one straight leg."""
    low, high = min(start, end), max(start, end)
    knots = [low, *[t for t in _changes(table, x) if low < t < high], high]
    pieces: list[Stretch] = []
    for one, other in pairwise(knots):
        piece = _stretch(table, one, other, x)
        if pieces and pieces[-1].phases == piece.phases and _continues(pieces[-1], piece):
            last = pieces.pop()
            piece = replace(
                piece,
                from_temperature=last.from_temperature,
                start_fraction=last.start_fraction,
                start_x_sn=last.start_x_sn,
            )
        pieces.append(piece)
    return pieces if start <= end else [piece.reversed() for piece in pieces[::-1]]


def _stretch(table: PhaseTable, low: float, high: float, x: float) -> Stretch:
    """The stretch between two temperatures with no change in between, its ends taken just inside."""
    edge = 1e-9 * (high - low)
    fraction, tin = table.amounts(np.array([0.5 * (low + high), low + edge, high - edge]), x)
    stable = np.flatnonzero(fraction[0] > 1e-12)
    labels = tuple(table.phases[k] for k in stable)
    start, end = (tuple(column[stable].tolist()) for column in fraction[1:])
    start_x, end_x = (tuple(column[stable].tolist()) for column in tin[1:])
    return Stretch(low, high, labels, start, end, start_x, end_x)


def _continues(one: Stretch, other: Stretch) -> bool:
    """Whether nothing jumps between the end of one stretch and the start of the next."""
    return bool(np.allclose(one.end_fraction, other.start_fraction, rtol=0, atol=1e-6))


def _changes(table: PhaseTable, x: float) -> list[float]:
    """Temperatures at which the set of phases of a composition changes or may change."""
    temperatures = [invariant.temperature for invariant in table.invariants]
    for field in table.fields:
        for curve in (field.x_copper_side, field.x_tin_side):
            gap = curve - x
            places = np.flatnonzero(gap[:-1] * gap[1:] < 0)
            share = gap[places] / (gap[places] - gap[places + 1])
            temperatures += (field.temperature[places] + share * np.diff(field.temperature)[places]).tolist()
    return sorted(set(temperatures))
