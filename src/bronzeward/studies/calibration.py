"""Calibration: growth constants from measured layer thicknesses, with covariance and doubts.

The constants of the chosen phases are varied until the logarithms of the computed thicknesses fit those
of the measured ones, each weighted with the standard error of its mean (least squares, by scipy). Fitted
is either one factor per phase (its activation energy stays) or prefactor and activation energy. What the
base set says, with its factors as standard deviations, counts as one more measurement of each constant:
it hardly matters where the data say much, and holds still what they leave open. Directions in the space
of constants about which the data say less than the base set did are named.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date
from hashlib import sha256

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.growth.problem import DONE, STATUS
from bronzeward.inputs.case import DEFAULT_DESCRIPTION, Case, Numerics
from bronzeward.inputs.layer_measurements import CORE, SHELL, Measurement
from bronzeward.materials.growth_constants import COMPOUNDS, WIDE_PHASES, Covariance
from bronzeward.materials.kinetics import KineticSet
from bronzeward.materials.phases import LIQUID, SOLID_TIN
from bronzeward.model.batch import Shared, checked_workers, warm_engine
from bronzeward.model.layers import COLUMN
from bronzeward.studies.ensemble import widths
from bronzeward.studies.stability import stability
from bronzeward.units import GAS_CONSTANT

Array = NDArray[np.float64]

MODES = ("factors", "arrhenius")

UNLIKELY = 0.01
"""Chance of a larger chi-square below which the scatter is called larger than the readings' own."""

DOUBT_KJ = 10.0
"""Standard deviation of an activation energy before any fit [kJ/mol], where the set says nothing of it."""

FARTHEST = (np.log(1e5), 150.0)
"""Bounds of a fit: change of ln K at the middle temperature, of the activation energy [kJ/mol]."""

NOTHING_NM = 0.1
"""A layer that is not there counts as this thick [nm], so that its logarithm exists."""


@dataclass(frozen=True)
class Fit:
    """What a calibration found.

    Attributes
    ----------
    kinetics : KineticSet
        The base set with the fitted constants and their covariance.
    parameters : tuple of str
        "<phase>.ln_prefactor" and "<phase>.activation_energy_kJ_per_mol".
    factors : dict of float
        By phase, K over that of the base set at its middle temperature.
    factor_errors : dict of float
        Standard deviation of the logarithm of these.
    middle : dict of float, [K]
        These temperatures.
    computed : ndarray, shape (n_measurements,), [m]
    residuals : ndarray, shape (n_measurements,)
        ln(measured / computed) over its standard error.
    chi_square, p_value : float
        p: chance of a larger chi-square if constants and errors were right.
    degrees : int
        Measurements less values that they determine.
    remarks : tuple of str
        What the data cannot determine, and doubts about the fit.
    """

    kinetics: KineticSet
    parameters: tuple[str, ...]
    factors: dict[str, float]
    factor_errors: dict[str, float]
    middle: dict[str, float]
    measurements: tuple[Measurement, ...]
    computed: Array
    residuals: Array
    chi_square: float
    degrees: int
    p_value: float
    remarks: tuple[str, ...]


