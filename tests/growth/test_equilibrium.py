"""After a very long hold the layers are what the lever rule says, phase by phase."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bronzeward.growth.slots import CORE, N_SLOTS, SLOT_LABELS
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.growth_constants import COMPOUNDS, WIDE_PHASES
from bronzeward.materials.kinetics import load_set
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from growth_cases import problem_of, run_fast

CASES = [
    (200.0, 0.35), (215.0, 0.12), (300.0, 0.50), (380.0, 0.23), (450.0, 0.30), (500.0, 0.15),
    (550.0, 0.19), (600.0, 0.13), (620.0, 0.24), (650.0, 0.20),
]  # fmt: skip


@pytest.mark.parametrize(("celsius", "x"), CASES)
def test_long_hold(table, celsius: float, x: float) -> None:
    # constants raised until K t and D t are a thousand times the square of the strand at every temperature
    length, seconds, kelvin = 20e-6, 1000 * 3600.0, celsius + 273.15
    plain = load_set()
    factors = {
        phase: max(1.0, 1e3 * length**2 / seconds / float(plain.constant(phase).at(kelvin)))
        for phase in COMPOUNDS + WIDE_PHASES
    }
    strand = Strand.from_ratio(10, (1.0 - x) / x)
    # in copper below 300 C by more than the factor that a case may give
    raised = replace(plain, constants=tuple(c.times(factors[c.phase]) for c in plain.constants))
    run = run_fast(problem_of(strand, Schedule.start(celsius).hold(1000.0), raised), rows=20000)
    assert run.complaints() == []
    atoms = run.amount[-1].sum()
    found = dict.fromkeys(PHASES, 0.0)
    for slot in range(N_SLOTS):
        label = SLOT_LABELS[slot]
        if slot == CORE:
            label = LIQUID if celsius > 227.0 else SOLID_TIN
        found[label] += run.amount[-1, slot] / atoms
    expected = dict(zip(table.phases, table.fractions(kelvin, run.tin[-1].sum() / atoms), strict=True))
    for phase in PHASES:
        # layers below 1e-6 of all atoms are used up and go to their neighbours; 1e-4 in composition is the
        # least width of a wide phase; a lever arm of a tenth turns either into less than 1e-3
        assert found[phase] == pytest.approx(expected[phase], abs=1e-3), (phase, found, expected)
    assert sum(value > 1e-3 for value in expected.values()) == (1 if (celsius, x) == (650.0, 0.20) else 2)
