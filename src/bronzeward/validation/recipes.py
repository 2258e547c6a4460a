"""How each row of `databases/checks.csv` is computed: by what a user would ask of the program, one recipe a topic."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, log

from scipy.optimize import brentq

from bronzeward.inputs.schedule import Schedule
from bronzeward.materials.composition import atom_fraction, mass_fraction
from bronzeward.materials.growth_constants import Constant
from bronzeward.materials.kinetics import load_set
from bronzeward.studies.furnace_load import Furnace
from bronzeward.thermo.enthalpy import formation_enthalpy
from bronzeward.units import GAS_CONSTANT, HOUR, ZERO_CELSIUS
from bronzeward.validation import strand_recipes as strands
from bronzeward.validation.assessment import kinetics_for
from bronzeward.validation.check import Check
from bronzeward.validation.laboratory import Laboratory, label_of

_X = {"eta": 5 / 11, "epsilon": 0.25, "(Sn)": 1.0}

NEVER_COMPUTED = {
    "liquid_diffusivity": "the model mixes its liquid at once",
    "liquid_saturation": "the model has no rate here: its liquid lies on its liquidus at every moment",
    "tin_in_the_ring": "the model has no ternary compound at the niobium",
    "ring_exponent": "the model has no ternary compound at the niobium",
    "ring_energy": "the model has no ternary compound at the niobium",
    "large_winding_plateau": "practice of a furnace; nothing the program computes",
    "large_winding_homogeneity": "practice of a furnace; nothing the program computes",
}


def _kelvin(check: Check) -> float:
    return float(check.condition["temperature_C"]) + ZERO_CELSIUS


def _constant(check: Check) -> Constant:
    return kinetics_for(check).constant(check.condition["phase"])


def _melting_point(check: Check, lab: Laboratory) -> float:
    return float(lab.table.liquidus({"Sn": 1.0, "Cu": 0.0}[check.condition["element"]])) - ZERO_CELSIUS


def _invariant(check: Check, lab: Laboratory) -> float:
    return float(lab.reaction(check).temperature) - ZERO_CELSIUS


def _invariant_composition(check: Check, lab: Laboratory) -> float:
    invariant = lab.reaction(check)
    x = dict(zip(invariant.phases, invariant.x_sn, strict=True))[label_of(check.condition["of"])]
    if check.condition["answer"] == "x_sn":
        return 100 * x
    tin = 100 * float(mass_fraction(x))
    return 100 - tin if check.condition["answer"] == "w_cu" else tin


def _copper_in_liquid(check: Check, lab: Laboratory) -> float:
    """Copper [wt%] in liquid tin that is saturated with it."""
    kelvin, eutectic = _kelvin(check), 0.98
    x = brentq(lambda tin: float(lab.table.liquidus(tin)) - kelvin, 0.75, eutectic)
    return 100 * (1 - float(mass_fraction(x)))


def _liquidus(check: Check, lab: Laboratory) -> float:
    x = float(atom_fraction(float(check.condition["w_sn"])))
    return float(lab.table.liquidus(x) if check.topic == "liquidus" else lab.table.solidus(x)) - ZERO_CELSIUS


def _enthalpy(lab: Laboratory, label: str, kelvin: float) -> float:
    """Enthalpy of formation [kJ/mol]."""
    return formation_enthalpy(label_of(label), kelvin, description=lab.description) / 1e3


def _formation_enthalpy(check: Check, lab: Laboratory) -> float:
    return _enthalpy(lab, check.condition["phase"], _kelvin(check))


def _transition_enthalpy(check: Check, lab: Laboratory) -> float:
    first, second = (label_of(check.condition[key]) for key in ("from", "to"))
    at = next(i.temperature for i in lab.table.invariants if set(i.phases) == {first, second})
    return _enthalpy(lab, second, at) - _enthalpy(lab, first, at)


def _reaction_enthalpy(check: Check, lab: Laboratory) -> tuple[float, str]:
    """9 Cu + Cu6Sn5 -> 5 Cu3Sn: 11 of the 20 atoms come from eta'."""
    eta, epsilon = (_enthalpy(lab, name, _kelvin(check)) for name in check.condition["phases"].split("|"))
    return epsilon - 11 / 20 * eta, "per mole of atoms"


def _plane_couple(check: Check, lab: Laboratory) -> tuple[float, str]:
    given = check.condition
    layers = lab.couple(kinetics_for(check), float(given["temperature_C"]), float(given["time_h"]))
    return layers[given["answer"]], "growth engine"


def _growth_constant(check: Check, lab: Laboratory) -> tuple[float, str]:
    thickness = lab.couple(kinetics_for(check), float(check.condition["temperature_C"]), 100.0)
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


