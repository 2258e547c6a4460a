"""What a section of a quenched sample shows, as numbers that can be measured: of any row of a run."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bronzeward.inputs.layer_measurements import AREA, CORE, SHELL, VOID
from bronzeward.materials.phases import LIQUID, SOLID_TIN
from bronzeward.model.history import History
from bronzeward.model.layers import COLUMN


def thicknesses(history: History, row: int = 0) -> dict[str, float]:
    """Thickness of every phase and of the shell, diameter of the core [m]; of the state in one row."""
    layers = history.layers
    by_phase = {phase: float(layers.thickness[row, column]) for phase, column in COLUMN.items()}
    # what is left of the core lies round a void, which has no place of its own in a section
    core = float(np.nanmax([0.0, *(layers.outer[row, COLUMN[phase]] for phase in (SOLID_TIN, LIQUID))]))
    return {SHELL: float(layers.shell[row]), CORE: 2.0 * core, **by_phase}


def section_measures(history: History, row: int = 0) -> dict[str, float]:
    """All that can be measured of the state in one row: thicknesses, and areas by names that begin with `AREA`.

    Areas are shares of the section inside the barrier without filaments, at the temperature of the quench: of every
    phase, of the shell, of the core (its tin or liquid), of void.
    """
    return thicknesses(history, row) | {f"{AREA}{name}": area for name, area in _areas(history, row).items()}


def _areas(history: History, row: int) -> dict[str, float]:
    void = float(history.void_fraction[row])
    filled = {phase: float(history.volume_fraction[row, column]) * (1.0 - void) for phase, column in COLUMN.items()}
    core = filled[SOLID_TIN] + filled[LIQUID]
    return {**filled, VOID: void, CORE: core, SHELL: 1.0 - void - core - filled["alpha"]}


def measured_value(measures: dict[str, float], layers: Sequence[str]) -> float:
    """What a measurement of `layers` would give: the sum of them."""
    return sum(measures[name] for name in layers)
