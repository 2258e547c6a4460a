"""The names of invariant reactions, from what goes in and what comes out on cooling.

Three phases, following the usual terms of binary phase diagrams:

    one -> two    liquid -> solids eutectic; solid -> solids eutectoid; liquid -> liquid + solid
                  monotectic; solid -> liquid + solid metatectic
    two -> one    liquid + solid -> solid peritectic; solids -> solid peritectoid; two liquids ->
                  solid syntectic; solids -> liquid remelting
"""

from __future__ import annotations

from collections.abc import Sequence

_SPLIT = {(True, 0): "eutectic", (False, 0): "eutectoid", (True, 1): "monotectic", (False, 1): "metatectic"}
_JOIN = {(1, False): "peritectic", (0, False): "peritectoid", (2, False): "syntectic", (0, True): "remelting"}


def kind(before: Sequence[str], after: Sequence[str], x: float | None = None) -> str:
    """Kind of a reaction from the labels above (`before`) and below (`after`) its temperature.

    For one phase turning into one, `x` is its tin fraction.

    >>> kind(["liquid"], ["eta", "(Sn)"]), kind(["liquid", "epsilon"], ["eta"])
    ('eutectic', 'peritectic')
    """
    liquids = [_liquid(label) for label in before], [_liquid(label) for label in after]
    if len(before) == 1 and len(after) == 2:
        return _SPLIT.get((liquids[0][0], sum(liquids[1])), "three-phase")
    if len(before) == 2 and len(after) == 1:
        return _JOIN.get((sum(liquids[0]), liquids[1][0]), "three-phase")
    if len(before) == 1 and len(after) == 1:
        return _one_to_one(before[0], after[0], x)
    return "three-phase"


def reaction(before: Sequence[str], after: Sequence[str]) -> str:
    """The reaction on cooling, such as 'liquid -> eta + (Sn)'."""
    return f"{' + '.join(before)} -> {' + '.join(after)}"


def _one_to_one(before: str, after: str, x: float | None) -> str:
    if before == after:
        return "critical"
    if x is not None and (x < 1e-12 or x > 1 - 1e-12):
        return "melting" if _liquid(before) or _liquid(after) else "polymorphic"
    return "congruent"


def _liquid(label: str) -> bool:
    return label.startswith("liquid")