def _layer_activation(check: Check, lab: Laboratory) -> tuple[float, str]:
    """Slope of the logarithm of a squared layer against reciprocal temperature [kJ/mol]."""
    given = check.condition
    ends = [float(given[key]) for key in ("from_C", "to_C")]
    widths = [lab.couple(kinetics_for(check), celsius, 100.0)[given["answer"]] for celsius in ends]
    reciprocal = [1.0 / (celsius + ZERO_CELSIUS) for celsius in ends]
    slope = 2.0 * log(widths[0] / widths[1]) / (reciprocal[1] - reciprocal[0])
    return slope * GAS_CONSTANT / 1e3, "growth engine, 100 h at both ends"


def _mixing_enthalpy(check: Check, lab: Laboratory) -> float:
    """Enthalpy of a solution less that of its pure elements in the same phase [kJ/mol]."""
    label, x = check.condition["phase"], float(check.condition["x_sn"])
    at = [formation_enthalpy(label, _kelvin(check), tin, lab.description) for tin in (x, 0.0, 1.0)]
    return (at[0] - (1 - x) * at[1] - x * at[2]) / 1e3


def _composition(check: Check, lab: Laboratory) -> float:
    return 100 * lab.properties.compound_tin[check.condition["phase"]]


def _tracer(check: Check, lab: Laboratory) -> float:
    return float(_constant(check).at(_kelvin(check)))


def _interdiffusion(check: Check, lab: Laboratory) -> float:
    law = _constant(check)
    value = float(law.at(_kelvin(check)))
    if "homogeneity_range" in check.condition:
        return value / float(check.condition["homogeneity_range"])
    return value * exp(law.exponent * float(check.condition["x_sn"]))


def _liquid_contact(check: Check, lab: Laboratory) -> float:
    kinetics = load_set()
    kelvin = _kelvin(check)
    return float(kinetics.constant("eta", "liquid").at(kelvin) / kinetics.constant("eta").at(kelvin))


def _sequence(check: Check, lab: Laboratory) -> tuple[float, str]:
    """1 where the layers between tin and copper are those of the check and no others."""
    wanted = check.condition["phases"].split("|")
    celsius, hours = (float(check.condition[key]) for key in ("temperature_C", "time_h"))
    layers = lab.layers(check.condition["set"], celsius, hours)
    sequence = ["Cu" if phase == "alpha" else phase for phase in layers]
    return float(sequence == wanted), "/".join(sequence)


def _contraction(check: Check, lab: Laboratory) -> float:
    """How much denser Cu3Sn is than the copper and tin it is made of [%]."""
    volume = lab.properties.molar_volume
    apart = (1 - _X["epsilon"]) * lab.copper_volume + _X["epsilon"] * volume["(Sn)"]
    return 100 * (apart / volume[check.condition["phase"]] - 1)


def _molar_volume(check: Check, lab: Laboratory) -> float:
    """Of a compound of another composition, copper more or less than in the program's is taken at its own volume."""
    phase = check.condition["phase"]
    volume = float(lab.properties.volume_at(phase, _kelvin(check)))
    tin = lab.properties.compound_tin[phase]
    share = float(check.condition.get("x_sn", tin)) / tin
    return share * volume + (1 - share) * float(lab.properties.volume_at("alpha", _kelvin(check), 0.0))


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
    kinds = check.condition["type"].split(" or ")
    sensors = [Furnace(sensor_class=int(check.condition["class"]), sensor_type=kind) for kind in kinds]
    return max(float(sensor.tolerance(_kelvin(check))) for sensor in sensors), "furnace margins"


Recipe = Callable[[Check, Laboratory], float | tuple[float, str]]

_RECIPES: dict[str, Recipe] = {
    "melting_point": _melting_point,
    "invariant": _invariant,
    "invariant_composition": _invariant_composition,
    "copper_in_liquid": _copper_in_liquid,
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
    "sequence": _sequence,
    "contraction": _contraction,
    "tin_left": strands.tin_left,
    "molar_volume": _molar_volume,
    "density": _density,
    "layer_activation": _layer_activation,
    "mixing_enthalpy": _mixing_enthalpy,
    "composition": _composition,
    "linear_expansion": _expansion,
    "thermocouple": _thermocouple,
}

_STRANDS: dict[str, Recipe] = {
    "phases_below_450c": strands.order_below_450,
    "no_single_phase": strands.no_single_phase,
    "eta_melts_in_strand": strands.eta_melts,
    "bronze_left_500c": strands.bronze_left,
    "fusion_schedule": strands.published_schedule,
    "three_plateau_schedule": strands.published_schedule,
}


def recipe_for(check: Check) -> Recipe | None:
    """How a check is computed; None where nobody has said."""
    return _STRANDS.get(check.id) or _RECIPES.get(check.topic)
