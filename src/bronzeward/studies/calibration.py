"""Calibration: growth constants updated by measured layers, with covariance and doubts.

Before the fit, the base set says what its constants may be: for each phase ln K, its slope over 1/T and, where the set
says how far it is known, the exponent by which growth slows are normal (`constant_prior`). The measured thicknesses are
taken as log-normal about the computed ones, with the standard error of their mean and, independent of it, a scatter of
the model itself. Searched is the most likely change of all these values together (least squares, by scipy) and, from
the slopes there, their covariance (Laplace's approximation). Thickness is no linear function of the exponent of growth,
so the most likely value is not the middle of what is likely: the mean and the covariance that are given come from
values drawn by that approximation, each weighted by how likely it is (importance sampling). A layer that is not there
only says that it is thinner than a limit, and may vanish at once as a constant grows: slopes know nothing of that. So
it has no part in the search, only in the weights, where it counts in steps that leave enough draws of worth.
Constants whose run does not finish are not taken in the search, and left out of the draws, which is told.
Data at one temperature fix the constant at that temperature and leave its slope as it was; data that say nothing
leave everything as it was. Directions in the space of constants about which the data say less than the base set
did are named.
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
from bronzeward.inputs.layer_measurements import AREA, CORE, Measurement
from bronzeward.materials.doubt_data import usual_spreads
from bronzeward.materials.growth_constants import (
    COMPOUNDS,
    ENERGY,
    EXPONENT,
    FITTED,
    LN_PREFACTOR,
    WIDE_PHASES,
    Constant,
    Covariance,
)
from bronzeward.materials.kinetics import KineticSet
from bronzeward.model.batch import Shared, checked_workers
from bronzeward.model.ready_engine import warm_engine
from bronzeward.studies.constant_prior import at_temperature, prior_of, with_changes
from bronzeward.studies.ensemble import far_end, scaled_root
from bronzeward.studies.section_measures import measured_value, section_measures
from bronzeward.studies.stability import stability
from bronzeward.units import ZERO_CELSIUS

Array = NDArray[np.float64]

MODEL_SCATTER = 0.05
"""Standard deviation of the logarithm of a thickness that the model itself leaves open, where none is stated: layers
are wavy and of uneven grain, so repeats of one sample differ by some per cent (common practice, no source)."""

UNLIKELY = 0.01
"""Chance of a larger chi-square below which the scatter is called larger than what was stated."""

FARTHEST = 6.0
"""Bounds of a fit, in standard deviations of what the base set says."""

FAR = 3.0
"""Standard deviations beyond which a fitted value is named as far from the base set."""

CULPRIT = 0.5
"""Share of chi-square from which one measurement is named as what made the scatter too large."""

TOLD = 0.9
"""Share of the standard deviation of ln K that a fit leaves, from which a constant is none of the user's own: it keeps
its source and its range."""

ALONE = 0.8
"""Share of a value that lies in what the data leave open, from which it is named alone."""

STEP = 0.05
"""Half the width of the central differences, in standard deviations: wide enough that steps of a run do not show."""

DRAWS = 256
"""Values drawn for mean and covariance, the second half opposite to the first."""

ENOUGH = 0.5
"""Share of the draws that their weights must leave of worth; below it, others are drawn from what these gave."""

LEAST = 0.25
"""The same, from which layers that are not there may count more."""

ROUNDS = 8
"""Most rounds of draws. Layers that are not there and do not count in full by then count in part, which is cautious."""

REJECTED = 1e3
"""Residual of constants whose run does not finish: the search turns away from them."""

MOST_UNFINISHED = 0.1
"""Share of the draws whose runs may stay unfinished."""

CALLED = {LN_PREFACTOR: "ln K", ENERGY: "activation energy", EXPONENT: "exponent of growth"}

NOT_VARIED = 1e-6
"""What is known better than this before a fit counts as fixed."""

TINY = 1e-12
"""Least variance that is divided by."""

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
        "<phase>.ln_prefactor", "<phase>.activation_energy_kJ_per_mol" and "<phase>.slowing_exponent".
    factors : dict of float
        By phase, K over that of the base set at the samples' middle temperature, and at the thickness that a constant
        refers to where its growth slows.
    factor_errors, prior_errors : dict of float
        Standard deviation of the logarithm of these, after and before the fit.
    energy_errors, prior_energy_errors : dict of float, [kJ/mol]
        The same of the activation energies.
    exponent_errors, prior_exponent_errors : dict of float, [-]
        The same of the exponents of growth, for phases that have one to be fitted.
    middle : float, [K]
        That temperature.
    computed : ndarray, shape (n_measurements,), [m], of areas [-]
    residuals : ndarray, shape (n_measurements,)
        ln(measured / computed) over its standard deviation.
    model_scatter : float, [-]
        Standard deviation of ln thickness that the model itself was given.
    chi_square, p_value : float
        p: chance of a larger chi-square if constants and errors were right.
    degrees : float
        Measurements less values that they determine.
    remarks : tuple of str
        What the data cannot determine, and doubts about the fit.
    drawn, unfinished : int
        Values drawn for mean and covariance, and how many of them were left out because their runs did not finish.
    """

    kinetics: KineticSet
    parameters: tuple[str, ...]
    factors: dict[str, float]
    factor_errors: dict[str, float]
    prior_errors: dict[str, float]
    energy_errors: dict[str, float]
    prior_energy_errors: dict[str, float]
    exponent_errors: dict[str, float]
    prior_exponent_errors: dict[str, float]
    middle: float
    measurements: tuple[Measurement, ...]
    computed: Array
    residuals: Array
    model_scatter: float
    chi_square: float
    degrees: float
    p_value: float
    remarks: tuple[str, ...]
    drawn: int
    unfinished: int


