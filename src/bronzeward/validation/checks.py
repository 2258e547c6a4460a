"""The program against published values and closed forms: every check computed, with its verdict.

`databases/checks.csv` holds what others measured or assessed, with tolerance, reason and source; each
row is computed here by the part of the program a user would ask. `validation_closed` adds what can be
known exactly. A row that is known to miss says so in its note, and is shown as a miss.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from math import exp, log
from typing import Any

import numpy as np

from bronzeward.errors import InputError
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials import literature
from bronzeward.materials.composition import atom_fraction, mass_fraction
from bronzeward.materials.kinetics import Constant, load_set
from bronzeward.materials.phases import PHASES
from bronzeward.materials.properties import Properties, load_properties
from bronzeward.model.result import Result, names
from bronzeward.model.simulation import run_case
from bronzeward.units import HOUR, ZERO_CELSIUS

COLUMNS = (
    "id", "topic", "condition", "value", "unit", "tolerance", "tolerance_kind", "tolerance_reason",
    "grade", "seen", "source", "locator", "note",
)  # fmt: skip
"""Columns of checks.csv."""

HOLDS, MISSES, INFORMATION, NOT_COMPUTED = "holds", "misses", "information", "not computed"

THICK = 400.0
"""Thickness of tin and copper in a plane couple that stands for an unlimited one [um]."""

_X = {"eta": 5 / 11, "epsilon": 0.25, "(Sn)": 1.0}

_NOT_COMPUTED = {
    "liquid_saturation": "the model has no rate here: its liquid lies on its liquidus at every moment",
    "large_winding_plateau": "practice of a furnace; nothing the program computes",
    "large_winding_homogeneity": "practice of a furnace; nothing the program computes",
}


@dataclass(frozen=True)
class Check:
    """One value to compare with: a row of checks.csv, or a closed form.

    `value` in `unit`; `tolerance` by `tolerance_kind`: absolute, factor, at_most, at_least, information.
    """

    id: str
    topic: str
    condition: dict[str, str]
    value: float
    unit: str
    tolerance: float
    tolerance_kind: str
    tolerance_reason: str
    grade: str
    seen: str
    source: str
    locator: str = ""
    note: str = ""

    @property
    def known_miss(self) -> bool:
        """Whether the note says that the program misses it."""
        return "misses" in self.note


@dataclass(frozen=True)
class Outcome:
    """A check with what the program gives, in the check's unit; None where it is not computed."""

    check: Check
    computed: float | None
    remark: str = ""

    @property
    def verdict(self) -> str:
        """holds, misses, information or not computed."""
        own = self.check
        if self.computed is None:
            return NOT_COMPUTED
        if own.tolerance_kind == "information":
            return INFORMATION
        if own.tolerance_kind == "factor":
            met = own.value / own.tolerance <= self.computed <= own.value * own.tolerance
        elif own.tolerance_kind == "at_most":
            met = self.computed <= own.value + own.tolerance
        elif own.tolerance_kind == "at_least":
            met = self.computed >= own.value - own.tolerance
        else:
            met = abs(self.computed - own.value) <= own.tolerance
        return HOLDS if met else MISSES

    @property
    def expected(self) -> bool:
        """Whether the verdict is the one the note of the check leads to expect."""
        if self.verdict in (INFORMATION, NOT_COMPUTED):
            return True
        return (self.verdict == MISSES) == self.check.known_miss

    @property
    def deviation(self) -> float | None:
        """Computed less value in the check's unit; for factors computed over value."""
        if self.computed is None:
            return None
        return (
            self.computed / self.check.value
            if self.check.tolerance_kind == "factor"
            else (self.computed - self.check.value)
        )

    @property
    def scaled(self) -> float | None:
        """Deviation over tolerance, beyond 1 either way a miss; None for one-sided and unjudged checks."""
        own = self.check
        if self.computed is None or own.tolerance == 0 or own.tolerance_kind not in ("absolute", "factor"):
            return None
        if own.tolerance_kind == "factor":
            return log(self.computed / own.value) / log(own.tolerance) if self.computed > 0 else float("-inf")
        return (self.computed - own.value) / own.tolerance


def read_checks() -> list[Check]:
    """Every row of checks.csv, in the order of the file."""
    path = literature.folder() / "checks.csv"
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    return [_check(row, f"{path}: line {number}") for number, row in enumerate(rows, start=2)]


