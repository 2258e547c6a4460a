"""The sub-element of a published strand, of which ratios are printed and not where its copper lies."""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import KineticSet
from bronzeward.units import HOUR
from bronzeward.validation.check import Check
from bronzeward.validation.laboratory import Laboratory

Array = NDArray[np.float64]

SLEEVES = (0.25, 0.5, 1.0)
"""Shares of the copper that may lie between tin and filaments."""

LONG_H = 2000.0
"""Long enough for any constants to use up most of the tin [h]."""


def percent_tin_left(check: Check, lab: Laboratory, kinetics: KineticSet, share: float = 0.5) -> float:
    """Tin [%] left after the hold of a check, `share` of the copper in the sleeve."""
    schedule = Schedule.start(float(check.condition["temperature_C"])).hold(float(check.condition["time_h"]))
    return 100 * (1 - float(lab.run(_strand(check, lab, share), schedule, kinetics)["tin_used"][-1]))


def hours_until_left(check: Check, lab: Laboratory, kinetics: KineticSet, share: float, percent: Array) -> Array:
    """Hours in the same strand until no more tin is left than each of `percent`."""
    schedule = Schedule.start(float(check.condition["temperature_C"])).hold(LONG_H)
    history = lab.run(_strand(check, lab, share), schedule, kinetics)
    return np.asarray(np.interp(1 - percent / 100, history["tin_used"], np.sqrt(history["time"])) ** 2 / HOUR)


def core_um(check: Check, lab: Laboratory) -> float:
    """Diameter of the tin core [µm] of a sub-element that holds tin, niobium and copper in the ratios of a check."""
    given = {key: float(text) for key, text in check.condition.items()}
    rest = given["niobium_per_tin"] * given["niobium_m3_per_mol"] + given["copper_per_tin"] * lab.copper_volume
    return given["sub_element_um"] / sqrt(1 + rest / lab.properties.molar_volume["(Sn)"])


def _strand(check: Check, lab: Laboratory, share: float) -> Strand:
    core, outer = core_um(check, lab), float(check.condition["sub_element_um"])
    per_tin = float(check.condition["copper_per_tin"])
    copper = core**2 * per_tin * lab.copper_volume / lab.properties.molar_volume["(Sn)"]
    sleeve = sqrt(core**2 + share * copper)
    pack = [(outer, (1 - share) * copper / (outer**2 - sleeve**2))] if share < 1 else []
    return Strand.round(core, sleeve, pack=pack)
