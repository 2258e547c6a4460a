"""Whether answers agree at a tolerance of 1e-3, in a quick batch and at 1e-6."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from bronzeward.inputs.case import Case, Numerics
from bronzeward.model.answers import ANSWERS
from bronzeward.model.batch import Shared, run_batch
from growth_random_cases import RandomCase, wide_case

RELATIVE, OF_CORE = 5e-3, 1e-4
"""What answers may differ by: of themselves, or of the core's size or the tin, whichever is more."""

SETTINGS = {"1e-3": (1e-3, "run"), "quick": (1e-3, "quick")}


@dataclass(frozen=True)
class Disagreement:
    """One answer of one case that differs from the one at 1e-6."""

    seed: int
    number: int
    setting: str
    name: str
    loose: float
    tight: float
    times: float
    """The difference over what is allowed; nan where one of them is missing."""

    def __str__(self) -> str:
        return (
            f"case {self.seed}/{self.number} {self.setting}: {self.name} {self.loose:.6g} against {self.tight:.6g}, "
            f"{self.times:.1f} times what is allowed"
        )


def said_to_be_flat(case: Case) -> str:
    """What a result of the case names as ill-conditioned."""
    return str(Shared([case], "run").result(case).attributes["ill_conditioned"])


def disagreements(
    seed: int, numbers: Iterable[int], draw: Callable[[int, int], RandomCase] = wide_case
) -> list[Disagreement]:
    """Every length or share among the answers of random cases that differs by more than is allowed.

    Left out are those that the result itself, at the loose tolerance, says to be ill-conditioned.
    """
    numbers = list(numbers)
    drawn = [draw(seed, number) for number in numbers]
    cases = [Case(d.strand, d.schedule, d.kinetics, numerics=Numerics(tolerance=1e-6)) for d in drawn]
    size = np.array([d.strand.core_radius for d in drawn])
    exact = run_batch(cases, 1)
    found = []
    for setting, (tolerance, precision) in SETTINGS.items():
        loose = run_batch([replace(c, numerics=Numerics(tolerance=tolerance)) for c in cases], 1, None, precision)
        for name, answer in ANSWERS.items():
            if answer.unit not in ("m", "1"):
                continue
            gap = np.abs(loose[name] - exact[name])
            allowed = np.maximum(RELATIVE * np.abs(exact[name]), OF_CORE * (size if answer.unit == "m" else 1.0))
            one_sided = np.isnan(loose[name]) != np.isnan(exact[name])
            for k in np.flatnonzero((gap > allowed) | one_sided):
                if name in said_to_be_flat(replace(cases[k], numerics=Numerics(tolerance=tolerance))).split(", "):
                    continue
                times = float(gap[k] / allowed[k])
                values = float(loose[name][k]), float(exact[name][k])
                found.append(Disagreement(seed, numbers[k], setting, name, *values, times))
    return found