def _check(row: dict[str, Any], where: str) -> Check:
    missing = [column for column in COLUMNS if not isinstance(row.get(column), str)]
    if missing or None in row:
        raise InputError(f"{where}: expected the columns {', '.join(COLUMNS)}")
    parts = [part.strip() for part in row["condition"].split("; ")]
    condition = dict(part.split("=", 1) if "=" in part else (part, "") for part in parts)
    try:
        value, tolerance = float(row["value"]), float(row["tolerance"])
    except ValueError:
        raise InputError(f"{where}: value and tolerance must be numbers") from None
    texts = {key: row[key] for key in COLUMNS if key not in ("condition", "value", "tolerance")}
    return Check(condition=condition, value=value, tolerance=tolerance, **texts)


@dataclass(frozen=True)
class Laboratory:
    """What the checks are computed with: one description, and runs kept for those that share them."""

    description: str = "cu-sn-shim1996"
    runs: dict[Any, Result] = field(default_factory=dict)

    @cached_property
    def table(self) -> Any:
        """The phase table."""
        from bronzeward.thermo import load_table

        return load_table(self.description)

    @cached_property
    def properties(self) -> Properties:
        """Volumes and expansions."""
        return load_properties()

    def run(self, strand: Strand, schedule: Schedule, kinetics: Any = "default", **numerics: Any) -> Result:
        """A run of the program, made once."""
        from bronzeward.inputs.case import Case, Numerics

        key = (strand, schedule.time.tobytes(), schedule.temperature.tobytes(), repr(kinetics), repr(numerics))
        if key not in self.runs:
            chosen = load_set(kinetics) if isinstance(kinetics, str) else kinetics
            self.runs[key] = run_case(Case(strand, schedule, chosen, self.description, Numerics(**numerics)))
        return self.runs[key]

    def couple(self, kinetics: Any, celsius: float, hours: float, **numerics: Any) -> dict[str, float]:
        """Layers [um] of a thick plane couple held at `celsius` for `hours`, computed by the growth engine."""
        history = self.run(Strand.couple(THICK, THICK), Schedule.start(celsius).hold(hours), kinetics, **numerics)
        thickness = dict(zip(PHASES, 1e6 * history["thickness"][-1], strict=True))
        core = history["amount"][:, [PHASES.index("liquid"), PHASES.index("(Sn)")]].sum(axis=1)
        used = 1e6 * (core[0] - core[-1]) * self.properties.molar_volume["(Sn)"]
        return {
            "eta": float(thickness["eta"]), "epsilon": float(thickness["epsilon"]), "tin_used": float(used),
            "eta+epsilon": float(thickness["eta"] + thickness["epsilon"]),
        }  # fmt: skip

    def reaction(self, check: Check) -> Any:
        """The invariant with the phases of a check on the two sides of its arrow, in either direction."""
        sides = [_label(side).split(" + ") for side in check.condition["reaction"].split(" -> ")]
        wanted = {frozenset(side) for side in sides}
        for own in self.table.invariants:
            if {frozenset(side.split(" + ")) for side in own.reaction.split(" -> ")} == wanted:
                return own
        raise LookupError(f"the description has no reaction {check.condition['reaction']}")


def validate(description: str = "cu-sn-shim1996", closed_forms: bool = True) -> list[Outcome]:
    """Every check of checks.csv, then the closed forms, computed with a thermodynamic description."""
    laboratory = Laboratory(description)
    outcomes = [compute(check, laboratory) for check in read_checks()]
    if closed_forms:
        from bronzeward.validation.closed_forms import closed_forms as exact

        outcomes += exact(laboratory)
    return outcomes


def compute(check: Check, laboratory: Laboratory) -> Outcome:
    """What the program gives for one row of checks.csv."""
    if check.id in _NOT_COMPUTED:
        return Outcome(check, None, _NOT_COMPUTED[check.id])
    recipe = _STRANDS.get(check.id) or _RECIPES.get(check.topic)
    if recipe is None:
        return Outcome(check, None, f"no recipe for the topic {check.topic}")
    try:
        found = recipe(check, laboratory)
    except LookupError as error:
        return Outcome(check, None, str(error.args[0]) if error.args else "not found")
    value, remark = found if isinstance(found, tuple) else (found, "")
    return Outcome(check, float(value), remark)


# --- one recipe a topic


def _label(text: str) -> str:
    return text.replace("eta'", "eta_prime")


