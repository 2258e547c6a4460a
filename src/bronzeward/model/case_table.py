"""The phase table of a case: of its description, with the limit of eta that the case chooses."""

from __future__ import annotations

from dataclasses import replace

from bronzeward.inputs.case import Case
from bronzeward.materials.eta_limits import DESCRIPTION, limit_words, published_limits
from bronzeward.thermo import load_table
from bronzeward.thermo.eta_limit import peritectic_of, with_eta_limit
from bronzeward.thermo.table import PhaseTable
from bronzeward.units import ZERO_CELSIUS

SAME = 0.5
"""Limits nearer to each other than this count as one [K]."""


def case_table(case: Case, cache: bool = True) -> PhaseTable:
    """The phase table that a case runs on.

    Raises
    ------
    InputError
        When the description cannot be read, or its peritectic cannot be moved to the chosen limit.
    """
    table, kelvin = load_table(case.description, cache=cache), case.eta_limit_K
    reaction = peritectic_of(table)
    if kelvin is None or (reaction is not None and kelvin == reaction.temperature):
        return table
    moved = with_eta_limit(table, kelvin)
    assert reaction is not None
    source = [case.eta_limit] if isinstance(case.eta_limit, str) else []
    by = ", ".join([*map(limit_words, source), *source]) or "by the case"
    note = (
        f"eta: taken to be stable up to {kelvin - ZERO_CELSIUS:.1f} °C ({by}), not up to "
        f"{reaction.temperature - ZERO_CELSIUS:.1f} °C as in {table.description}"
    )
    return replace(moved, warnings=[*table.warnings, note], references=[*table.references, *source])


def other_limits(case: Case, table: PhaseTable) -> dict[str, float]:
    """Temperatures [K] up to which eta is stable by others than `table` of the case; by source, or "description"."""
    reaction = peritectic_of(table)
    if reaction is None:
        return {}
    limits = dict(published_limits())
    if case.eta_limit_K is not None:
        described = peritectic_of(load_table(case.description))
        limits |= {} if described is None else {DESCRIPTION: described.temperature}
    return {name: kelvin for name, kelvin in limits.items() if abs(kelvin - reaction.temperature) > SAME}