class _Model:
    """Computed thicknesses as a function of changes of the constants."""

    def __init__(
        self, measurements: Sequence[Measurement], base: KineticSet, phases: Sequence[str], mode: str,
        description: str, numerics: Numerics, workers: int,
    ) -> None:  # fmt: skip
        self.measurements, self.base, self.phases = list(measurements), base, list(phases)
        self.slopes, self.workers = mode == "arrhenius", workers
        samples = {m.sample: (m.strand, m.schedule) for m in measurements}
        self.order = {name: k for k, name in enumerate(samples)}
        self.cases = [Case(*sample, base, description, numerics) for sample in samples.values()]
        self.shared = Shared(self.cases, "run")
        self.middle = {phase: _middle(measurements) for phase in self.phases}
        self.measured = np.log([m.mean for m in measurements])
        self.errors = np.array([m.log_error for m in measurements])
        self.absent = np.array([m.absent for m in measurements])
        self.size = len(self.phases) * (2 if self.slopes else 1)
        self.bounds = np.repeat(FARTHEST, len(self.phases))[: self.size]
        self.prior = _prior(base, phases, self.slopes, description)

    @property
    def names(self) -> list[str]:
        """Names of the values that are varied, in words."""
        energies = [f"activation energy of {phase}" for phase in self.phases] if self.slopes else []
        return [*(f"ln K of {phase}" for phase in self.phases), *energies]

    def kinetics(self, theta: Array) -> KineticSet:
        """The base set with ln K at the middle temperature and activation energies [kJ/mol] changed."""
        constants = []
        for constant in self.base.constants:
            if constant.phase in self.phases:
                k = self.phases.index(constant.phase)
                energy = 1e3 * float(theta[len(self.phases) + k]) if self.slopes else 0.0
                rise = energy / (GAS_CONSTANT * self.middle[constant.phase])
                constant = constant.shifted(float(theta[k]) + rise, energy)
            constants.append(constant)
        return replace(self.base, constants=tuple(constants), covariance=None)

    def thicknesses(self, theta: Array) -> Array:
        """Computed thickness of every measurement [m]."""
        kinetics = self.kinetics(theta)
        cases = [replace(case, kinetics=kinetics) for case in self.cases]
        if self.workers > 1 and len(cases) > 1:
            with ThreadPoolExecutor(self.workers) as pool:
                ends = list(pool.map(self._end, cases))
        else:
            ends = [self._end(case) for case in cases]
        return np.array([sum(ends[self.order[m.sample]][name] for name in m.layers) for m in self.measurements])

    def _end(self, case: Case) -> dict[str, float]:
        recorded = self.shared.integrate(case)
        if recorded.counts[STATUS] != DONE:
            raise InputError("fit: a run with these constants did not finish; leave out samples or fix more constants")
        layers = self.shared.history(case, recorded.last_row()).layers
        by_phase = {phase: float(layers.thickness[0, column]) for phase, column in COLUMN.items()}
        # what is left of the core lies round a void, which has no place of its own in a section
        core = float(np.nanmax([0.0, *(layers.outer[0, COLUMN[phase]] for phase in (SOLID_TIN, LIQUID))]))
        return {SHELL: float(layers.shell[0]), CORE: 2.0 * core, **by_phase}

    def residuals(self, theta: Array) -> Array:
        """ln(computed / measured) over the standard errors; of absent layers, the root of -2 ln likelihood."""
        from scipy.special import log_ndtr

        computed = np.maximum(self.thicknesses(theta), NOTHING_NM * 1e-9)
        off = (np.log(computed) - self.measured) / self.errors
        return np.asarray(np.where(self.absent, np.sqrt(-2.0 * log_ndtr(-off)), off))

    def jacobian(self, theta: Array) -> Array:
        """Central differences wide enough that the steps of a run do not show."""
        columns = []
        for k in range(theta.size):
            width = 0.02 if k < len(self.phases) else 0.5
            step = np.zeros_like(theta)
            step[k] = width
            columns.append((self.residuals(theta + step) - self.residuals(theta - step)) / (2.0 * width))
        return np.array(columns).T


def data_name(measurements: Sequence[Measurement], name: str) -> str:
    """What a fitted constant names as its source: the set, the day, the samples, and a digest of the data."""
    rows = [
        (m.sample, m.strand.to_data(), m.schedule.time.tolist(), m.schedule.temperature.tolist(), m.layer, m.mean,
         m.deviation, m.readings)
        for m in measurements
    ]  # fmt: skip
    digest = sha256(json.dumps(rows).encode()).hexdigest()[:16]
    samples = ", ".join(dict.fromkeys(m.sample for m in measurements))
    return f"{name}: own measurements, fitted {date.today().isoformat()}; samples {samples}; data sha256 {digest}"


