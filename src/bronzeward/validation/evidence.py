"""What is published on growth of eta and epsilon, as numbers that a law of each phase foresees.

A law is ln K(T) = magnitude - energy * lever(T). `theta` holds magnitude [-] and energy [kJ/mol] of eta, then of
epsilon. `databases/assessment.toml` lists the evidence and what it is worth.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from math import hypot, log
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.files import read_toml
from bronzeward.materials import literature
from bronzeward.materials.kinetics import KineticSet, load_set
from bronzeward.materials.plane_couple import growth_from_integrated
from bronzeward.units import GAS_CONSTANT, HOUR, ZERO_CELSIUS
from bronzeward.validation.check import Check, read_checks
from bronzeward.validation.laboratory import Laboratory
from bronzeward.validation.sub_element import SLEEVES, hours_until_left

Array = NDArray[np.float64]
Foreseen = Callable[[Array], float]

ASSESSED_PHASES = ("eta", "epsilon")


@dataclass(frozen=True)
class Evidence:
    """One published number.

    `value` and `foreseen(theta)` have one unit: the logarithm of a constant, a squared layer or a time, or kJ/mol.
    `error` is one standard deviation of this number alone; `sources` are keys of the bibliography, the first of which
    names what shares a deviation; `width` is the phase whose homogeneity range it was multiplied by, if any.
    """

    sources: tuple[str, ...]
    value: float
    foreseen: Foreseen
    error: float
    width: str = ""


@cache
def judgement() -> dict[str, Any]:
    """The file that says what the evidence is worth."""
    return read_toml(literature.folder() / "assessment.toml")


def lever(kelvin: float) -> float:
    """What one kJ/mol more in slope takes from ln K at a temperature [mol/kJ]."""
    return 1e3 * (1.0 / kelvin - 1.0 / (float(judgement()["reference_C"]) + ZERO_CELSIUS)) / GAS_CONSTANT


def ln_constant(theta: Array, phase: str, kelvin: float) -> float:
    """ln K [m2/s] of a phase by the laws of `theta`."""
    first = 2 * ASSESSED_PHASES.index(phase)
    return float(theta[first] - theta[first + 1] * lever(kelvin))


def set_of(theta: Array) -> KineticSet:
    """The default set with the laws of `theta` for eta and epsilon."""
    plain, laws = load_set(), {}
    for phase, energy in zip(ASSESSED_PHASES, theta[1::2].tolist(), strict=True):
        endless = float(np.exp(ln_constant(theta, phase, np.inf)))
        laws[phase] = replace(plain.constant(phase), prefactor=endless, activation=1e3 * energy)
    return replace(plain, name="assessed", constants=tuple(laws.get(c.phase, c) for c in plain.constants))


def all_evidence(guess: Array) -> list[Evidence]:
    """Every piece; what the strand foresees is linear round `guess`."""
    rows, lab = {check.id: check for check in read_checks()}, Laboratory()
    evidence: list[Evidence] = []
    for piece in judgement()["evidence"]:
        evidence += _of_a_set(piece) if "set" in piece else []
        evidence += [_of_a_check(rows[name], piece["apart"], lab, guess) for name in piece.get("checks", [])]
    return evidence


def _errors(seen: str, apart: str | None) -> tuple[float, float]:
    """Standard deviations of a number of its own: of ln K, and of an energy [kJ/mol]."""
    parts = [judgement()["seen"][seen], *([judgement()["apart"][apart]] if apart else [])]
    return hypot(*(log(part["factor"]) for part in parts)), hypot(*(part["energy"] for part in parts))


def _of_a_set(piece: dict[str, Any]) -> Iterator[Evidence]:
    """Magnitude in the middle of the range, and slope, of the constants a set measured."""
    for constant in load_set(piece["set"]).constants:
        if piece["set"] in constant.source and constant.phase in ASSESSED_PHASES:
            phase, middle = constant.phase, 2.0 / sum(1.0 / end for end in constant.range)
            magnitude, slope = _errors(constant.seen, piece.get("apart"))
            value = log(float(constant.at(middle)))
            yield Evidence(constant.source, value, _magnitude(phase, middle), magnitude, phase)
            yield Evidence(constant.source, constant.activation / 1e3, _energy(phase), slope)


def _of_a_check(check: Check, apart: str, lab: Laboratory, guess: Array) -> Evidence:
    given, sources = check.condition, (check.source,)
    magnitude, slope = _errors(check.seen, apart)
    if check.topic == "activation_energy":
        return Evidence(sources, check.value, _energy(given["phase"]), slope)
    if check.topic == "plane_couple":
        squared = 2 * log(check.value * 1e-6) - log(float(given["time_h"]) * HOUR)
        return Evidence(sources, squared, _layer(lab, float(given["temperature_C"]) + ZERO_CELSIUS), magnitude)
    foreseen, unsure = strand(check, lab, guess)
    return Evidence(sources, log(float(given["time_h"])), foreseen, hypot(magnitude, unsure))


def _magnitude(phase: str, kelvin: float) -> Foreseen:
    return lambda theta: ln_constant(theta, phase, kelvin)


def _energy(phase: str) -> Foreseen:
    """Of K; what is printed is often of a layer, which differs by 2 to 4 kJ/mol, less than it may err."""
    return lambda theta: float(theta[2 * ASSESSED_PHASES.index(phase) + 1])


def _layer(lab: Laboratory, kelvin: float) -> Foreseen:
    """Logarithm of the growth constant of eta and epsilon together on a plane couple."""
    volume = [lab.properties.molar_volume[phase] for phase in ASSESSED_PHASES]
    tin = [lab.properties.compound_tin[phase] for phase in ASSESSED_PHASES]

    def foreseen(theta: Array) -> float:
        constants = np.exp([ln_constant(theta, phase, kelvin) for phase in ASSESSED_PHASES])
        return 2 * log(float(np.sqrt(growth_from_integrated(constants, volume, tin, (1.0, 0.0))).sum()))

    return foreseen


def strand(check: Check, lab: Laboratory, guess: Array) -> tuple[Foreseen, float]:
    """Logarithm of the hours until as much tin is left as was found, the mean over where the copper may lie.

    Both constants times a number change nothing but the time, so one difference gives both slopes. How the means
    differ, and what a few per cent of tin more or less make, is the error returned.
    """
    unsure, step = float(judgement()["tin_left"]["error_percent"]), np.array([0.0, 0.0, 0.1, 0.0])
    kelvin = float(check.condition["temperature_C"]) + ZERO_CELSIUS
    lefts = check.value + unsure * np.array([0.0, -1.0, 1.0])

    def hours(theta: Array) -> Array:
        return np.log([hours_until_left(check, lab, set_of(theta), share, lefts) for share in SLEEVES])

    there, slower = hours(guess), (hours(guess + step) - hours(guess - step))[:, 0].mean() / (2 * step[2])
    slopes = np.array([-1.0 - slower, slower])

    def foreseen(theta: Array) -> float:
        grown = [ln_constant(theta, phase, kelvin) - ln_constant(guess, phase, kelvin) for phase in ASSESSED_PHASES]
        return float(there[:, 0].mean() + slopes @ grown)

    return foreseen, hypot(there[:, 0].std(ddof=1), (there[:, 1] - there[:, 2]).mean() / 2)
