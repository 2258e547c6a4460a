"""What a TDB file offers to bronzeward and what it lacks."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bronzeward.materials.phases import PHASES
from bronzeward.thermo import description as descriptions


@dataclass(frozen=True)
class Report:
    """A description checked against the phases that results speak of.

    phases: label by TDB name, of those with copper and tin. missing: labels no phase has. extra:
    TDB names that got no such label. left_out: phases that cannot be used, with the reason.
    """

    name: str
    title: str
    sha256: str
    references: list[str]
    phases: dict[str, str]
    missing: list[str]
    extra: list[str]
    left_out: list[str]

    def sentences(self) -> list[str]:
        """The report in plain lines."""
        lines = [f"{self.title}: {len(self.phases)} phases of copper and tin"]
        lines += [f"  {name} is {label}" for name, label in self.phases.items()]
        if self.missing:
            lines.append(f"missing: {', '.join(self.missing)}; results will have none of it")
        if self.extra:
            lines.append(
                f"extra: {', '.join(self.extra)}; kept under their own names. Name them in the "
                "[phases] table of a sidecar TOML file beside the TDB file if they are known phases"
            )
        return lines + self.left_out


def describe(description: str | Path = descriptions.DEFAULT) -> Report:
    """Report on a description, by name or path. Imports pycalphad.

    Raises InputError when the file cannot be read or has no copper, no tin, or no phase of both.
    """
    from bronzeward.thermo import tdb

    chosen = descriptions.find(description)
    phases, left_out = tdb.read(chosen)
    labels = {phase.name: phase.label for phase in phases}
    known = {*PHASES, "eta_prime"}
    present = set(labels.values())
    return Report(
        chosen.name,
        chosen.title,
        chosen.sha256,
        chosen.references,
        labels,
        [label for label in PHASES if label not in present],
        [name for name, label in labels.items() if label not in known],
        left_out,
    )