def _span(measurements: Sequence[Measurement]) -> tuple[float, float]:
    """Lowest and highest of the hottest temperatures of the samples [K]."""
    hottest = [float(m.schedule.temperature.max()) for m in measurements]
    return min(hottest), max(hottest)


def _middle(measurements: Sequence[Measurement]) -> float:
    """Temperature in the middle of those of the samples, in 1/T [K]: that of a hold, else the mean."""
    reciprocal = [1.0 / float(m.schedule.temperature[m.schedule.temperature > 0].max()) for m in measurements]
    return 2.0 / (min(reciprocal) + max(reciprocal))


def fit(
    measurements: Sequence[Measurement],
    base: KineticSet,
    phases: Sequence[str] = ("eta", "epsilon"),
    mode: str = "factors",
    description: str = DEFAULT_DESCRIPTION,
    numerics: Numerics | None = None,
    workers: int = 2,
    name: str = "fitted",
) -> Fit:
    """Fit the constants of `phases` to measured thicknesses.

    Parameters
    ----------
    measurements : sequence of Measurement
    base : KineticSet
        Where the fit starts, and what it keeps.
    phases : sequence of str
    mode : str
        "factors" one factor each; "arrhenius" prefactor and activation energy each.
    numerics : Numerics, optional
        For the runs of the fit.
    name : str
        Name of the fitted set.
    """
    from scipy.stats import chi2

    _check(measurements, phases, mode)
    checked_workers(workers)
    warm_engine()
    model = _Model(measurements, base, phases, mode, description, numerics or Numerics(), workers)
    theta = _nearest(model)
    covariance, remarks = _covariance(model.jacobian(theta), model.prior, model.names)
    residuals = -model.residuals(theta)
    chi_square, degrees = float(residuals @ residuals), int((~model.absent).sum()) - model.size + len(remarks)
    p_value = float(chi2.sf(chi_square, degrees)) if degrees > 0 else float("nan")
    if degrees > 0 and p_value < UNLIKELY:
        covariance *= chi_square / degrees
    kinetics = _named(model, theta, covariance, name)
    deviations = np.sqrt(np.diag(covariance))
    return Fit(
        kinetics=kinetics,
        parameters=kinetics.covariance.parameters if kinetics.covariance else (),
        factors={phase: float(np.exp(theta[k])) for k, phase in enumerate(phases)},
        factor_errors={phase: float(deviations[k]) for k, phase in enumerate(phases)},
        middle=dict(model.middle),
        measurements=tuple(measurements),
        computed=model.thicknesses(theta),
        residuals=residuals,
        chi_square=chi_square,
        degrees=degrees,
        p_value=p_value,
        remarks=(*remarks, *_doubts(model, residuals, degrees, p_value, theta)),
    )


def _nearest(model: _Model) -> Array:
    """Changes of the constants that fit the measurements best, the base set counting as one of each constant."""
    from scipy.optimize import least_squares

    weights = np.diag(1.0 / model.prior)
    solved = least_squares(
        lambda theta: np.concatenate([model.residuals(theta), theta / model.prior]),
        np.zeros(model.size),
        jac=lambda theta: np.concatenate([model.jacobian(theta), weights]),
        bounds=(-model.bounds, model.bounds),
        x_scale=model.prior,
        xtol=1e-6,
        ftol=1e-8,
    )
    return np.asarray(solved.x)


def _check(measurements: Sequence[Measurement], phases: Sequence[str], mode: str) -> None:
    if mode not in MODES:
        raise InputError(f"fit: mode is {mode!r}; allowed: {', '.join(MODES)}")
    if not measurements:
        raise InputError("fit: no measurements")
    if not phases or len(set(phases)) != len(phases):
        raise InputError("fit: phases must be one or more, each once")
    for phase in phases:
        if phase not in COMPOUNDS + WIDE_PHASES:
            raise InputError(f"fit: phase '{phase}' is not known; allowed: {', '.join(COMPOUNDS + WIDE_PHASES)}")


