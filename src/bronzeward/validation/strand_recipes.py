"""Checks that take a run of a whole strand."""

from __future__ import annotations

import numpy as np

from bronzeward.files import read_toml
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials import literature
from bronzeward.materials.kinetics import load_set
from bronzeward.materials.phases import PHASES
from bronzeward.model.result import names
from bronzeward.units import HOUR, ZERO_CELSIUS
from bronzeward.validation.assessment import kinetics_for
from bronzeward.validation.check import Check
from bronzeward.validation.laboratory import TIN_LEAN, TIN_RICH, Laboratory
from bronzeward.validation.sub_element import SLEEVES, core_um, percent_tin_left

TRACE = 1e-3
"""Share of the atoms below which a phase counts as gone."""


def tin_left(check: Check, lab: Laboratory) -> tuple[float, str]:
    """Tin that has not reacted [%], half of the copper lying in the sleeve; other shares in the remark."""
    left = {share: percent_tin_left(check, lab, kinetics_for(check), share) for share in SLEEVES}
    core, usual = core_um(check, lab), percent_tin_left(check, lab, load_set())
    told = ", ".join(f"{100 * share:.0f} %: {percent:.0f} %" for share, percent in left.items())
    return left[0.5], (
        f"{core:.1f} µm core from the printed ratios; tin left by share of copper in the sleeve: {told}; "
        f"with the default constants as they stand {usual:.0f} %"
    )


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
    phases = [[phase for k, phase in enumerate(PHASES) if run["mole_fraction"][-1, k] > TRACE] for run in runs]
    remark = "; ".join(f"{hours} h: {', '.join(last)}" for hours, last in zip((24, 150), phases, strict=True))
    return float(min(map(len, phases))), remark


def bronze_left(check: Check, lab: Laboratory) -> tuple[float, str]:
    """1 where alpha is left of the copper of a tube round a rod of tin."""
    bore, per_tin = float(check.condition["bore_um"]), float(check.condition["copper_per_tin"])
    core = bore / np.sqrt(1 + per_tin * lab.copper_volume / lab.properties.molar_volume["(Sn)"])
    schedule = Schedule.start(20)
    for celsius, hours in ((210, 48), (400, 48), (500, 96)):
        schedule = schedule.ramp(50, to=celsius).hold(hours)
    history = lab.run(Strand.round(float(core), bore), schedule)
    left = history["mole_fraction"][:, PHASES.index("alpha")]
    gone = history["time"][left > TRACE][-1] / HOUR
    return float(left[-1] > TRACE), f"computed with {core:.0f} µm of tin: the last alpha goes after {gone:.0f} h"


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