class _Model:
    """Computed thicknesses as a function of changes of the constants.

    Changes are given as `z`, standard normal numbers before the fit; as near as can be one for ln K of each phase at
    the samples' middle temperature and one for each activation energy.
    """

    def __init__(
        self, measurements: Sequence[Measurement], base: KineticSet, phases: Sequence[str], scatter: float = 0.0,
        description: str = DEFAULT_DESCRIPTION, numerics: Numerics | None = None, workers: int = 1,
    ) -> None:  # fmt: skip
        self.measurements, self.base, self.workers = list(measurements), base, workers
        samples = {m.sample: (m.strand, m.schedule) for m in measurements}
        self.order = {name: k for k, name in enumerate(samples)}
        self.cases = [Case(*sample, base, description, numerics or Numerics()) for sample in samples.values()]
        self.shared, self.rough = (Shared(self.cases, precision) for precision in ("run", "quick"))
        self.measured = np.log([m.mean for m in measurements])
        self.errors = np.array([np.hypot(m.log_error, scatter * _grown(m)) for m in measurements])
        self.absent = np.array([m.absent for m in measurements])
        prior = prior_of(base, phases, description)
        self.parameters, self.middle = prior.parameters, _middle(measurements)
        self.there = at_temperature(self.parameters, self.middle)
        self.root = scaled_root(self.there @ np.array(prior.matrix) @ self.there.T)
        self.to_changes = np.linalg.solve(self.there, self.root)
        self.size = len(self.parameters)

    @property
    def names(self) -> list[str]:
        """Names of the values that are varied, in words."""
        parts = [name.split(".", 1) for name in self.parameters]
        return [f"{CALLED[value]} of {phase}" for phase, value in parts]

    def kinetics(self, z: Array) -> KineticSet:
        """The base set with its constants changed."""
        return with_changes(self.base, dict(zip(self.parameters, (self.to_changes @ z).tolist(), strict=True)))

    def thicknesses(self, many: Array, rough: bool = False) -> Array:
        """Computed thickness [m] or area of every measurement, for each row of `many`: shape (n, n_measurements).

        nan in the whole row where the run of a sample does not finish.
        """
        sets = [self.kinetics(z) for z in many]
        cases = [replace(case, kinetics=kinetics) for kinetics in sets for case in self.cases]
        shared = self.rough if rough else self.shared
        with ThreadPoolExecutor(self.workers) as pool:
            ends = list(pool.map(lambda case: _end(shared, case), cases))
        each = [ends[k : k + len(self.cases)] for k in range(0, len(ends), len(self.cases))]
        return np.array([self._measured(end) for end in each])

    def _measured(self, ends: Sequence[dict[str, float] | None]) -> list[float]:
        finished = [end for end in ends if end is not None]
        if len(finished) < len(ends):
            return [np.nan] * len(self.measurements)
        return [measured_value(finished[self.order[m.sample]], m.layers) for m in self.measurements]

    def residuals(self, many: Array, rough: bool = False) -> Array:
        """ln(computed / measured) over the standard deviations; of absent layers, the root of -2 ln likelihood."""
        from scipy.special import log_ndtr

        computed = np.maximum(self.thicknesses(many, rough), NOTHING_NM * 1e-9)
        off = (np.log(computed) - self.measured) / self.errors
        return np.asarray(np.where(self.absent, np.sqrt(-2.0 * log_ndtr(-off)), off))

    def seen(self, many: Array) -> Array:
        """The residuals of layers that are there; `REJECTED` where a run does not finish."""
        found = self.residuals(many)[:, ~self.absent]
        return np.where(np.isnan(found), REJECTED, found)

    def jacobian(self, z: Array) -> Array:
        """Central differences of the residuals of layers that are there, shape (their number, size).

        To one side alone where the run to the other side does not finish.
        """
        steps = STEP * np.eye(self.size)
        ends = self.residuals(np.concatenate([z + steps, z - steps]))[:, ~self.absent]
        above, below, width = ends[: self.size], ends[self.size :], np.full(self.size, 2.0 * STEP)
        lost = np.asarray(np.isnan(ends).any(axis=1))
        if lost.any():
            middle = self.seen(z[None])[0]
            above, below = (np.where(np.isnan(side), middle, side) for side in (above, below))
            width -= STEP * (lost[: self.size] ^ lost[self.size :])
        return np.asarray((above - below).T / width)


