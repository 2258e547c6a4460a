"""What published values err by themselves, and which of them are no observations of what the model states.

The judgement is that of `databases/assessment.toml`, as for the evidence that the default constants rest on: an error
by how a value was seen, and what comes on top for solders, films, strands, powders and liquids.
"""

from __future__ import annotations

from math import hypot, log

from bronzeward.validation.check import Check
from bronzeward.validation.evidence import judgement

FACTOR, ENERGY, VOLUME, EXPANSION = ("factor", "energy", "volume", "expansion")
"""What an error is of: ln K, an energy [kJ/mol], and volumes and expansions over themselves."""


def own_error(check: Check, of: str) -> float:
    """One standard deviation of a published value: of ln K for `FACTOR`, kJ/mol for `ENERGY`, else a share of it."""
    apart = _apart(check)
    parts = [judgement()["seen"][check.seen], *([judgement()["apart"][apart]] if apart else [])]
    return hypot(*(log(part.get(of, 1.0)) if of == FACTOR else part.get(of, 0.0) for part in parts))


def _apart(check: Check) -> str:
    """The name of what comes on top; empty where nothing does."""
    for piece in judgement()["evidence"]:
        if check.id in piece.get("checks", ()):
            return str(piece["apart"])
    return str(judgement()["apart_of"].get(check.id, ""))


def why_not_counted(check: Check) -> str:
    """Why a value is left out where those inside the bands are counted; empty where it counts."""
    return str(judgement()["not_counted"].get(check.id, ""))