def _kelvin(check: Check) -> float:
    return float(check.condition["temperature_C"]) + ZERO_CELSIUS


def _constant(check: Check) -> Constant:
    return load_set(check.condition["set"]).constant(check.condition["phase"])


def _melting_point(check: Check, lab: Laboratory) -> float:
    return float(lab.table.liquidus({"Sn": 1.0, "Cu": 0.0}[check.condition["element"]])) - ZERO_CELSIUS


def _invariant(check: Check, lab: Laboratory) -> float:
    return float(lab.reaction(check).temperature) - ZERO_CELSIUS


def _invariant_composition(check: Check, lab: Laboratory) -> float:
    own = lab.reaction(check)
    x = dict(zip(own.phases, own.x_sn, strict=True))[_label(check.condition["of"])]
    tin = 100 * float(mass_fraction(x))
    return 100 - tin if check.condition["answer"] == "w_cu" else tin


def _liquidus(check: Check, lab: Laboratory) -> float:
    x = float(atom_fraction(float(check.condition["w_sn"])))
    return float(lab.table.liquidus(x) if check.topic == "liquidus" else lab.table.solidus(x)) - ZERO_CELSIUS


def _enthalpy(lab: Laboratory, label: str, kelvin: float) -> float:
    """Enthalpy of formation [kJ/mol]."""
    from bronzeward.thermo.enthalpy import formation_enthalpy

    return formation_enthalpy(_label(label), kelvin, description=lab.description) / 1e3


def _formation_enthalpy(check: Check, lab: Laboratory) -> float:
    return _enthalpy(lab, check.condition["phase"], _kelvin(check))


def _transition_enthalpy(check: Check, lab: Laboratory) -> float:
    first, second = (_label(check.condition[key]) for key in ("from", "to"))
    at = next(i.temperature for i in lab.table.invariants if set(i.phases) == {first, second})
    return _enthalpy(lab, second, at) - _enthalpy(lab, first, at)


def _reaction_enthalpy(check: Check, lab: Laboratory) -> tuple[float, str]:
    """9 Cu + Cu6Sn5 -> 5 Cu3Sn: 11 of the 20 atoms come from eta'."""
    eta, epsilon = (_enthalpy(lab, name, _kelvin(check)) for name in check.condition["phases"].split("|"))
    return epsilon - 11 / 20 * eta, "per mole of atoms"


def _plane_couple(check: Check, lab: Laboratory) -> tuple[float, str]:
    given = check.condition
    layers = lab.couple(given["set"], float(given["temperature_C"]), float(given["time_h"]))
    return layers[given["answer"]], "growth engine"


def _growth_constant(check: Check, lab: Laboratory) -> tuple[float, str]:
    thickness = lab.couple(check.condition["set"], float(check.condition["temperature_C"]), 100.0)
    return (thickness[check.condition["phase"]] * 1e-6) ** 2 / (100 * HOUR), "growth engine, 100 h"


def _ramp(check: Check, lab: Laboratory) -> tuple[float, str]:
    """Hours at the end of a ramp that do the same, by the integral of the constant over the schedule."""
    from scipy.integrate import quad

    given = {key: float(text) for key, text in check.condition.items()}
    schedule = Schedule.start(given["from_C"]).ramp(given["ramp_C_per_h"], to=given["to_C"])
    law = load_set().constant("eta")
    if abs(law.activation / 1e3 - given["activation_energy_kJ_per_mol"]) > 1e-9:
        raise LookupError("the default constant of eta has another activation energy")
    end = float(law.at(schedule.temperature[-1]))
    done = quad(lambda t: float(law.at(schedule.temperature_at(t))) / end, 0.0, float(schedule.time[-1]))[0]
    return done / HOUR, "constant of eta in the default set, over the schedule"


def _activation_energy(check: Check, lab: Laboratory) -> float:
    return _constant(check).activation / 1e3


def _tracer(check: Check, lab: Laboratory) -> float:
    return float(_constant(check).at(_kelvin(check)))


def _interdiffusion(check: Check, lab: Laboratory) -> float:
    own = _constant(check)
    value = float(own.at(_kelvin(check)))
    if "homogeneity_range" in check.condition:
        return value / float(check.condition["homogeneity_range"])
    return value * exp(own.exponent * float(check.condition["x_sn"]))