def _end(shared: Shared, case: Case) -> dict[str, float] | None:
    """What is measured at the end of one run; None where it does not finish."""
    recorded = shared.integrate(case)
    if recorded.counts[STATUS] != DONE and shared.quick:
        recorded = shared.integrate(case, careful=True)
    if recorded.counts[STATUS] != DONE:
        return None
    return section_measures(shared.history([case], recorded.last_row()))


def _grown(measurement: Measurement) -> float:
    """What of ln(mean) the model has made: all of a layer; of a core, its diameter or its area, what it has lost."""
    strand = measurement.strand
    first: dict[tuple[str, ...], float] = {
        (CORE,): 2.0 * strand.core_radius,
        (f"{AREA}{CORE}",): strand.core_area / (strand.core_area + strand.copper_area),
    }
    if measurement.layers not in first:
        return 1.0
    return max(first[measurement.layers] / measurement.mean - 1.0, 0.0)


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


def usual_phases(measurements: Sequence[Measurement]) -> list[str]:
    """Phases to fit where none are named: eta, epsilon, and other compounds that were measured alone."""
    alone = [m.layer.removeprefix(AREA) for m in measurements if not m.absent]
    return list(dict.fromkeys([*COMPOUNDS[:2], *(layer for layer in alone if layer in COMPOUNDS)]))


