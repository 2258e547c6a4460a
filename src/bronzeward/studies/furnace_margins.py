"""Furnace margins: the answers of the hottest and the coldest strand of a load, and the room each hold has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bronzeward.inputs.case import Case
from bronzeward.inputs.schedule import Schedule
from bronzeward.materials.eta_limits import limit_words
from bronzeward.materials.phases import LIQUID, SOLID_TIN
from bronzeward.model.batch import answers_dataset
from bronzeward.model.case_table import case_table, other_limits
from bronzeward.model.provenance import provenance
from bronzeward.model.result import without_fill
from bronzeward.studies.ensemble import run_members
from bronzeward.studies.furnace_load import (
    Furnace,
    coldest_of,
    extreme_schedule,
    highest_safe,
    holds,
    hottest_of,
    lowest_safe,
)
from bronzeward.units import HOUR

if TYPE_CHECKING:
    import xarray as xr

STRANDS = ("as programmed", "hottest", "coldest")

#: Reactions a hold must keep away from, by the phases that take part.
REACTIONS: dict[str, frozenset[str]] = {
    "eutectic": frozenset((LIQUID, "eta", SOLID_TIN)),
    "peritectic": frozenset((LIQUID, "eta", "epsilon")),
}


def reactions(case: Case) -> dict[str, float]:
    """Temperatures [K] of the reactions in `REACTIONS`, then those at which others have eta melt, by source."""
    kelvin: dict[str, float] = {}
    table = case_table(case)
    for invariant in table.invariants:
        phases = frozenset("eta" if label == "eta_prime" else label for label in invariant.phases)
        kelvin |= {name: invariant.temperature for name, partners in REACTIONS.items() if phases == partners}
    return kelvin | {f"eta, {limit_words(name)}": limit for name, limit in other_limits(case, table).items()}


def margins(case: Case, furnace: Furnace | None = None, workers: int = 2, precision: str = "quick") -> xr.Dataset:
    """Hottest and coldest strand of a furnace load, their answers, and the room each hold has.

    Returns
    -------
    xarray.Dataset
        SI units. Every answer of `answers.ANSWERS` over (strand): as programmed, hottest, coldest.
        Over (hold): hold_temperature, hold_hottest, hold_coldest [K], hold_hours [h]. Over (hold, reaction):
        touches (1 where the strands of the load lie at both sides of it), highest_safe [K] (set-point up
        to which all strands stay below) and lowest_safe [K] (from which all stay above). Over (reaction):
        reaction_temperature. Over (strand, knot): knot_time [s] and knot_temperature [K], nan-padded.
    """
    furnace = furnace or Furnace()
    plans = [case.schedule, *(extreme_schedule(case.schedule, furnace, hot) for hot in (True, False))]
    cases = [replace(case, schedule=plan) for plan in plans]
    data = answers_dataset(run_members(cases, workers, None, precision), {"strand": list(STRANDS)}, provenance(case))
    kelvin = reactions(case)
    coordinates = {
        "hold": _column("hold", [hold.number for hold in holds(case.schedule)], long_name="number of the hold"),
        "reaction": _column("reaction", list(kelvin), long_name="reaction a hold must keep away from"),
    }
    data = data.assign(_room(case.schedule, furnace, list(kelvin.values())) | _knots(plans)).assign_coords(coordinates)
    about = {f"furnace_{key}": value for key, value in vars(furnace).items()}
    return without_fill(data.assign_attrs(title=case.title or "furnace margins", **about))


Column = tuple[tuple[str, ...], ArrayLike, dict[str, str]]


def _column(dims: str, values: ArrayLike, **attributes: str) -> Column:
    return tuple(dims.split()), values, attributes


def _room(schedule: Schedule, furnace: Furnace, limits: Sequence[float]) -> dict[str, Column]:
    """The holds, how far their strands spread, and what that leaves to the temperatures `limits` [K] of reactions."""
    rows = holds(schedule)
    hot = np.array([hottest_of(hold.kelvin, furnace, hold.approach) for hold in rows])
    cold = np.array([coldest_of(hold.kelvin, furnace) for hold in rows])
    touches = (cold[:, None] <= np.array(limits)) & (hot[:, None] >= np.array(limits))
    highest = [highest_safe(limit, furnace, hold.approach) for hold in rows for limit in limits]
    lowest = [lowest_safe(limit, furnace) for limit in limits]
    both = "hold reaction"
    return {
        "hold_temperature": _column("hold", [hold.kelvin for hold in rows], units="K", long_name="set-point"),
        "hold_hottest": _column("hold", hot, units="K", long_name="hottest strand"),
        "hold_coldest": _column("hold", cold, units="K", long_name="coldest strand"),
        "hold_hours": _column("hold", [hold.seconds / HOUR for hold in rows], units="h", long_name="length"),
        "reaction_temperature": _column("reaction", limits, units="K", long_name="temperature of the reaction"),
        "touches": _column(
            both, touches.astype(np.int8), long_name="1 where the load lies at both sides of the reaction"
        ),
        "highest_safe": _column(
            both, np.reshape(highest, touches.shape), units="K", long_name="highest set-point below the reaction"
        ),
        "lowest_safe": _column("reaction", lowest, units="K", long_name="lowest set-point above the reaction"),
    }


def _knots(plans: Sequence[Schedule]) -> dict[str, Column]:
    """The schedules of the strands, filled up with nan."""
    longest = max(plan.time.size for plan in plans)

    def rows(columns: Sequence[np.ndarray]) -> np.ndarray:
        return np.array([np.pad(row, (0, longest - row.size), constant_values=np.nan) for row in columns])

    time, kelvin = rows([plan.time for plan in plans]), rows([plan.temperature for plan in plans])
    return {
        "knot_time": _column("strand knot", time, units="s", long_name="time"),
        "knot_temperature": _column("strand knot", kelvin, units="K", long_name="temperature of the strand"),
    }
