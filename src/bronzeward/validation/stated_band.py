"""The 90 % band that the program states for itself, round the computed value of a check."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, hypot

from bronzeward.materials.doubt_data import usual_spreads
from bronzeward.materials.growth_constants import COMPOUNDS, Constant
from bronzeward.studies.ensemble import widths
from bronzeward.studies.stability import stability
from bronzeward.units import GAS_CONSTANT, ZERO_CELSIUS
from bronzeward.validation.assessment import kinetics_for
from bronzeward.validation.check import OUTSIDE, Check
from bronzeward.validation.evidence import ASSESSED_PHASES
from bronzeward.validation.laboratory import Laboratory
from bronzeward.validation.sub_element import percent_tin_left

NORMAL_95 = 1.6448536269514722
"""A normal value lies within as many standard deviations either way with a probability of 90 %."""

Band = tuple[float, float]

GROWTH, SLOPES, VOLUMES = (
    "layers and growth constants", "activation energies", "volumes, densities and expansions",
)  # fmt: skip
"""What is counted apart of those that have a band."""

GROUPS = {
    "growth_constant": GROWTH, "tracer_diffusion": GROWTH, "interdiffusion": GROWTH, "plane_couple": GROWTH,
    "tin_left": GROWTH, "activation_energy": SLOPES, "layer_activation": SLOPES,
    "molar_volume": VOLUMES, "density": VOLUMES, "linear_expansion": VOLUMES, "contraction": VOLUMES,
}  # fmt: skip
"""Group of each topic whose spread is stated."""


def stated_band(check: Check, computed: float, lab: Laboratory) -> Band | None:
    """Low and high in the check's unit; None for checks that are not from outside or whose spread is not stated.

    A layer goes as the root of its constant; eta and epsilon err together, a couple by the factor of eta. What a
    published value errs by itself is not in it.
    """
    band = _BANDS.get(check.topic)
    return band(check, computed, lab) if band and check.kind in OUTSIDE else None


def _of_a_constant(check: Check, computed: float, lab: Laboratory) -> Band:
    kelvin = float(check.condition["temperature_C"]) + ZERO_CELSIUS
    wide = _wide(kinetics_for(check).constant(check.condition.get("phase", "eta")), kelvin, lab)
    wide = wide**0.5 if check.topic == "plane_couple" else wide
    return computed / wide, computed * wide


def _wide(constant: Constant, kelvin: float, lab: Laboratory) -> float:
    """The factor either way that holds 90 % of the members of a band."""
    magnitude, slope, middle = _widths(constant, lab)
    return exp(NORMAL_95 * hypot(magnitude, slope * (1 / kelvin - middle)))


def _widths(constant: Constant, lab: Laboratory) -> tuple[float, float, float]:
    return widths(constant, stability(lab.description).get(constant.phase, constant.range))


def _of_a_strand(check: Check, computed: float, lab: Laboratory) -> Band:
    kelvin, plain = float(check.condition["temperature_C"]) + ZERO_CELSIUS, kinetics_for(check)
    wide = {phase: _wide(plain.constant(phase), kelvin, lab) for phase in ASSESSED_PHASES}
    ends = [percent_tin_left(check, lab, plain.scaled({p: w**sign for p, w in wide.items()})) for sign in (-1, 1)]
    return min(ends), max(ends)


def _of_a_slope(check: Check, computed: float, lab: Laboratory) -> Band:
    """As members of a band draw the slope of a constant [kJ/mol]."""
    slope = _widths(kinetics_for(check).constant(check.condition.get("phase", "eta")), lab)[1]
    wide = NORMAL_95 * slope * GAS_CONSTANT / 1e3
    return computed - wide, computed + wide


def _of_a_volume(check: Check, computed: float, lab: Laboratory) -> Band | None:
    """By the spreads of `databases/doubts.toml`, which say nothing of pure solid metals and of alpha."""
    phase = check.condition["phase"]
    name = "liquid_density" if phase == "liquid" else "compound_volume" if phase in COMPOUNDS else ""
    name = "compound_expansion" if name and check.topic == "linear_expansion" else name
    if not name:
        return None
    wide = NORMAL_95 * usual_spreads()[name]
    base = 100.0 if check.topic == "contraction" else 0.0  # per cent more than one
    return (base + computed) * (1 - wide) - base, (base + computed) * (1 + wide) - base


_OF_GROUP: dict[str, Callable[[Check, float, Laboratory], Band | None]] = {
    GROWTH: _of_a_constant, SLOPES: _of_a_slope, VOLUMES: _of_a_volume,
}  # fmt: skip

_BANDS = {topic: _OF_GROUP[group] for topic, group in GROUPS.items()} | {"tin_left": _of_a_strand}
