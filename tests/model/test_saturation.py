"""A core that saturates with copper in the moment it melts says so where that takes much of the shell."""

from __future__ import annotations

import pytest

from bronzeward.inputs.case import Case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.model.simulation import run_case


@pytest.mark.parametrize(("core", "sleeve", "told"), [(1500.0, 3000.0, True), (24.0, 44.0, False)])
def test_a_wide_core_eats_its_shell_and_says_so(core, sleeve, told) -> None:
    plan = Schedule.start(20).ramp(25, to=210).hold(24).ramp(25, to=240)
    result = run_case(Case(Strand.round(core, sleeve), plan, load_set()))
    assert ("in the moment of melting" in result.attributes["warnings"]) == told
