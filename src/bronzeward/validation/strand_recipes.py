"""Checks that take a run of a whole strand."""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from bronzeward.files import read_toml
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials import literature
from bronzeward.materials.kinetics import KineticSet, load_set
from bronzeward.materials.phases import PHASES
from bronzeward.model.result import names
from bronzeward.units import HOUR, ZERO_CELSIUS
from bronzeward.validation.check import Check
from bronzeward.validation.laboratory import TIN_LEAN, TIN_RICH, Laboratory

Array = NDArray[np.float64]


SLEEVES = (0.25, 0.5, 1.0)
"""Shares of a strand's copper that may lie between tin and filaments; the published text does not say."""


def tin_left(check: Check, lab: Laboratory) -> tuple[float, str]:
    """Tin that has not reacted [%], half of the copper lying in the sleeve; other shares in the remark."""
    left = {share: percent_tin_left(check, lab, load_set(), share) for share in SLEEVES}
    core = _core_um(check, lab)
    told = ", ".join(f"{100 * share:.0f} %: {percent:.0f} %" for share, percent in left.items())
    return left[0.5], f"{core:.1f} µm core from the printed ratios; tin left by share of copper in the sleeve: {told}"


def percent_tin_left(check: Check, lab: Laboratory, kinetics: KineticSet, share: float = 0.5) -> float:
    """Tin [%] left after the hold in a strand with the ratios of a check, `share` of its copper in the sleeve."""
    given = {key: float(text) for key, text in check.condition.items()}
    core, outer = _core_um(check, lab), given["sub_element_um"]
    copper = core**2 * given["copper_per_tin"] * lab.copper_volume / lab.properties.molar_volume["(Sn)"]
    sleeve = sqrt(core**2 + share * copper)
    pack = [(outer, (1 - share) * copper / (outer**2 - sleeve**2))] if share < 1 else []
    strand = Strand.round(core, sleeve, pack=pack)
    history = lab.run(strand, Schedule.start(given["temperature_C"]).hold(given["time_h"]), kinetics)
    return 100 * (1 - float(history["tin_used"][-1]))


def _core_um(check: Check, lab: Laboratory) -> float:
    """Diameter of the tin core [µm] of a sub-element that holds tin, niobium and copper in the ratios of a check."""
    given = {key: float(text) for key, text in check.condition.items()}
    rest = given["niobium_per_tin"] * given["niobium_m3_per_mol"] + given["copper_per_tin"] * lab.copper_volume
    return given["sub_element_um"] / sqrt(1 + rest / lab.properties.molar_volume["(Sn)"])


def order_below_450(check: Check, lab: Laboratory) -> tuple[float, str]:
    """1 where solid reaction, eta and its end follow each other."""
    history = lab.run(TIN_RICH, Schedule.start(20).ramp(50, to=450))
    events = dict(zip(names(history, "event_name"), history["event_time"], strict=True))
    micrometre = history["time"][history["thickness"][:, PHASES.index("eta")] > 1e-6]
    shell = history["time"][history["shell_thickness"] > 1e-7]
    moments = [shell.min(initial=np.inf), micrometre.min(initial=np.inf), events.get("eta decomposes", np.inf)]
    in_order = moments[0] < moments[1] < moments[2] < np.inf and moments[0] < events.get("tin melts", np.inf)
    return float(in_order), "40 µm core, 50 °C/h: shell of 0.1 µm, eta of 1 µm, end of eta"


def no_single_phase(check: Check, lab: Laboratory) -> tuple[float, str]:
    """Fewest phases left at 600 C."""
    runs = [lab.run(TIN_LEAN, Schedule.start(20).ramp(25, to=600).hold(hours)) for hours in (24, 150)]
    phases = [[phase for k, phase in enumerate(PHASES) if run["mole_fraction"][-1, k] > 1e-3] for run in runs]
    remark = "; ".join(f"{hours} h: {', '.join(last)}" for hours, last in zip((24, 150), phases, strict=True))
    return float(min(map(len, phases))), remark


def eta_melts(check: Check, lab: Laboratory) -> tuple[float, str]:
    """1 where eta left over gives liquid."""
    history = lab.run(TIN_RICH, Schedule.start(20).ramp(50, to=395).hold(2).ramp(50, to=430))
    events = names(history, "event_name")
    if "eta decomposes" not in events:
        return 0.0, "no eta is left"
    row = int(history["event_row"][events.index("eta decomposes")])
    gained = history["liquid_tin_fraction"][row] - history["liquid_tin_fraction"][row - 1]
    return float(gained > 0), f"40 µm core: {100 * gained:.0f} % of the tin becomes liquid again"


def published_schedule(check: Check, lab: Laboratory) -> tuple[float, str]:
    """Run it, and read its first plateau from the stored history."""
    published = read_toml(literature.folder() / "schedules.toml")[check.id]
    history = lab.run(TIN_LEAN, Schedule.from_steps(published["start_C"], published["steps"]))
    flat = np.flatnonzero((np.diff(history["temperature"]) == 0) & (np.diff(history["time"]) > HOUR / 10))
    left = history["liquid_mole_fraction"][-1]
    remark = f"{history.attributes['status']}; liquid at the end: {100 * left:.0f} % of the atoms"
    return float(history["temperature"][flat[0]]) - ZERO_CELSIUS, remark