def _prior(base: KineticSet, phases: Sequence[str], slopes: bool, description: str) -> Array:
    """Standard deviations of the varied values before the fit."""
    known = stability(description)
    rows = [widths(base.constant(p), known.get(p, base.constant(p).range)) for p in phases]
    energies = [max(b * GAS_CONSTANT / 1e3, DOUBT_KJ) for _, b, _ in rows]
    return np.array([np.log(base.constant(p).factor) for p in phases] + (energies if slopes else []))


def _covariance(jacobian: Array, prior: Array, names: list[str]) -> tuple[Array, list[str]]:
    """Covariance of the varied values; directions of which the data say less than the base set did are named."""
    _, singular, directions = np.linalg.svd(jacobian * prior, full_matrices=True)
    precision = np.zeros(prior.size)
    precision[: singular.size] = singular**2
    covariance = (directions.T / (1.0 + precision)) @ directions * np.outer(prior, prior)
    remarks = [
        f"the data do not determine {_in_words(directions[k], names)}; it stays about as uncertain as it was"
        for k in np.flatnonzero(precision < 1.0)
    ]
    return covariance, remarks


def _in_words(direction: Array, names: list[str]) -> str:
    """The values that take part in a direction."""
    largest = np.abs(direction).max()
    taking = [(names[k], direction[k]) for k in np.argsort(-np.abs(direction)) if abs(direction[k]) > 0.3 * largest]
    if len(taking) == 1:
        return str(taking[0][0])
    signs = ["up" if value * taking[0][1] > 0 else "down" for _, value in taking]
    return "the combination " + ", ".join(f"{name} {sign}" for (name, _), sign in zip(taking, signs, strict=True))


def _doubts(model: _Model, residuals: Array, degrees: int, p_value: float, theta: Array) -> list[str]:
    remarks = []
    if degrees <= 0:
        remarks.append("no more measurements than values they determine: the fit cannot be judged")
    elif p_value < UNLIKELY:
        remarks.append(
            f"the scatter is larger than the readings' own (p = {p_value:.1e}); the covariance was enlarged to match"
        )
    worst = int(np.argmax(np.abs(residuals)))
    if abs(residuals[worst]) > 3.0:
        m = model.measurements[worst]
        remarks.append(f"{m.sample}, {m.layer}: {residuals[worst]:+.1f} standard errors off")
    if (np.abs(theta) > 0.99 * model.bounds).any():
        remarks.append("a constant went to its bound; the measurements contradict the model or each other")
    return remarks


def _named(model: _Model, theta: Array, covariance: Array, name: str) -> KineticSet:
    """The fitted set, its covariance in terms of ln prefactor and activation energy."""
    phases, count = model.phases, len(model.phases)
    to_prefactor = np.eye(theta.size)
    names = [f"{phase}.ln_prefactor" for phase in phases]
    if model.slopes:
        # ln prefactor = ln K + E / (R Tm)
        for k, phase in enumerate(phases):
            to_prefactor[k, count + k] = 1e3 / (GAS_CONSTANT * model.middle[phase])
        names += [f"{phase}.activation_energy_kJ_per_mol" for phase in phases]
    matrix = to_prefactor @ covariance @ to_prefactor.T
    matrix = 0.5 * (matrix + matrix.T)
    known = model.kinetics(theta)
    deviations = dict(zip(phases, np.sqrt(np.diag(covariance)), strict=False))
    source, span = data_name(model.measurements, name), _span(model.measurements)
    constants = tuple(
        replace(
            c, factor=float(np.exp(deviations[c.phase])), grade="measured", seen="derived", range=span,
            extrapolated_factor=max(c.extrapolated_factor, float(np.exp(deviations[c.phase]))), source=(source,),
            note=f"fitted to measured thicknesses; prior only: {', '.join(c.source) or 'none named'}",
        ) if c.phase in phases else c
        for c in known.constants
    )  # fmt: skip
    rows = tuple(tuple(row) for row in matrix.tolist())
    title = f"{model.base.name}, with {', '.join(phases)} fitted to {len(model.measurements)} measured thicknesses"
    return KineticSet(name, title, constants, Covariance(tuple(names), rows))