def fit(
    measurements: Sequence[Measurement],
    base: KineticSet,
    phases: Sequence[str] = ("eta", "epsilon"),
    scatter: float = MODEL_SCATTER,
    description: str = DEFAULT_DESCRIPTION,
    numerics: Numerics | None = None,
    workers: int = 2,
    name: str = "fitted",
    exponent: float | None = None,
) -> Fit:
    """Update the constants of `phases` by measured thicknesses.

    Parameters
    ----------
    measurements : sequence of Measurement
    base : KineticSet
        What is known before; a fitted set may be fitted on.
    phases : sequence of str
        The others stay as they are, but for those that a fit before made depend on each other.
    scatter : float, [-]
        Standard deviation of ln thickness that the model itself leaves open.
    numerics : Numerics, optional
        For the runs of the fit.
    name : str
        Name of the fitted set.
    exponent : float, [-]
        Standard deviation of the exponent by which growth slows, of compounds whose set does not state it; that of
        `databases/doubts.toml` where it is None.
    """
    from scipy.stats import chi2

    wavering = usual_spreads()["growth_exponent"] if exponent is None else exponent
    _check(measurements, phases, scatter, wavering)
    checked_workers(workers)
    warm_engine()
    base = base.wavering(wavering, phases)
    model = _Model(measurements, base, phases, scatter, description, numerics, workers)
    z, jacobian, chi_square, degrees = _nearest(model)
    p_value = float(chi2.sf(chi_square, degrees)) if degrees > 0.5 else float("nan")
    conflict: list[str] = []
    if p_value < UNLIKELY:
        model.errors *= np.sqrt(chi_square / degrees)
        z, jacobian, *_ = _nearest(model)
    else:
        conflict = _conflict(model, z, chi_square)
    precision, directions = _told(jacobian)
    z, left, drawn, unfinished = _moments(model, z, (directions.T / (1.0 + precision)) @ directions)
    variances, axes = np.linalg.eigh(left)
    told = 1.0 / np.maximum(variances, TINY) - 1.0
    after = model.root @ left @ model.root.T
    deviations = np.sqrt(np.diag(after)), np.sqrt(np.diag(model.root @ model.root.T))
    errors = [_by_phase(model, value, each) for value in FITTED for each in deviations]
    factors = {phase: float(np.exp(change)) for phase, change in _by_phase(model, LN_PREFACTOR, model.root @ z).items()}
    kinetics, computed = _named(model, z, after, name), model.thicknesses(z[None])[0]
    if np.isnan(computed).any():
        raise InputError("fit: the run with the fitted constants does not finish; leave out samples or phases")
    return Fit(
        kinetics=kinetics,
        parameters=model.parameters,
        factors=factors,
        factor_errors=errors[0],
        prior_errors=errors[1],
        energy_errors=errors[2],
        prior_energy_errors=errors[3],
        exponent_errors=errors[4],
        prior_exponent_errors=errors[5],
        middle=model.middle,
        measurements=tuple(measurements),
        computed=computed,
        residuals=-model.residuals(z[None])[0],
        model_scatter=scatter,
        chi_square=chi_square,
        degrees=degrees,
        p_value=p_value,
        remarks=(
            *_not_fitted(model), *conflict, *_left_open(model, told, axes.T), *_doubts(model, z, degrees, p_value),
            *_left_out(drawn, unfinished),
        ),
        drawn=drawn,
        unfinished=unfinished,
    )  # fmt: skip


def _nearest(model: _Model) -> tuple[Array, Array, float, float]:
    """The most likely changes by the layers that are there, their slopes, chi-square and its degrees of freedom."""
    from scipy.optimize import least_squares

    rigid, start = np.eye(model.size), _start(model)
    solved = least_squares(
        lambda z: np.concatenate([model.seen(z[None])[0], z]),
        start,
        jac=lambda z: np.concatenate([model.jacobian(z), rigid]),
        bounds=(-FARTHEST, FARTHEST),
        xtol=1e-6,
        ftol=1e-8,
    )
    z = np.asarray(solved.x)
    jacobian, residuals = model.jacobian(z), solved.fun[: -model.size]
    precision, _ = _told(jacobian)
    degrees = float(len(residuals) - (precision / (1.0 + precision)).sum())
    return z, jacobian, float(residuals @ residuals), degrees