def _liquid_contact(check: Check, lab: Laboratory) -> float:
    kinetics = load_set()
    kelvin = _kelvin(check)
    return float(kinetics.constant("eta", "liquid").at(kelvin) / kinetics.constant("eta").at(kelvin))


def _molar_volume(check: Check, lab: Laboratory) -> float:
    return float(lab.properties.volume_at(check.condition["phase"], _kelvin(check)))


def _density(check: Check, lab: Laboratory) -> float:
    phase = check.condition["phase"]
    if "w_sn" in check.condition:
        x = float(atom_fraction(float(check.condition["w_sn"])))
    else:
        x = float(check.condition["x_sn"]) if "x_sn" in check.condition else _X[phase]
    mass = x * lab.properties.molar_mass["Sn"] + (1 - x) * lab.properties.molar_mass["Cu"]
    return mass / float(lab.properties.volume_at(phase, _kelvin(check), x))


def _expansion(check: Check, lab: Laboratory) -> float:
    return lab.properties.expansion[{"Cu": "alpha"}.get(check.condition["phase"], check.condition["phase"])]


def _thermocouple(check: Check, lab: Laboratory) -> tuple[float, str]:
    """The widest tolerance among the types named."""
    from bronzeward.studies.furnace_load import Furnace

    kinds = check.condition["type"].split(" or ")
    sensors = [Furnace(sensor_class=int(check.condition["class"]), sensor_type=kind) for kind in kinds]
    return max(float(sensor.tolerance(_kelvin(check))) for sensor in sensors), "furnace margins"


# --- strands


TIN_LEAN = Strand.round(24, 44)
TIN_RICH = Strand.round(40, 50, pack=[(80, 0.15)])


def _column(history: Result, phase: str) -> Any:
    return history["amount"][:, PHASES.index(phase)]


def _voids_follow_epsilon(check: Check, lab: Laboratory) -> tuple[float, str]:
    history = lab.run(TIN_LEAN, Schedule.start(20).ramp(60, to=600))
    below = history["temperature"] <= 450 + ZERO_CELSIUS
    found, to_450 = (
        _correlation(history["time"][rows], history["overfill"][rows], _column(history, "epsilon")[rows])
        for rows in (np.ones_like(below), below)
    )
    return found, f"24 µm core in 44 µm of copper, 20 to 600 °C; {to_450:.2f} up to 450 °C"


def _correlation(time: Any, overfill: Any, epsilon: Any) -> float:
    """Correlation coefficient of void volume and epsilon, evenly weighted in time."""
    even = np.linspace(time[0], time[-1], 600)
    voids = np.interp(even, time, np.maximum(-overfill, 0.0))
    return float(np.corrcoef(voids, np.interp(even, time, epsilon))[0, 1])


def _order_below_450(check: Check, lab: Laboratory) -> tuple[float, str]:
    history = lab.run(TIN_RICH, Schedule.start(20).ramp(50, to=450))
    events = dict(zip(names(history, "event_name"), history["event_time"], strict=True))
    micrometre = history["time"][history["thickness"][:, PHASES.index("eta")] > 1e-6]
    shell = history["time"][history["shell_thickness"] > 1e-7]
    moments = [shell.min(initial=np.inf), micrometre.min(initial=np.inf), events.get("eta decomposes", np.inf)]
    in_order = moments[0] < moments[1] < moments[2] < np.inf and moments[0] < events.get("tin melts", np.inf)
    return float(in_order), "40 µm core, 50 °C/h: shell of 0.1 µm, eta of 1 µm, end of eta"


def _no_single_phase(check: Check, lab: Laboratory) -> tuple[float, str]:
    runs = [lab.run(TIN_LEAN, Schedule.start(20).ramp(25, to=600).hold(hours)) for hours in (24, 150)]
    there = [[p for k, p in enumerate(PHASES) if run["mole_fraction"][-1, k] > 1e-3] for run in runs]
    return float(min(len(p) for p in there)), "; ".join(
        f"{hours} h: {', '.join(p)}" for hours, p in zip((24, 150), there, strict=True)
    )


def _eta_melts(check: Check, lab: Laboratory) -> tuple[float, str]:
    history = lab.run(TIN_RICH, Schedule.start(20).ramp(50, to=395).hold(2).ramp(50, to=430))
    events = names(history, "event_name")
    if "eta decomposes" not in events:
        return 0.0, "no eta is left"
    row = int(history["event_row"][events.index("eta decomposes")])
    gained = history["liquid_tin_fraction"][row] - history["liquid_tin_fraction"][row - 1]
    return float(gained > 0), f"40 µm core: {100 * gained:.0f} % of the tin becomes liquid again"


