"""The questions a run answers, as numbers; the same code serves one run, a batch and the summary.

Every answer is taken from the stored history, never recomputed: `history` is anything that gives the
variables of a result by name (a `Result`, an xarray Dataset, a dict of arrays).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from bronzeward.materials.phases import PHASES

#: Each single number, its unit and what it is; `nan` where the run has no such moment.
NUMBERS: dict[str, tuple[str, str]] = {
    "first_liquid_time": ("s", "time of the first liquid"),
    "first_liquid_temperature": ("K", "temperature of the first liquid"),
    "shell_at_first_liquid": (
        "m",
        "thickness of all solid compound between core and copper at the first liquid",
    ),
    "tin_left_at_first_liquid": ("1", "share of the tin still in the core when it first melts"),
    "overfill_at_first_liquid": (
        "1",
        "contents less cavity just after the first melting, over the initial core volume",
    ),
    "overfill_peak": ("1", "largest overfill of the run"),
    "first_overfill_temperature": ("K", "temperature at which the contents first exceed the cavity"),
    "peak_liquid": ("1", "largest share of all atoms that is liquid"),
    "peak_liquid_time": ("s", "time of the most liquid"),
    "peak_liquid_tin": ("1", "largest share of all tin that is liquid"),
    "liquid_gone_time": ("s", "time after which there is no liquid any more"),
    "eta_at_peritectic": ("1", "share of all tin that is in eta when it first becomes unstable on heating"),
    "liquid_returned": ("1", "largest share of all tin that is liquid after eta melted"),
    "shell_at_end": ("m", "thickness of all solid compound at the end"),
    "tin_used_at_end": ("1", "share of the tin that has left the core at the end"),
    "total_time": ("s", "length of the schedule"),
}

#: Overfill within this of zero counts as none: the cavity is known no better.
FULL = 1e-9


def numbers(history: Mapping[str, Any] | Any) -> dict[str, float]:
    """All answers of `NUMBERS`, SI units."""
    column = {name: np.asarray(history[name]) for name in (
        "time", "temperature", "liquid_mole_fraction", "liquid_tin_fraction",
        "shell_thickness", "tin_used", "overfill", "tin_fraction",
    )}  # fmt: skip
    names = [str(name) for name in np.asarray(history["event_name"])]
    rows = np.asarray(history["event_row"]).astype(int)
    time, liquid = column["time"], column["liquid_mole_fraction"]
    found = dict.fromkeys(NUMBERS, float("nan"))
    there = np.flatnonzero(liquid > 0)
    found["peak_liquid"] = float(liquid.max())
    found["peak_liquid_tin"] = float(column["liquid_tin_fraction"].max())
    found["overfill_peak"] = float(column["overfill"].max())
    if there.size:
        first, last = int(there[0]), int(there[-1])
        found["first_liquid_time"] = float(time[first])
        found["first_liquid_temperature"] = float(column["temperature"][first])
        found["shell_at_first_liquid"] = float(column["shell_thickness"][first])
        found["tin_left_at_first_liquid"] = float(1.0 - column["tin_used"][first])
        found["overfill_at_first_liquid"] = float(column["overfill"][first])
        found["peak_liquid_time"] = float(time[int(np.argmax(liquid))])
        if last + 1 < len(time):
            found["liquid_gone_time"] = float(time[last + 1])
    over = np.flatnonzero(column["overfill"] > FULL)
    if over.size:
        found["first_overfill_temperature"] = _crossing(column["temperature"], column["overfill"], int(over[0]))
    found.update(_at_peritectic(names, rows, column))
    found["shell_at_end"] = float(column["shell_thickness"][-1])
    found["tin_used_at_end"] = float(column["tin_used"][-1])
    found["total_time"] = float(time[-1])
    return found


def _crossing(temperature: np.ndarray[Any, Any], overfill: np.ndarray[Any, Any], k: int) -> float:
    """Temperature at which overfill passes zero before its k-th point; at a jump that of the jump."""
    if k == 0 or overfill[k] <= overfill[k - 1]:
        return float(temperature[k])
    share = max(-overfill[k - 1], 0.0) / (overfill[k] - overfill[k - 1])
    return float(temperature[k - 1] + share * (temperature[k] - temperature[k - 1]))


def _at_peritectic(names: list[str], rows: np.ndarray[Any, Any], column: dict[str, Any]) -> dict[str, float]:
    """What is left of eta where it decomposes; zero when the run passes without any."""
    eta = column["tin_fraction"][:, PHASES.index("eta")]
    for name, row in zip(names, rows, strict=True):
        if name == "eta decomposes":
            before = max(int(row) - 1, 0)
            returned = float(column["liquid_tin_fraction"][int(row) :].max(initial=0.0))
            return {"eta_at_peritectic": float(eta[before]), "liquid_returned": returned}
    return {"eta_at_peritectic": float("nan"), "liquid_returned": 0.0}
