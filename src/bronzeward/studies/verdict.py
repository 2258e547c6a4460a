"""A verdict: of several schedules, with what chance each keeps each limit, with one set of constants or several.

All schedules meet the same members of an ensemble (common random numbers), so two differ by what they do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case
from bronzeward.materials.kinetics import KineticSet
from bronzeward.model.batch import Progress, run_batch
from bronzeward.model.provenance import basis
from bronzeward.model.result import cf_attributes, without_fill
from bronzeward.studies.ensemble import Members, Spread
from bronzeward.studies.optimise.limits import Limit
from bronzeward.thermo import load_table

if TYPE_CHECKING:
    import xarray as xr

OWN = "as in the case"
"""Name of the constants where none are given."""


def verdict(
    cases: Mapping[str, Case],
    limits: Sequence[Limit],
    sets: Sequence[KineticSet] = (),
    spread: Spread | None = None,
    workers: int = 2,
    progress: Progress | None = None,
    precision: str = "quick",
) -> xr.Dataset:
    """Chances that limits are kept.

    Parameters
    ----------
    cases : mapping of name to Case
    limits : sequence of Limit
    sets : sequence of KineticSet, optional
        Constants to judge all cases with, each in turn; default: each case with its own.

    Returns
    -------
    xarray.Dataset
        chance (schedule, constants, limit) that a limit is kept; chance_of_all (schedule, constants) that all are;
        both with their standard error, _error; hours (schedule); confidence (limit), asked for; enough
        (schedule, constants), whether every limit is kept with its confidence.
    """
    import xarray as xr

    spread = spread or Spread.usual(200)
    if not cases or not limits:
        raise InputError("compare: a verdict needs one case or more, and one limit or more")
    chosen = [[replace(case, kinetics=each) for each in sets] if sets else [case] for case in cases.values()]
    names = [kinetics.name for kinetics in sets] or [OWN]
    if len(set(names)) != len(names):
        raise InputError(f"compare: two sets of constants have the name '{names[0]}'")
    members = [member for row in chosen for case in row for member in Members(case, spread)]
    answers = run_batch(members, workers, progress, precision)
    shape = (len(cases), len(names), spread.size)
    kept = np.stack([limit.kept(answers).reshape(shape) for limit in limits], axis=-1)
    chance, of_all = kept.mean(axis=2), kept.all(axis=-1).mean(axis=-1)
    confidences = np.array([limit.confidence for limit in limits])
    over = ("schedule", "constants")
    text = "share of the members that keep"
    columns = {
        "chance": ((*over, "limit"), chance, {"units": "1", "long_name": f"{text} a limit"}),
        "chance_error": ((*over, "limit"), _error(chance, spread.size), {"units": "1", "long_name": "standard error"}),
        "chance_of_all": (over, of_all, {"units": "1", "long_name": f"{text} all limits"}),
        "chance_of_all_error": (over, _error(of_all, spread.size), {"units": "1", "long_name": "standard error"}),
        "enough": (over, (chance >= confidences).all(axis=-1).astype(np.int8), {"long_name": "1 where all are kept"}),
        "confidence": (("limit",), confidences, {"units": "1", "long_name": "confidence asked for"}),
        "hours": (("schedule",), [case.schedule.hours for case in cases.values()], {"units": "h"}),
    }
    named = {"schedule": list(cases), "constants": names, "limit": [limit.bound() for limit in limits]}
    first = next(iter(cases.values()))
    about = {
        **cf_attributes("verdict on schedules"), "size": spread.size, "seed": spread.seed, "caveat": spread.caveat(),
        **basis(list(sets) or [case.kinetics for case in cases.values()], load_table(first.description)),
        "limit_answers": [limit.answer for limit in limits],
    }  # fmt: skip
    return without_fill(xr.Dataset(columns, named, about))


def _error(chance: np.typing.NDArray[np.float64], size: int) -> np.typing.NDArray[np.float64]:
    """Standard error of a share of `size` members; where none or all keep a limit, as if one were half."""
    inner = np.clip(chance, 0.5 / size, 1.0 - 0.5 / size)
    return np.asarray(np.sqrt(inner * (1.0 - inner) / size))
