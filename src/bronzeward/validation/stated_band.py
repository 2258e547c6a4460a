"""The 90 % band that the constants state for themselves, round the computed value of a check."""

from __future__ import annotations

from bronzeward.materials.growth_constants import Constant
from bronzeward.units import ZERO_CELSIUS
from bronzeward.validation.assessment import kinetics_for
from bronzeward.validation.check import OUTSIDE, Check
from bronzeward.validation.evidence import ASSESSED_PHASES
from bronzeward.validation.laboratory import Laboratory
from bronzeward.validation.sub_element import percent_tin_left

NORMAL_95 = 1.6448536269514722
"""A normal value lies within as many standard deviations either way with a probability of 90 %."""

_CONSTANTS = ("growth_constant", "tracer_diffusion", "interdiffusion")


def stated_band(check: Check, computed: float, lab: Laboratory) -> tuple[float, float] | None:
    """Low and high in the check's unit; None for checks that are not from outside or rest on no growth constant.

    A layer goes as the root of its constant; eta and epsilon err together, a couple by the factor of eta.
    """
    if check.kind not in OUTSIDE:
        return None
    if check.topic == "tin_left":
        return _band_of_a_strand(check, lab)
    if check.topic not in (*_CONSTANTS, "plane_couple"):
        return None
    kelvin = float(check.condition["temperature_C"]) + ZERO_CELSIUS
    wide = _wide(kinetics_for(check).constant(check.condition.get("phase", "eta")), kelvin)
    wide = wide**0.5 if check.topic == "plane_couple" else wide
    return computed / wide, computed * wide


def _wide(constant: Constant, kelvin: float) -> float:
    """The factor either way that holds 90 %."""
    low, high = constant.range
    return float((constant.factor if low <= kelvin <= high else constant.extrapolated_factor) ** NORMAL_95)


def _band_of_a_strand(check: Check, lab: Laboratory) -> tuple[float, float]:
    kelvin, plain = float(check.condition["temperature_C"]) + ZERO_CELSIUS, kinetics_for(check)
    wide = {phase: _wide(plain.constant(phase), kelvin) for phase in ASSESSED_PHASES}
    ends = [percent_tin_left(check, lab, plain.scaled({p: w**sign for p, w in wide.items()})) for sign in (-1, 1)]
    return min(ends), max(ends)
