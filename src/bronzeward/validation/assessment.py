"""The constants of eta and epsilon that all evidence comes to, by one method; the default set holds the result.

Each phase has a law ln K = magnitude - energy * lever(T). A number differs from it by an error of its own; each source
by a magnitude and a slope of its own in each phase, normal with the standard deviations `between`: two samples of tin
on copper do not grow alike. These two are chosen where the evidence is most likely under the prior of
`databases/assessment.toml`; the laws are the Gaussian mean. With one law and no slope this is the mean of ln K weighted
by 1 / (own error squared + scatter between sources squared), as R.C. Paule, J. Mandel, J. Res. NBS 87 (1982) 377 have
it (from memory).

The factor of a constant is for the next strand, scatter between sources and error of the mean together: in its range
the mean over both ends, outside that at `farthest_C` of its phase.

A second method, made apart (one common slope scatter, values at the ends of ranges, the strand by its tin), came to
24 % of the tin left after 48 h at 215 °C and to constants within both widths of these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import exp, hypot, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from bronzeward.materials.kinetics import KineticSet, load_set
from bronzeward.units import ZERO_CELSIUS
from bronzeward.validation.check import Check
from bronzeward.validation.evidence import ASSESSED_PHASES, Evidence, all_evidence, judgement, lever, set_of

Array = NDArray[np.float64]

_ROUNDS = 3
"""Times the evidence is made linear round the last result; the third changes it by less than 1e-4."""

_STEP = np.array([1e-3, 1e-2, 1e-3, 1e-2])
"""Differences for the slopes of what is foreseen."""


@dataclass(frozen=True)
class Assessment:
    """What evidence comes to.

    Attributes
    ----------
    theta, covariance : ndarray, shape (4,) and (4, 4)
        Magnitude [-] and energy [kJ/mol] of eta, then of epsilon.
    between : (float, float)
        Standard deviation between sources of ln K [-], and of the energy [kJ/mol].
    """

    theta: Array
    covariance: Array
    between: tuple[float, float]

    def spread(self, phase: str, kelvin: float) -> float:
        """Standard deviation of ln K of a phase in the next sample."""
        first, along = 2 * ASSESSED_PHASES.index(phase), np.array([1.0, -lever(kelvin)])
        of_the_mean = along @ self.covariance[first : first + 2, first : first + 2] @ along
        return sqrt(float(of_the_mean) + self.between[0] ** 2 + (self.between[1] * lever(kelvin)) ** 2)

    def kinetics(self) -> KineticSet:
        """The default set with these laws and their factors."""
        assessed, laws = set_of(self.theta), {}
        for phase in ASSESSED_PHASES:
            law, far = assessed.constant(phase), judgement()["farthest_C"][phase] + ZERO_CELSIUS
            inside = hypot(*(self.spread(phase, end) for end in law.range)) / sqrt(2)
            laws[phase] = replace(law, factor=exp(inside), extrapolated_factor=exp(self.spread(phase, far)))
        return replace(assessed, constants=tuple(laws.get(c.phase, c) for c in assessed.constants))


@cache
def assess(without: str = "") -> Assessment:
    """From all evidence, as the default set holds it; or from what is left without one source of the bibliography."""
    if without:
        start = assess().theta
        return combined([piece for piece in _round(*start.tolist()) if without not in piece.sources], start)
    start = _prior()[0]
    for _ in range(_ROUNDS):
        result = combined(_round(*start.tolist()), start)
        start = result.theta
    return result


def kinetics_for(check: Check) -> KineticSet:
    """The constants that a check is computed with: its set; the default one as it were without the check's source."""
    name = check.condition.get("set", "default")
    used = {source for piece in _round(*assess().theta.tolist()) for source in piece.sources}
    return assess(check.source).kinetics() if name == "default" and check.source in used else load_set(name)


@cache
def _round(*guess: float) -> list[Evidence]:
    return all_evidence(np.array(guess))


def _prior() -> tuple[Array, Array]:
    """Mean and standard deviations."""
    prior = judgement()["prior"]
    mean = [log(prior["integrated_m2_per_s"]), prior["energy_kJ_per_mol"]]
    return np.array(2 * mean), np.array(2 * [log(prior["factor"]), prior["energy_sd"]])


def combined(evidence: Sequence[Evidence], start: Array) -> Assessment:
    """Laws and scatter between sources that pieces of evidence come to, iterated from `start`, shape (4,)."""
    theta, (mean, sd) = start, _prior()
    for _ in range(_ROUNDS):
        slope = np.array([_slopes(piece, theta) for piece in evidence])
        off = np.array([piece.value - piece.foreseen(theta) for piece in evidence]) + slope @ (theta - mean)
        alone, shared = _own(evidence), _shared(evidence)
        between = _between(slope, off, alone, shared)
        weighted = np.linalg.solve(alone + _scatter(slope, shared, between), slope)
        covariance = np.linalg.inv(slope.T @ weighted + np.diag(sd**-2.0))
        theta = mean + covariance @ weighted.T @ off
    return Assessment(theta, covariance, between)


def _slopes(piece: Evidence, theta: Array) -> Array:
    """Derivatives of what is foreseen, shape (4,)."""
    ends = [piece.foreseen(theta + step) - piece.foreseen(theta - step) for step in np.diag(_STEP)]
    return np.asarray(np.array(ends) / (2 * _STEP))


def _own(evidence: Sequence[Evidence]) -> Array:
    """Covariance of what numbers err by whatever the sources: own errors, and homogeneity ranges that sets share."""
    common = log(judgement()["homogeneity_range"]["factor"]) ** 2
    widths = [piece.width for piece in evidence]
    same = np.array([[common if one and one == other else 0.0 for other in widths] for one in widths])
    return np.asarray(np.diag([piece.error**2 for piece in evidence]) + same)


def _shared(evidence: Sequence[Evidence]) -> Array:
    """1 where two pieces are of one source, else 0, shape (n, n)."""
    sources = [piece.sources[0] for piece in evidence]
    return np.array([[float(one == other) for other in sources] for one in sources])


def _scatter(slope: Array, shared: Array, between: tuple[float, float]) -> Array:
    """Covariance of what pieces of one source have in common."""
    return np.asarray(shared * (slope @ np.diag(np.square([*between, *between])) @ slope.T))


def _between(slope: Array, off: Array, alone: Array, shared: Array) -> tuple[float, float]:
    """The scatter between sources under which the evidence is most likely."""
    known = alone + slope @ np.diag(_prior()[1] ** 2) @ slope.T

    def surprise(logs: Array) -> float:
        matrix = known + _scatter(slope, shared, (float(np.exp(logs[0])), float(np.exp(logs[1]))))
        return float(np.linalg.slogdet(matrix)[1] + off @ np.linalg.solve(matrix, off))

    best = minimize(surprise, [log(0.7), log(8.0)], method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-6})
    return float(np.exp(best.x[0])), float(np.exp(best.x[1]))
