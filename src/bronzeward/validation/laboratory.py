"""What the checks are computed with: runs of the program, kept for those that share them."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from bronzeward.inputs.case import Case, Numerics
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import KineticSet, load_set
from bronzeward.materials.phases import PHASES
from bronzeward.materials.properties import Properties, load_properties
from bronzeward.model.result import Result
from bronzeward.model.simulation import run_case
from bronzeward.thermo import load_table
from bronzeward.thermo.diagram_parts import Invariant
from bronzeward.thermo.table import PhaseTable
from bronzeward.units import ZERO_CELSIUS
from bronzeward.validation.check import Check

TIN_LEAN = Strand.round(24, 44)
TIN_RICH = Strand.round(40, 50, pack=[(80, 0.15)])
"""Two strands to try, with much copper for their tin and with little."""

THICK = 400.0
"""Thickness of tin and copper in a plane couple that stands for an unlimited one [um]."""

SEEN = 1e-7
"""The thinnest layer that a micrograph shows [m]."""


def label_of(text: str) -> str:
    """The label of a phase written as in the literature."""
    return text.replace("eta'", "eta_prime")


@dataclass(frozen=True)
class Laboratory:
    """What the checks are computed with: one description, and runs kept for those that share them."""

    description: str = "cu-sn-shim1996"
    runs: dict[tuple[object, ...], Result] = field(default_factory=dict)

    @cached_property
    def table(self) -> PhaseTable:
        """The phase table."""
        return load_table(self.description)

    @cached_property
    def properties(self) -> Properties:
        """Volumes and expansions."""
        return load_properties()

    @property
    def copper_volume(self) -> float:
        """Molar volume of pure copper at 25 °C [m3/mol]."""
        return float(self.properties.volume_at("alpha", 25 + ZERO_CELSIUS, 0.0))

    def run(
        self, strand: Strand, schedule: Schedule, kinetics: str | KineticSet = "default", **numerics: Any
    ) -> Result:
        """A run of the program, computed once."""
        key = (strand, schedule.time.tobytes(), schedule.temperature.tobytes(), repr(kinetics), repr(numerics))
        if key not in self.runs:
            chosen = load_set(kinetics) if isinstance(kinetics, str) else kinetics
            self.runs[key] = run_case(Case(strand, schedule, chosen, self.description, Numerics(**numerics)))
        return self.runs[key]

    def couple(self, kinetics: str | KineticSet, celsius: float, hours: float, **numerics: Any) -> dict[str, float]:
        """Layers [um] of a thick plane couple held at `celsius` for `hours`, computed by the growth engine."""
        history = self.run(Strand.couple(THICK, THICK), Schedule.start(celsius).hold(hours), kinetics, **numerics)
        thickness = dict(zip(PHASES, 1e6 * history["thickness"][-1], strict=True))
        core = history["amount"][:, [PHASES.index("liquid"), PHASES.index("(Sn)")]].sum(axis=1)
        used = 1e6 * (core[0] - core[-1]) * self.properties.molar_volume["(Sn)"]
        return {
            "eta": float(thickness["eta"]), "epsilon": float(thickness["epsilon"]), "tin_used": float(used),
            "eta+epsilon": float(thickness["eta"] + thickness["epsilon"]),
        }  # fmt: skip

    def layers(self, kinetics: str, celsius: float, hours: float) -> list[str]:
        """Phases of a thick plane couple after a hold, from the tin to the copper."""
        history = self.run(Strand.couple(THICK, THICK), Schedule.start(celsius).hold(hours), kinetics)
        return [phase for phase, width in zip(PHASES, history["thickness"][-1], strict=True) if width > SEEN]

    def reaction(self, check: Check) -> Invariant:
        """The invariant with the phases of a check on the two sides of its arrow, in either direction."""
        sides = [label_of(side).split(" + ") for side in check.condition["reaction"].split(" -> ")]
        wanted = {frozenset(side) for side in sides}
        for invariant in self.table.invariants:
            if {frozenset(side.split(" + ")) for side in invariant.reaction.split(" -> ")} == wanted:
                return invariant
        raise LookupError(f"the description has no reaction {check.condition['reaction']}")
