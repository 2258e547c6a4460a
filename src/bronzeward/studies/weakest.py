"""The weakest of many sub-elements: each with a core and an eccentricity of its own, all with the same constants.

What all sub-elements of a strand share (the constants, the furnace) is drawn once for each strand, what each has for
itself (core diameter, eccentricity) once for each sub-element. A strand keeps a limit if its weakest does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case
from bronzeward.model.batch import Progress, run_batch
from bronzeward.studies.ensemble import SOURCES, Members, Spread, draws
from bronzeward.studies.optimise.limits import Limit
from bronzeward.studies.quantiles import quantiles

OWN = ("core diameter", "eccentricity")
"""What every sub-element has for itself, by the columns of the draws."""

AGAIN = 7_919
"""What is added to the seed for the draws of the sub-elements."""

MOST_RUNS = 200_000


@dataclass(frozen=True)
class Weakest:
    """Sub-elements and the weakest of each strand.

    Attributes
    ----------
    strands, sub_elements : int
        Strands drawn, and sub-elements in each.
    any_kept, all_kept : float, [-]
        Chance that any one sub-element, and that the weakest of a strand, keeps the limit.
    any_one, weakest : ndarray, shape (3,)
        5, 50 and 95 % of the answer of any one sub-element, and of the weakest of a strand; nan where it has none.
    breaking : float, [-]
        Sub-elements of a strand that break the limit, in the mean.
    caveat : str
        What the members hold and leave out.
    """

    strands: int
    sub_elements: int
    any_kept: float
    all_kept: float
    any_one: NDArray[np.float64]
    weakest: NDArray[np.float64]
    breaking: float
    caveat: str


def weakest(
    case: Case, limit: Limit, sub_elements: int, spread: Spread, workers: int = 2, progress: Progress | None = None
) -> Weakest:
    """How the weakest of many sub-elements fares.

    Parameters
    ----------
    sub_elements : int
        In one strand.
    spread : Spread
        Its size is the number of strands.
    """
    if not 1 <= sub_elements <= MOST_RUNS or sub_elements * spread.size > MOST_RUNS:
        raise InputError(
            f"lengths: {sub_elements} sub-elements in each of {spread.size} strands; at most {MOST_RUNS} runs are made"
        )
    if not (spread.core_diameter or spread.eccentricity):
        raise InputError("lengths: sub-elements differ in nothing; give the spread of their core or their eccentricity")
    z = np.repeat(draws(spread), sub_elements, axis=0)
    spreads = draws(replace(spread, size=len(z), seed=spread.seed + AGAIN))
    for name in OWN:
        z[:, SOURCES.index(name)] = spreads[:, SOURCES.index(name)]
    members = Members(case, replace(spread, size=len(z)))
    members.z = z
    answers = run_batch(list(members), workers, progress, "quick")
    values = answers[limit.answer].reshape(-1, sub_elements)
    kept: NDArray[np.bool_] = np.reshape(limit.kept(answers), values.shape)
    melts = np.flatnonzero(np.isfinite(values).any(axis=1))
    hardest = np.full(len(values), np.nan)
    hardest[melts] = (np.nanmax if limit.kind == "<=" else np.nanmin)(values[melts], axis=1)
    return Weakest(
        strands=spread.size,
        sub_elements=sub_elements,
        any_kept=float(kept.mean()),
        all_kept=float(kept.all(axis=1).mean()),
        any_one=quantiles(values.ravel()),
        weakest=quantiles(hardest),
        breaking=float((~kept).sum(axis=1).mean()),
        caveat=spread.caveat(),
    )