def _start(model: _Model) -> Array:
    """Where the search begins: at the base set, unless a layer that is there is not computed so.

    It is nowhere near being computed then, and slopes do not lead to it; so begun is at the most likely one of draws
    from what the base set says.
    """
    start = np.zeros(model.size)
    computed = model.thicknesses(start[None])[0]
    if np.isnan(computed).any():
        raise InputError("fit: a run with the constants of the base set does not finish; leave out samples")
    lacking = ~model.absent & (computed <= NOTHING_NM * 1e-9)
    if not lacking.any():
        return start
    draws = _opposite_draws(DRAWS, model.size)
    found = model.thicknesses(draws, rough=True)
    never = lacking & ~(found > NOTHING_NM * 1e-9).any(axis=0)
    if never.any():
        m = model.measurements[int(np.argmax(never))]
        hottest = float(m.schedule.temperature.max()) - ZERO_CELSIUS
        raise InputError(
            f"fit: {m.sample}: no {m.layer} is computed there, up to {hottest:.0f} °C for {m.schedule.hours:.3g} h, "
            "whatever the constants; check temperature, time and layer"
        )
    likely = (model.residuals(draws, rough=True)[:, ~model.absent] ** 2).sum(axis=1) + (draws**2).sum(axis=1)
    return np.asarray(draws[int(np.nanargmin(likely))])


def _conflict(model: _Model, z: Array, chi_square: float) -> list[str]:
    """A remark where the measurements are far from what the base set makes of them.

    Where all is linear, chi-square and the squares of z together are distributed as chi-square with as many degrees of
    freedom as there are measurements, if base set and errors are right.
    """
    from scipy.stats import chi2

    chance = float(chi2.sf(chi_square + z @ z, int((~model.absent).sum())))
    if chance >= UNLIKELY:
        return []
    return [
        f"the measurements are far from what the base set makes of them (p = {chance:.1e}): are units, temperatures, "
        "times and layers right?"
    ]


