"""How far two descriptions disagree about the reactions."""

from __future__ import annotations

from dataclasses import dataclass

from bronzeward.thermo.diagram_parts import Invariant
from bronzeward.thermo.table import PhaseTable


@dataclass(frozen=True)
class Pair:
    """One reaction in two tables; None where a table lacks it.

    difference: temperature in the second less that in the first [K].
    """

    reaction: str
    first: Invariant | None
    second: Invariant | None
    difference: float | None


def compare_invariants(first: PhaseTable, second: PhaseTable) -> list[Pair]:
    """Reactions of both tables side by side, by rising temperature.

    Two are the same if they involve the same phases the same way; of several such (a phase that
    melts at both pure elements) those nearest in temperature.
    """
    rest = list(second.invariants)
    pairs = []
    for invariant in first.invariants:
        same = [other for other in rest if _key(other) == _key(invariant)]
        match = min(same, key=lambda other: abs(other.temperature - invariant.temperature), default=None)
        if match is not None:
            rest.remove(match)
        gap = None if match is None else match.temperature - invariant.temperature
        pairs.append(Pair(invariant.reaction, invariant, match, gap))
    pairs += [Pair(other.reaction, None, other, None) for other in rest]
    return sorted(pairs, key=_temperature)


def _key(invariant: Invariant) -> tuple[str, str]:
    return invariant.kind, invariant.reaction


def _temperature(pair: Pair) -> float:
    one = pair.first or pair.second
    return one.temperature if one is not None else 0.0
