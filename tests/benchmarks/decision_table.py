"""Which schedules are safe, in which sense: straight ramps and holds at 210 °C, with bands and doubts.

A core of 24 um in 44 um of copper, to 430 °C. Told are the case as it stands, 5 and 95 % of the members of a band over
all that is uncertain, and in brackets the least and largest under the alternatives of `doubts`. Then, at 25 °C/h, how
long the hold must be for room (voids anywhere counted) in 95 of 100 members: as it stands and under each alternative.

The same by commands, one schedule each, with `case.toml` as `bronzeward example` prints it, steps replaced:

    bronzeward run case.toml --members 400     (sentences with bands; --json)
    bronzeward doubts case.toml                (the brackets)
    bronzeward shorten case.toml --free schedule.steps.1.hold_h=0:24 --keep "overfill_at_first_liquid<=0@95"

Usage: decision_table.py [MEMBERS]; some minutes for 400.
"""

import sys
from dataclasses import replace

import numpy as np

from bronzeward.inputs.case import Case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.doubt_data import alternatives
from bronzeward.materials.kinetics import load_set
from bronzeward.model.answers import ANSWERS
from bronzeward.studies.doubts import doubts, taking
from bronzeward.studies.ensemble import Members, Spread, run_members

SHOWN = {
    "overfill_at_first_liquid": "room",
    "bore_overfill_at_first_liquid": "bore",
    "liquid_above_peritectic": "liquid above",
    "copper_left_with_liquid": "copper left",
}
LONGEST, CLOSE = 200.0, 0.05


def case_of(rate: float, hours: float = 0.0) -> Case:
    """A ramp [°C/h], with a hold at 210 °C."""
    plan = Schedule.start(20).ramp(rate, to=210)
    plan = plan.hold(hours) if hours else plan
    return Case(Strand.round(24, 44), plan.ramp(rate, to=430), load_set())


def row(name: str, case: Case, spread: Spread) -> None:
    """Print one schedule."""
    found, told = run_members(Members(case, spread)), doubts(case, precision="quick")
    parts = []
    for key, title in SHOWN.items():
        answer, values = ANSWERS[key], found[key][np.isfinite(found[key])]
        low, high = np.quantile(values, (0.05, 0.95))
        number = [answer.number(v) for v in (told.answers[key], low, high, *told.ends(key))]
        parts.append("{} {}, {}..{} ({}..{}) {}".format(title, *number, answer.shown_unit))
    room, liquid = found["overfill_at_first_liquid"], found["liquid_above_peritectic"]
    kept = 100 * np.mean(~(room > 0.0)), 100 * np.mean(~(liquid > 0.0))
    print(f"{name}: {'; '.join(parts)}; P(room) {kept[0]:.1f} %, P(no liquid above) {kept[1]:.1f} %", flush=True)


def hold_for_room(case: Case, spread: Spread) -> float:
    """Least hold at 210 °C [h] with which 95 of 100 members have room when tin melts; nan beyond `LONGEST`."""

    def kept(hours: float) -> float:
        plan = case_of(25.0, hours).schedule
        melting = replace(case, schedule=plan if hours else case_of(25.0).schedule)
        return float(np.mean(~(run_members(Members(melting, spread))["overfill_at_first_liquid"] > 0.0)))

    low, high = 0.0, 1.0
    while kept(high) < 0.95:
        low, high = high, 2.0 * high
        if high > LONGEST:
            return float("nan")
    while high - low > CLOSE:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if kept(middle) >= 0.95 else (middle, high)
    return high


def main(size: int = 400) -> None:
    """Print both tables."""
    spread = Spread.usual(size)
    print(spread.caveat())
    for rate in (100.0, 25.0, 10.0, 5.0):
        row(f"{rate:g} °C/h", case_of(rate), spread)
    for hours in (4.0, 10.0, 24.0, 48.0):
        row(f"25 °C/h, {hours:g} h at 210 °C", case_of(25.0, hours), spread)
    case = case_of(25.0, 1.0)
    print(f"hold for room in 95 of 100: {hold_for_room(case, spread):.1f} h")
    print(f"  growth constants alone: {hold_for_room(case, Spread(size=size)):.1f} h")
    for one in alternatives():
        other = taking(case, one)
        if other is not None:
            print(f"  {one.name}: {hold_for_room(other, spread):.1f} h", flush=True)


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:]))
