"""The table of a description with the peritectic of eta at another temperature.

Sources disagree by some kelvin about where eta melts, and the description fits one of them. The others are
tried by drawing the temperature scale out near that reaction: the three two-phase fields that meet in it keep their
compositions, only the temperatures at which they have them move, by all of the shift at the reaction itself and
by nothing from `REACH` away. All other boundaries stay. So every lever rule at the reaction is that of the
description, the boundaries still meet in it, and nothing is extrapolated.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bronzeward.errors import InputError
from bronzeward.materials.phases import LIQUID
from bronzeward.thermo.diagram_parts import Array, Field, Invariant
from bronzeward.thermo.table import MERGED, PhaseTable, Width
from bronzeward.units import ZERO_CELSIUS

FARTHEST = 15.0
"""A shift beyond this is another diagram, not a doubt about this one [K]."""

REACH = 40.0
"""Boundaries this far from the reaction stay where they are [K]."""

PARTNERS = frozenset((LIQUID, "eta", "epsilon"))


def peritectic_of(table: PhaseTable) -> Invariant | None:
    """The reaction of liquid and epsilon to eta; None where a description has none."""
    for invariant in table.invariants:
        if _labels(invariant.phases) == PARTNERS:
            return invariant
    return None


def with_eta_limit(table: PhaseTable, kelvin: float) -> PhaseTable:
    """The same table with eta stable up to `kelvin` [K].

    Raises
    ------
    InputError
        When the description has no such reaction, or the temperature lies more than `FARTHEST` from it or
        beyond a neighbouring reaction.
    """
    reaction = peritectic_of(table)
    if reaction is None:
        raise InputError(f"thermodynamics: {table.description} has no peritectic of eta; leave out eta_limit")
    place = table.invariants.index(reaction)
    low, high = table.interval(place)[0], table.interval(place + 1)[1]
    low, high = max(low, reaction.temperature - FARTHEST), min(high, reaction.temperature + FARTHEST)
    if not low < kelvin < high:
        raise InputError(
            f"thermodynamics: eta_limit is {kelvin - ZERO_CELSIUS:.1f} °C; with {table.description}, which has "
            f"{reaction.temperature - ZERO_CELSIUS:.1f} °C, it may lie between {low - ZERO_CELSIUS:.1f} and "
            f"{high - ZERO_CELSIUS:.1f} °C"
        )
    moved = replace(reaction, temperature=float(kelvin))
    invariants = (*table.invariants[:place], moved, *table.invariants[place + 1 :])
    fields = tuple(_moved_field(field, reaction.temperature, kelvin) for field in table.fields)
    drawn = replace(table, invariants=invariants, fields=fields, widths=())
    return replace(drawn, widths=_widths(table, drawn, (place, place + 1)))


def _labels(phases: tuple[str, ...]) -> frozenset[str]:
    return frozenset(MERGED.get(label, label) for label in phases)


def _moved_field(field: Field, old: float, new: float) -> Field:
    """A field that meets the reaction, with its temperatures drawn out; any other field as it is."""
    meets = field.temperature[0] == old or field.temperature[-1] == old
    if not meets or not _labels((field.tin_side, field.copper_side)) <= PARTNERS:
        return field
    low, high = max(old - REACH, field.temperature[0]), min(old + REACH, field.temperature[-1])
    bends = sorted({low, old, high})
    kelvin = np.union1d(field.temperature, bends)
    tin, copper = (np.interp(kelvin, field.temperature, x) for x in (field.x_tin_side, field.x_copper_side))
    to = [new if bend == old else bend for bend in bends]
    inside = (kelvin >= low) & (kelvin <= high)
    return Field(field.tin_side, field.copper_side, np.where(inside, np.interp(kelvin, bends, to), kelvin), tin, copper)


def _widths(before: PhaseTable, after: PhaseTable, changed: tuple[int, int]) -> tuple[Width, ...]:
    """Widths of all regions, those of the two changed intervals taken from the old ones at the new temperatures."""
    kept = [width for width in before.widths if width.stack not in changed]
    drawn = [_redrawn(before, after, width) for width in before.widths if width.stack in changed]
    return tuple(sorted((*kept, *drawn), key=lambda width: (width.stack, width.region)))


def _redrawn(before: PhaseTable, after: PhaseTable, width: Width) -> Width:
    regions = after.regions(width.stack)
    label = regions[width.region]
    side = "tin" if label in regions[: width.region] else "copper"
    low, high = after.interval(width.stack)
    n = width.temperature.size
    kelvin: Array = (low + high) / 2 - (high - low) / 2 * np.cos(np.linspace(0.0, np.pi, n))
    kelvin[0], kelvin[-1] = low, high
    return Width(width.stack, width.region, kelvin, before.diffusion_width(label, kelvin, side))
