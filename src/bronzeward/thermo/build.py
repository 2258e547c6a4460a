"""A table from a description: read, scan, find the reactions, follow the fields, integrate the widths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bronzeward.thermo import boundaries, diffusion_widths, invariants, tdb
from bronzeward.thermo.description import Description
from bronzeward.thermo.diagram_parts import Field
from bronzeward.thermo.gibbs import Phase
from bronzeward.thermo.table import PhaseTable
from bronzeward.thermo.table_file import pycalphad_version
from bronzeward.thermo.tie_lines import Scan

LOWEST = 250.0
"""Lowest temperature of a table [K]; the pure elements are extrapolated below 298.15 K."""

HIGHEST = 1400.0
"""Highest temperature of a table [K], raised where something is solid there still."""


def build(description: Description) -> PhaseTable:
    """The table of a description. Raises InputError for a file that has no copper and tin in it."""
    phases, warnings = tdb.read(description)
    scanned = invariants.scan_all(phases, LOWEST, HIGHEST)
    events, doubts = invariants.find(phases, scanned)
    fields, stacks, gaps = boundaries.fields(phases, scanned, events)
    table = PhaseTable(
        description=description.name,
        title=description.title,
        description_digest=description.digest,
        tdb_sha256=description.sha256,
        pycalphad_version=pycalphad_version(),
        references=description.references,
        warnings=warnings + doubts + gaps,
        invariants=tuple(event.invariant for event in events),
        fields=tuple(fields),
        stacks=tuple(tuple(stack) for stack in stacks),
        ends=_ends(phases, scanned, events, stacks, fields),
        limits=(float(scanned.temperature[0]), float(scanned.temperature[-1])),
        widths=(),
    )
    return replace(table, widths=diffusion_widths.thermodynamic_widths(table, {p.label: p for p in phases}))


def _ends(
    phases: list[Phase],
    scanned: Scan,
    events: list[invariants.Event],
    stacks: list[list[int]],
    fields: list[Field],
) -> tuple[tuple[str, str], ...]:
    """Label of the phase at pure copper and at pure tin in each interval between reactions."""
    ends = []
    edges = [scanned.temperature[0], *[e.invariant.temperature for e in events], scanned.temperature[-1]]
    for k, stack in enumerate(stacks):
        if stack:
            ends.append((fields[stack[0]].copper_side, fields[stack[-1]].tin_side))
        else:
            t = np.array([0.5 * (edges[k] + edges[k + 1])])
            solutions = [phase for phase in phases if not phase.line]
            lowest = min(solutions, key=lambda p: float(p.energy(t, np.array([0.5]))[0]))
            ends.append((lowest.label, lowest.label))
    return tuple(ends)
