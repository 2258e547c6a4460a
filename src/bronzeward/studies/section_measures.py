"""What a section of a quenched sample shows, as numbers that can be measured: of any row of a run."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bronzeward.inputs.layer_measurements import CORE, SHELL
from bronzeward.materials.phases import LIQUID, SOLID_TIN
from bronzeward.model.history import History
from bronzeward.model.layers import COLUMN


def section_measures(history: History, row: int = 0) -> dict[str, float]:
    """Thickness of every phase and of the shell, diameter of the core [m]; of the state in one row."""
    layers = history.layers
    by_phase = {phase: float(layers.thickness[row, column]) for phase, column in COLUMN.items()}
    # what is left of the core lies round a void, which has no place of its own in a section
    core = float(np.nanmax([0.0, *(layers.outer[row, COLUMN[phase]] for phase in (SOLID_TIN, LIQUID))]))
    return {SHELL: float(layers.shell[row]), CORE: 2.0 * core, **by_phase}


def measured_value(measures: dict[str, float], layers: Sequence[str]) -> float:
    """What a measurement of `layers` would give: their sum."""
    return sum(measures[name] for name in layers)
