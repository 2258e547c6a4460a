"""The 90 % bands round the computed value of a check: the program's own, and the one that holds a published value.

What somebody publishes differs from what is computed by the spread that the program states for itself, and by an error
of its own (`own_error`). Both are taken as normal, of logarithms where a constant or a layer is compared, so nine of
ten published values are to lie within 1.645 of the two together.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, hypot, log
from typing import NamedTuple

import numpy as np

from bronzeward.materials.doubt_data import usual_spreads
from bronzeward.materials.growth_constants import COMPOUNDS, Constant
from bronzeward.materials.kinetics import KineticSet
from bronzeward.studies.ensemble import widths
from bronzeward.studies.quantiles import NORMAL_95
from bronzeward.studies.stability import stability
from bronzeward.units import GAS_CONSTANT, ZERO_CELSIUS
from bronzeward.validation.assessment import assess, kinetics_for
from bronzeward.validation.check import OUTSIDE, Check
from bronzeward.validation.evidence import ASSESSED_PHASES, strand
from bronzeward.validation.laboratory import Laboratory
from bronzeward.validation.own_error import ENERGY, EXPANSION, FACTOR, VOLUME, own_error, why_not_counted
from bronzeward.validation.sub_element import percent_tin_left

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


class Stated(NamedTuple):
    """What the program states of a published value, in the check's unit.

    `alone` is the 90 % band of the computed value by itself, `band` the one that is to hold what is published; `score`
    is published less computed over the standard deviation of the latter; `left_out` says why a value does not count.
    """

    alone: Band
    band: Band
    score: float
    left_out: str = ""


class _Parts(NamedTuple):
    """Standard deviations of the model and of the published value, how far this is off, all on one scale.

    `ends` gives the band in the check's unit for so much on that scale either way.
    """

    model: float
    own: float
    off: float
    ends: Callable[[float], Band]


def stated(check: Check, computed: float, lab: Laboratory) -> Stated | None:
    """Bands of a check; None where it is not from outside or no spread is stated."""
    parts_of = _PARTS.get(check.topic)
    parts = parts_of(check, computed, lab) if parts_of and check.kind in OUTSIDE else None
    if parts is None:
        return None
    both = hypot(parts.model, parts.own)
    alone, band = (parts.ends(NORMAL_95 * deviation) for deviation in (parts.model, both))
    return Stated(alone, band, parts.off / both, why_not_counted(check))


def _factors(check: Check, computed: float, model: float, own: float) -> _Parts:
    """Where logarithms are compared."""
    return _Parts(model, own, log(check.value / computed), lambda wide: (computed / exp(wide), computed * exp(wide)))


def _of_a_constant(check: Check, computed: float, lab: Laboratory) -> _Parts:
    kelvin = float(check.condition["temperature_C"]) + ZERO_CELSIUS
    model = _deviation(kinetics_for(check).constant(check.condition["phase"]), kelvin, lab)
    return _factors(check, computed, model, own_error(check, FACTOR))


def _deviation(constant: Constant, kelvin: float, lab: Laboratory) -> float:
    """Standard deviation of ln K among the members of a band."""
    magnitude, slope, middle = _widths(constant, lab)
    return hypot(magnitude, slope * (1 / kelvin - middle))


def _widths(constant: Constant, lab: Laboratory) -> tuple[float, float, float]:
    return widths(constant, stability(lab.description).get(constant.phase, constant.range))


def _of_a_layer(check: Check, computed: float, lab: Laboratory) -> _Parts:
    """By what a standard deviation of each constant, and of each exponent of growth, moves the layer either way."""
    plain, celsius = kinetics_for(check), float(check.condition["temperature_C"])

    def moved(ends: list[KineticSet]) -> float:
        """Half the logarithm of the quotient of two layers."""
        high, low = (lab.couple(s, celsius, float(check.condition["time_h"]))[check.condition["answer"]] for s in ends)
        return 0.5 * log(high / low)

    effects = []
    for phase in ASSESSED_PHASES:
        law = plain.constant(phase)
        far = exp(_deviation(law, celsius + ZERO_CELSIUS, lab))
        bent = law.slowing_spread or usual_spreads()["growth_exponent"]
        effects.append(moved([plain.scaled({phase: far}), plain.scaled({phase: 1 / far})]))
        effects.append(moved([plain.slowed({phase: law.slowing + bent}), plain.slowed({phase: law.slowing - bent})]))
    return _factors(check, computed, hypot(*effects), 0.5 * own_error(check, FACTOR))


def _of_a_strand(check: Check, computed: float, lab: Laboratory) -> _Parts:
    """On the scale of a factor of both constants, which is one of time."""
    kelvin, plain = float(check.condition["temperature_C"]) + ZERO_CELSIUS, kinetics_for(check)
    theta = assess(check.source).theta
    foreseen, unsure = strand(check, lab, theta)
    shares = [foreseen(theta - step) - foreseen(theta) for step in np.diag([1.0, 0.0, 1.0, 0.0])[[0, 2]]]
    spread = [_deviation(plain.constant(phase), kelvin, lab) for phase in ASSESSED_PHASES]
    model = hypot(*(share * deviation for share, deviation in zip(shares, spread, strict=True)))

    def ends(wide: float) -> Band:
        factors = [dict.fromkeys(ASSESSED_PHASES, exp(sign * wide)) for sign in (-1, 1)]
        more, less = (percent_tin_left(check, lab, plain.scaled(factor)) for factor in factors)
        return less, more

    off = foreseen(theta) - log(float(check.condition["time_h"]))
    return _Parts(model, hypot(own_error(check, FACTOR), unsure), off, ends)


def _of_a_slope(check: Check, computed: float, lab: Laboratory) -> _Parts:
    """As members of a band draw the slope of a constant [kJ/mol]."""
    slope = _widths(kinetics_for(check).constant(check.condition.get("phase", "eta")), lab)[1]
    model = slope * GAS_CONSTANT / 1e3
    off = check.value - computed
    return _Parts(model, own_error(check, ENERGY), off, lambda wide: (computed - wide, computed + wide))


def _of_a_volume(check: Check, computed: float, lab: Laboratory) -> _Parts | None:
    """By the spreads of `databases/doubts.toml`, which say nothing of pure solid metals and of alpha."""
    phase, expands = check.condition["phase"], check.topic == "linear_expansion"
    name = "liquid_density" if phase == "liquid" else "compound_volume" if phase in COMPOUNDS else ""
    name = "compound_expansion" if name and expands else name
    if not name:
        return None
    base = 100.0 if check.topic == "contraction" else 0.0  # per cent more than one
    whole = base + computed
    return _Parts(
        usual_spreads()[name],
        own_error(check, EXPANSION if expands else VOLUME),
        (check.value - computed) / whole,
        lambda wide: (computed - wide * whole, computed + wide * whole),
    )


_OF_GROUP: dict[str, Callable[[Check, float, Laboratory], _Parts | None]] = {
    GROWTH: _of_a_constant, SLOPES: _of_a_slope, VOLUMES: _of_a_volume,
}  # fmt: skip

_PARTS = {topic: _OF_GROUP[group] for topic, group in GROUPS.items()} | {
    "plane_couple": _of_a_layer, "tin_left": _of_a_strand,
}  # fmt: skip