def _moments(model: _Model, likely: Array, covariance: Array) -> tuple[Array, Array, int, int]:
    """Mean and covariance of z after the data, from draws about the most `likely` values; (size,), (size, size).

    Also the numbers of draws, of all rounds, and of those that were left out because a run did not finish.

    Where all is linear every weight is the same, and both are those of the draws, which are made to be exact. No weight
    may be more than the root of their number times the mean: that keeps one draw in a far tail from deciding (Ionides,
    J. Comput. Graph. Stat. 17 (2008) 295, from memory). The quick precision is enough but for its offset, which is
    taken off.
    """
    offset = np.where(model.absent, 0.0, (model.residuals(likely[None]) - model.residuals(likely[None], rough=True))[0])
    every, mean, power, drawn, unfinished = _opposite_draws(DRAWS, model.size), likely, 0.0, 0, 0
    for _ in range(ROUNDS):
        values, vectors = np.linalg.eigh(covariance)
        places = mean + (every * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
        residuals = model.residuals(places, rough=True)
        finished = np.asarray(~np.isnan(residuals).any(axis=1))
        drawn, unfinished = drawn + len(finished), unfinished + int((~finished).sum())
        if unfinished > MOST_UNFINISHED * drawn:
            raise InputError(
                f"fit: of {drawn} draws of the constants, {unfinished} have runs that do not finish; at most "
                f"{100 * MOST_UNFINISHED:g} % may; leave out samples or phases"
            )
        free, places = every[finished], places[finished]
        squares = (residuals[finished] + np.nan_to_num(offset)) ** 2
        there = squares[:, ~model.absent].sum(axis=1) + (places**2 - free**2).sum(axis=1)
        missed = squares[:, model.absent].sum(axis=1)
        steps = [part for part in np.linspace(1.0, power, 41) if _worth(_weights(there + part * missed)) >= LEAST]
        power = steps[0] if steps else power
        weights = _weights(there + power * missed)
        mean = weights @ places
        covariance = ((places - mean).T * weights) @ (places - mean)
        if power == 1.0 and _worth(weights) > ENOUGH:
            break
    return mean, covariance, drawn, unfinished


def _weights(chi_squares: Array) -> Array:
    weights = np.exp(-0.5 * (chi_squares - chi_squares.min()))
    weights = np.minimum(weights, np.sqrt(len(weights)) * weights.mean())
    return np.asarray(weights / weights.sum())


def _worth(weights: Array) -> float:
    """Share of the draws that count."""
    return float(1.0 / (weights @ weights) / len(weights))


def _opposite_draws(count: int, size: int) -> Array:
    """Normal numbers, shape (count, size), of mean 0 and covariance 1 to the last digit; each with its opposite.

    From a Sobol sequence, which fills space more evenly than chance does; half of `count` is a power of 2.
    """
    from scipy.special import ndtri
    from scipy.stats import qmc

    half = ndtri(qmc.Sobol(size, rng=np.random.default_rng(count)).random(count // 2))
    root = np.linalg.cholesky(half.T @ half / len(half))
    white = np.linalg.solve(root, half.T).T
    return np.concatenate([white, -white])


def _told(jacobian: Array) -> tuple[Array, Array]:
    """How much more than the base set the data say of each direction of z (as precisions), and the directions."""
    _, singular, directions = np.linalg.svd(jacobian, full_matrices=True)
    precision = np.zeros(len(directions))
    precision[: singular.size] = singular**2
    return precision, directions


def _check(measurements: Sequence[Measurement], phases: Sequence[str], scatter: float, exponent: float) -> None:
    if not 0.0 <= scatter <= 1.0:
        raise InputError(f"fit: the model's own scatter is {100 * scatter:g} %; allowed are 0 to 100")
    if not 0.0 <= exponent <= 1.0:
        raise InputError(f"fit: the spread of exponents is {exponent:g}; allowed are 0 to 1")
    if not measurements:
        raise InputError("fit: no measurements")
    if not phases or len(set(phases)) != len(phases):
        raise InputError("fit: phases must be one or more, each once")
    for phase in phases:
        if phase not in COMPOUNDS + WIDE_PHASES:
            raise InputError(f"fit: phase '{phase}' is not known; allowed: {', '.join(COMPOUNDS + WIDE_PHASES)}")


def _by_phase(model: _Model, value: str, numbers: Array) -> dict[str, float]:
    """Those of `numbers`, one a parameter, that are of one value; by phase."""
    parts = [name.split(".", 1) for name in model.parameters]
    return {phase: float(number) for (phase, quantity), number in zip(parts, numbers, strict=True) if quantity == value}


def _left_open(model: _Model, precision: Array, directions: Array) -> list[str]:
    """Values, and combinations of the others, of which the data say less than the base set did."""
    open_ones = directions[precision < 1.0] * (np.abs(model.root).sum(axis=0) > NOT_VARIED)
    space = open_ones.T @ open_ones
    alone = np.diag(space) > ALONE
    words = [name for name, yes in zip(model.names, alone, strict=True) if yes]
    shares, others = np.linalg.eigh(space * np.outer(~alone, ~alone))
    words += [_in_words(others[:, k], model.names) for k in np.flatnonzero(shares > 0.5)]
    return [f"the data do not determine {text}; it stays about as uncertain as it was" for text in words]


def _in_words(direction: Array, names: list[str]) -> str:
    """The values that take part in a direction."""
    largest = np.abs(direction).max()
    taking = [(names[k], direction[k]) for k in np.argsort(-np.abs(direction)) if abs(direction[k]) > 0.3 * largest]
    if len(taking) == 1:
        return str(taking[0][0])
    signs = ["up" if value * taking[0][1] > 0 else "down" for _, value in taking]
    return "the combination " + ", ".join(f"{name} {sign}" for (name, _), sign in zip(taking, signs, strict=True))


def _not_fitted(model: _Model) -> list[str]:
    """Remarks on phases that were measured and whose constants are uncertain, but count as known."""
    fitted = {name.split(".", 1)[0] for name in model.parameters}
    others = [phase for phase in usual_phases(model.measurements) if phase not in fitted]
    measured = {part.removeprefix(AREA) for m in model.measurements for part in m.layers}
    return [
        f"{phase} was measured but not fitted: its constant counts as known exactly"
        for phase in others
        if phase in measured
    ]


def _left_out(drawn: int, unfinished: int) -> list[str]:
    """A remark on draws whose runs did not finish."""
    if not unfinished:
        return []
    return [f"{unfinished} of {drawn} draws of the constants were left out, because their runs did not finish"]


def _doubts(model: _Model, z: Array, degrees: float, p_value: float) -> list[str]:
    remarks, residuals = [], -model.residuals(z[None])[0]
    if degrees <= 0.5:
        remarks.append("no more measurements than values they determine: the fit cannot be judged")
    elif p_value < UNLIKELY:
        remarks.append(
            f"the scatter is larger than that of the readings and of the model (p = {p_value:.1e}); both were enlarged "
            f"to match{_culprit(model, residuals)}"
        )
    worst = int(np.argmax(np.abs(residuals)))
    if abs(residuals[worst]) > 3.0:
        m = model.measurements[worst]
        remarks.append(f"{m.sample}, {m.layer}: {residuals[worst]:+.1f} standard deviations off")
    for name, value in zip(model.names, z, strict=True):
        if abs(value) > FAR:
            remarks.append(f"{name} came out {abs(value):.1f} standard deviations from what the base set says")
    if (np.abs(z) > 0.99 * FARTHEST).any():
        remarks.append("a constant went to its bound; the measurements contradict the model or each other")
    return remarks


def _culprit(model: _Model, residuals: Array) -> str:
    """The one measurement that most of the scatter comes from, if there is one."""
    squares = np.where(model.absent, 0.0, residuals**2)
    worst = int(np.argmax(squares))
    if squares[worst] <= CULPRIT * squares.sum():
        return ""
    m = model.measurements[worst]
    return f"; most of it comes from {m.sample}, {m.layer}, which should be looked at again"


def _named(model: _Model, z: Array, after: Array, name: str) -> KineticSet:
    """The fitted set, its covariance in terms of ln prefactor and activation energy."""
    back = np.linalg.inv(model.there)
    matrix = back @ after @ back.T
    source, span = data_name(model.measurements, name), _span(model.measurements)
    fitted = {part.split(".", 1)[0] for part in model.parameters}
    earlier = {} if model.base.covariance is None else {p.split(".", 1)[0] for p in model.base.covariance.parameters}
    stable, before = stability(model.cases[0].description), model.root @ model.root.T
    wavering = _by_phase(model, EXPONENT, np.sqrt(np.maximum(np.diag(matrix), 0.0)))
    constants = []
    for constant in model.kinetics(z).constants:
        if constant.phase in fitted:
            constant = replace(constant, slowing_spread=wavering.get(constant.phase, 0.0))
            near, was = (_spread_at(model, of, constant.phase, model.middle) for of in (after, before))
            if np.log(near) < TOLD * np.log(was):
                constant = _own(constant, source, span, constant.phase in earlier)
                far = far_end(constant, stable.get(constant.phase, span))
                beyond = _spread_at(model, after, constant.phase, far)
                constant = replace(constant, factor=near, extrapolated_factor=max(near, beyond))
        constants.append(constant)
    rows = tuple(tuple(row) for row in (0.5 * (matrix + matrix.T)).tolist())
    known = ", ".join(dict.fromkeys(part.split(".", 1)[0] for part in model.parameters))
    count = len(model.measurements)
    title = f"{model.base.name}, with {known} fitted to {count} measurement{'s' if count > 1 else ''} of layers"
    return KineticSet(name, title, tuple(constants), Covariance(model.parameters, rows))


def _own(constant: Constant, source: str, span: tuple[float, float], earlier: bool) -> Constant:
    """A constant of which the samples told: known where they were, and where those of an `earlier` fit were."""
    if earlier:
        known = min(span[0], constant.range[0]), max(span[1], constant.range[1])
        return replace(constant, range=known, source=(source, *constant.source))
    note = f"fitted to measured layers; prior only: {', '.join(constant.source) or 'none named'}"
    return replace(constant, range=span, grade="measured", seen="derived", source=(source,), note=note)


def _spread_at(model: _Model, after: Array, phase: str, kelvin: float) -> float:
    """Factor of one standard deviation of K at a temperature [K]."""
    back = at_temperature(model.parameters, kelvin) @ np.linalg.inv(model.there)
    row = back[model.parameters.index(f"{phase}.{LN_PREFACTOR}")]
    return float(np.exp(np.sqrt(row @ after @ row)))