def _published_schedule(check: Check, lab: Laboratory) -> tuple[float, str]:
    """Run it, and read its first plateau from the stored history."""
    schedule = {
        "fusion_schedule": ((5, 210, 50), (5, 340, 25), (5, 450, 25), (5, 575, 100), (5, 650, 100)),
        "three_plateau_schedule": ((25, 210, 48), (50, 400, 48), (50, 665, 50)),
    }[check.id]
    plan = Schedule.start(20)
    for rate, to, hours in schedule:
        plan = plan.ramp(rate, to=to).hold(hours)
    history = lab.run(TIN_LEAN, plan)
    flat = np.flatnonzero((np.diff(history["temperature"]) == 0) & (np.diff(history["time"]) > HOUR / 10))
    left = history["liquid_mole_fraction"][-1]
    remark = f"{history.attributes['status']}; liquid at the end: {100 * left:.0f} % of the atoms"
    return float(history["temperature"][flat[0]]) - ZERO_CELSIUS, remark


Recipe = Callable[[Check, Laboratory], float | tuple[float, str]]

_RECIPES: dict[str, Recipe] = {
    "melting_point": _melting_point,
    "invariant": _invariant,
    "invariant_composition": _invariant_composition,
    "liquidus": _liquidus,
    "solidus": _liquidus,
    "formation_enthalpy": _formation_enthalpy,
    "transition_enthalpy": _transition_enthalpy,
    "reaction_enthalpy": _reaction_enthalpy,
    "plane_couple": _plane_couple,
    "growth_constant": _growth_constant,
    "ramp": _ramp,
    "activation_energy": _activation_energy,
    "tracer_diffusion": _tracer,
    "interdiffusion": _interdiffusion,
    "liquid_contact": _liquid_contact,
    "molar_volume": _molar_volume,
    "density": _density,
    "linear_expansion": _expansion,
    "thermocouple": _thermocouple,
}

_STRANDS: dict[str, Recipe] = {
    "voids_follow_epsilon": _voids_follow_epsilon,
    "phases_below_450c": _order_below_450,
    "no_single_phase": _no_single_phase,
    "eta_melts_in_strand": _eta_melts,
    "fusion_schedule": _published_schedule,
    "three_plateau_schedule": _published_schedule,
}


# --- the table


def counts(outcomes: list[Outcome]) -> dict[str, int]:
    """How many have each verdict, and how many an unexpected one."""
    found = {verdict: sum(o.verdict == verdict for o in outcomes) for verdict in (
        HOLDS, MISSES, INFORMATION, NOT_COMPUTED,
    )}  # fmt: skip
    return {**found, "unexpected": sum(not o.expected for o in outcomes)}


def as_data(outcomes: list[Outcome]) -> dict[str, Any]:
    """All outcomes as plain data for other tools."""
    rows = [
        {
            **vars(o.check), "computed": o.computed, "deviation": o.deviation, "deviation_over_tolerance": o.scaled,
            "verdict": o.verdict, "expected": o.expected, "remark": o.remark,
        }
        for o in outcomes
    ]  # fmt: skip
    return {"schema": "bronzeward/validation/1", "counts": counts(outcomes), "checks": rows}


def summary(outcomes: list[Outcome]) -> str:
    """One line."""
    n = counts(outcomes)
    return (
        f"{len(outcomes)} checks: {n[HOLDS]} hold, {n[MISSES]} miss, {n[INFORMATION]} shown for information, "
        f"{n[NOT_COMPUTED]} not computed; {n['unexpected']} not as expected."
    )


def by_topic(outcomes: list[Outcome]) -> list[tuple[str, int, int, int, float | None]]:
    """Topic, number of checks, holding, missing, and the median of |deviation| over tolerance."""
    table = []
    for topic in dict.fromkeys(o.check.topic for o in outcomes):
        own = [o for o in outcomes if o.check.topic == topic]
        scaled = [abs(o.scaled) for o in own if o.scaled is not None]
        middle = float(np.median(scaled)) if scaled else None
        table.append((topic, len(own), counts(own)[HOLDS], counts(own)[MISSES], middle))
    return table
