"""Witness samples: which quench samples would narrow an answer most, before any is made.

Some members of the ensemble are taken as the truth, one after the other. Near each of them the logarithms of
measured thicknesses, and the answer, are linear in the logarithms of the constants (finite differences), and these are
normal, so what a fit to a sample would leave follows in closed form: of a direction that was known to 1, and on which
the measured logarithms depend with slopes J and errors R, the precision 1 + J' R^-1 J is left. Expected is the mean
over the truths. Errors are those of the readings and, independent of them, the model's own scatter, as in a fit.
Samples tell of the constants only: what else a band varies (the wire, volumes) stays, and is added.

Slopes tell which share of the band is left at each truth, members how wide the band is now, and how wide with all
constants known: the bends of an answer make slopes wider or narrower than it. Where an answer does not change at all
near a truth, as where liquid has vanished, its slopes are those of a regression over the members. What the best sample
and the best pairs leave is computed with members drawn from what would be known then.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.growth.problem import DONE, STATUS
from bronzeward.inputs.case import Case
from bronzeward.inputs.layer_measurements import CORE, SHELL
from bronzeward.inputs.schedule import Schedule
from bronzeward.materials.growth_constants import COMPOUNDS, WIDE_PHASES
from bronzeward.model.answers import answer_of, numbers
from bronzeward.model.batch import Answers, Progress, Shared, checked_workers
from bronzeward.model.provenance import provenance
from bronzeward.model.ready_engine import warm_engine
from bronzeward.model.result import Result, cf_attributes, without_fill
from bronzeward.model.simulation import run_case
from bronzeward.studies.calibration import MODEL_SCATTER
from bronzeward.studies.ensemble import SOURCES, Members, Spread, draws, run_members
from bronzeward.studies.optimise.limits import Limit
from bronzeward.studies.quantiles import NORMAL_95, QUANTILES, quantiles, rank_shares
from bronzeward.studies.section_measures import thicknesses
from bronzeward.studies.witness_samples import HOURS, TEMPERATURES_C, Sample, samples_of

if TYPE_CHECKING:
    import xarray as xr

Array = NDArray[np.float64]

LAYERS = (*COMPOUNDS, "gamma", "beta", SHELL, CORE)
EACH = len(LAYERS) - 2
"""Layers that are measured one by one; the shell is their sum, the core what they leave."""

SEEN = {CORE: 1e-6}
THINNEST = 0.2e-6
"""What is thinner is not measured [m]; the core's diameter is another matter."""

READINGS = 12
READING_SCATTER = 0.2
CORE_SCATTER = 0.03
"""Readings of a layer, their standard deviation over the mean, and that of diameters (common practice, no source)."""

READING_COUNTS = (3, 6, 12, 24, 48, 96)

TRUTHS = 24
DRAWS = 32
"""Members drawn from what would be known, for each truth."""

PAIRS = 8
"""Pairs whose members are drawn; the narrowest band wins."""

AGAIN = 104_729
"""What is added to the seed for these members."""

STEP = 0.15
"""Finite differences, in standard deviations of the constants."""

ACTIVE = 0.02
"""Slope of an answer, as a share of its steepest, from which a constant takes part."""

LEVEL = 0.05
"""Share of the present band from which slopes at a truth count; below, those of a regression over the members do."""

SHOWN = 0.05
"""Slope of the logarithm of a layer's thickness from which a constant takes part."""

RANKED = 0.05
"""Share of the variance of an answer's ranks, over the members, from which it does where slopes show nothing."""

PROBES = 4
"""Truths that tell which constants do."""

TINY = 1e-12
ENDLESS = 1e12
"""Precision of numbers that are known."""


@dataclass(frozen=True)
class Slopes:
    """What the truths give.

    Attributes
    ----------
    answers : ndarray, shape (n_truths, n_answers)
        SI units; nan where there is no such moment.
    answer_slopes : ndarray, shape (n_truths, n_answers, n_sources)
    thickness : ndarray, shape (n_truths, n_samples, n_layers), [m]
    slopes : ndarray, shape (n_truths, n_samples, n_layers, n_sources)
        Of the logarithms of thicknesses; 0 where a layer is too thin to be measured.
    sources : list of int
        Columns of the draws.
    """

    answers: Array
    answer_slopes: Array
    thickness: Array
    slopes: Array
    sources: list[int]


class _Bench:
    """Runs of members through the plan and the anneals."""

    def __init__(
        self, case: Case, runs: Sequence[Schedule], samples: Sequence[Sample], answers: Sequence[str], workers: int,
        spread: Spread,
    ) -> None:  # fmt: skip
        self.case, self.runs, self.samples, self.workers = case, runs, samples, checked_workers(workers)
        self.answers, self.spread = list(answers), spread
        self.shared = Shared([replace(case, schedule=schedule) for schedule in runs], "quick")
        warm_engine()

    def run(self, z: Array, progress: Progress | None = None) -> tuple[Array, Array]:
        """Answers (n, n_answers) and thicknesses (n, n_samples, n_layers) of members with these numbers."""
        members, found = self.members(z), []
        with ThreadPoolExecutor(self.workers) as pool:
            for one in pool.map(self._one, members):
                found.append(one)
                if progress is not None:
                    progress(len(found), len(z))
        return np.array([answers for answers, _ in found]), np.array([layers for _, layers in found])

    def members(self, z: Array) -> Members:
        """Members with these numbers, shape (n, SOURCES)."""
        members = Members(self.case, replace(self.spread, size=len(z)))
        members.z = z
        return members

    def left(self, told: Array, truths: Array, sources: list[int]) -> Answers:
        """Answers of members drawn from what is known of each truth once `told`: each of shape (n_truths, DRAWS).

        Numbers z, standard normal before and measured with the precision T, are normal about C (T z + T^1/2 e) with the
        covariance C = (1 + T)^-1, e of the measurement; the others are as they were.
        """
        again = replace(self.spread, size=DRAWS * len(truths), seed=self.spread.seed + AGAIN)
        z = draws(again).reshape(len(truths), DRAWS, -1)  # others for each truth: what chance does to one, averages out
        noise = np.random.default_rng([self.spread.seed, AGAIN]).standard_normal((len(truths), len(sources)))
        for k, precision in enumerate(told):
            values, vectors = np.linalg.eigh(precision)
            values = np.maximum(values, 0.0)
            own, error = vectors.T @ truths[k, sources], vectors.T @ noise[k]
            middle = (values * own + np.sqrt(values) * error) / (1.0 + values)
            z[k][:, sources] = (middle + z[k][:, sources] @ vectors / np.sqrt(1.0 + values)) @ vectors.T
        found = run_members(self.members(z.reshape(-1, len(SOURCES))), self.workers)
        return {name: values.reshape(len(truths), DRAWS) for name, values in found.items()}

    def _one(self, case: Case) -> tuple[list[float], Array]:
        answers = [float("nan")] * len(self.answers)
        layers = np.zeros((len(self.samples), len(LAYERS)))
        for number, schedule in enumerate(self.runs):
            own = replace(case, schedule=schedule)
            recorded = self.shared.integrate(own)
            if recorded.counts[STATUS] != DONE:
                recorded = self.shared.integrate(own, careful=True)
            if recorded.counts[STATUS] != DONE:
                layers[[k for k, sample in enumerate(self.samples) if sample.run == number]] = np.nan
                continue
            history = self.shared.history([own], recorded)
            if number == 0:
                told = numbers(history)
                answers = [told[key] for key in self.answers]
            for k, sample in enumerate(self.samples):
                if sample.run == number:
                    row = int(np.searchsorted(recorded.time, sample.time + 1e-3)) - 1
                    measures = thicknesses(history, row)
                    layers[k] = [measures[name] for name in LAYERS]
        return answers, layers

    def slopes(self, truths: Array, sources: list[int], progress: Progress | None = None) -> Slopes:
        """Slopes at some members (n_truths, SOURCES) over some of their numbers."""
        steps = np.zeros((1 + len(sources), len(SOURCES)))
        steps[range(1, len(steps)), sources] = STEP
        answers, layers = self.run((truths[:, None] + steps).reshape(-1, len(SOURCES)), progress)
        answers = answers.reshape(len(truths), len(steps), -1)
        layers = layers.reshape(len(truths), len(steps), *layers.shape[1:])
        seen = np.nanmin(layers, axis=1) > np.array([SEEN.get(name, THINNEST) for name in LAYERS])
        with np.errstate(divide="ignore", invalid="ignore"):
            slopes = (np.log(layers[:, 1:]) - np.log(layers[:, :1])) / STEP
        slopes = np.where(seen[:, None], slopes, 0.0)
        tilt = (answers[:, 1:] - answers[:, :1]) / STEP
        return Slopes(answers[:, 0], np.moveaxis(tilt, 1, -1), layers[:, 0], np.moveaxis(slopes, 1, -1), sources)


class Worth:
    """What samples would leave of an answer's band, over the truths of some slopes."""

    def __init__(self, slopes: Slopes, readings: float, scatters: tuple[float, float, float]) -> None:
        self.slopes = slopes
        layer, core, model = scatters
        relative = np.where(np.array(LAYERS) == CORE, core, layer) / np.sqrt(readings)
        thickness = slopes.thickness
        widest = np.nanmax(thickness[:, :, -1], axis=1, keepdims=True)
        grown = np.ones_like(thickness)
        with np.errstate(divide="ignore", invalid="ignore"):
            grown[:, :, -1] = np.nan_to_num(np.maximum(widest / thickness[:, :, -1] - 1.0, 0.0), posinf=1.0)
        self.weight = 1.0 / (relative**2 + (model * grown) ** 2)

    def told(self, samples: Sequence[int], layers: Sequence[int] = range(EACH)) -> Array:
        """What layers of some samples, together, say of the constants: (n_truths, n_sources, n_sources)."""
        j, w = self.slopes.slopes[:, samples][:, :, layers], self.weight[:, samples][:, :, layers]
        return np.asarray(np.einsum("kslp,ksl,kslq->kpq", j, w, j))

    def share_left(self, told: Array) -> Array:
        """Mean over the truths of the share of the answer's deviation that is left after what was told: (...)."""
        now = self.deviations(np.zeros(told.shape[-3:]))
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.nan_to_num(self.deviations(told) / now, nan=1.0).mean(axis=-1))

    def deviations(self, told: Array, answer: int = 0) -> Array:
        """Standard deviation of an answer, for each truth, after what was told: (..., n_truths)."""
        g = self.slopes.answer_slopes[:, answer]
        after = np.linalg.solve(np.eye(g.shape[-1]) + told, np.broadcast_to(g[..., None], (*told.shape[:-1], 1)))
        return np.asarray(np.sqrt(np.maximum((g * after[..., 0]).sum(axis=-1), 0.0)))

    def width(self, told: Array) -> Array:
        """Expected width of the 5 to 95 % band of the answer, SI units: (...)."""
        return np.asarray(2.0 * NORMAL_95 * self.deviations(told).mean(axis=-1))


def width_of(values: Array) -> float:
    """Width of the 5 to 95 % band over the last axis, nan where there is no such moment; the mean over the others."""
    rows = [row[np.isfinite(row)] for row in values.reshape(-1, values.shape[-1])]
    ends = [np.quantile(row, QUANTILES[:: len(QUANTILES) - 1], method="median_unbiased") for row in rows if row.size]
    return float(np.mean(np.diff(ends))) if ends else 0.0


def sure_of(answers: Answers, limit: Limit) -> tuple[float, float]:
    """Chances that one will be as sure as asked that a limit is kept, and that it is not; answers (n_truths, n)."""
    shape = answers[limit.answer].shape
    kept = limit.kept({name: values.ravel() for name, values in answers.items()}).reshape(shape).mean(axis=-1)
    return float((kept >= limit.confidence).mean()), float((1.0 - kept >= limit.confidence).mean())


def witness(
    case: Case,
    answer: str,
    limits: Sequence[Limit] = (),
    temperatures: Sequence[float] = TEMPERATURES_C,
    hours: Sequence[float] = HOURS,
    readings: int = READINGS,
    scatters: tuple[float, float, float] = (READING_SCATTER, CORE_SCATTER, MODEL_SCATTER),
    spread: Spread | None = None,
    truths: int = TRUTHS,
    workers: int = 2,
    progress: Progress | None = None,
) -> xr.Dataset:
    """Which quench samples would narrow an answer most.

    Parameters
    ----------
    case : Case
        The planned schedule, with what is known of the constants so far; a fitted set will do.
    answer : str
        Key of `answers.ANSWERS`.
    limits : sequence of Limit, optional
        Of which it is told how sure one would be.
    temperatures, hours : sequences of float, [C], [h]
        Of the anneals that could be made besides quenches out of the plan.
    readings : int
        Of each layer.
    scatters : (float, float, float), [-]
        Standard deviations, relative: of a reading of a layer, of one of a diameter, of the model itself.
    spread : Spread, optional
        The ensemble, and all it varies.
    truths : int
        Members that are taken as the truth.

    Returns
    -------
    xarray.Dataset
        SI units. width (sample) expected of the answer's 5 to 95 % band, pair_width (sample, other), width_now, and
        width_rest, which no sample narrows; checked (choice) with members drawn, now, for the best sample and pair;
        layer_width (sample, layer) if only that layer is measured, nan where it is too thin; look (quantile, sample,
        layer), thicknesses where the answer lies at 5, 50 and 95 %, and look_member (quantile), whose they are;
        reading_width (readings) of the best pair; for limits chance_now (limit), sure_kept and sure_broken (choice,
        limit): now, after the best sample, after the best pair. Attributes `best` and `pair` name these.
    """
    answer_of(answer)
    _check(truths, readings, scatters)
    keys = [answer, *(limit.answer for limit in limits)]
    spread = spread or Spread.usual(200)
    runs, samples = samples_of(case, temperatures, hours)
    members = Members(case, spread)
    found = run_members(members, workers)
    values = found[answer]
    if not np.isfinite(values).mean() > 0.5:
        raise InputError(f"witness: most members have no {answer_of(answer).title}; choose another answer")
    bench = _Bench(case, runs, samples, keys, workers, spread)
    able = np.flatnonzero(np.isfinite(values))[:truths]
    slopes = bench.slopes(members.z[able], _active(bench, members, able, values), progress)
    now = float(np.diff(quantiles(values)[[0, -1]])[0])
    slopes = _levelled(slopes, members.z, values, now)
    outlook = _Outlook(bench, slopes, members.z[able], readings, scatters, now)
    best, pair, after = outlook.choices()
    checked = [now, *(min(width_of(one[answer]), now) for one in after)]
    at = _at_quantiles(values)
    return _dataset(
        case, samples, limits,
        {
            **outlook.columns(pair, checked[-1]), "width_now": ((), now), "checked": (("choice",), checked),
            "look": (("quantile", "sample", "layer"), bench.run(members.z[at])[1]), "look_member": (("quantile",), at),
            **_sureness(found, after, limits), "band_now": (("quantile",), quantiles(values)),
        },
        {
            "answer": answer, "best": samples[best].name, "pair": [samples[k].name for k in pair],
            "phases": _phases(slopes, pair),
            "truths": len(able), "caveat": spread.caveat(), "spread": json.dumps(asdict(spread)),
            "readings_each": readings,
            "scatter_reading": scatters[0], "scatter_core": scatters[1], "scatter_model": scatters[2],
        },
    )  # fmt: skip


def _check(truths: int, readings: int, scatters: tuple[float, float, float]) -> None:
    if not 2 <= truths <= 1000:
        raise InputError(f"witness: {truths} truths; allowed are 2 to 1000")
    if not 1 <= readings <= 10_000 or not all(0.0 < part <= 1.0 for part in scatters):
        raise InputError("witness: readings must be 1 or more, and their scatter above 0 and at most 100 %")


Columns = dict[str, tuple[tuple[str, ...], object]]


class _Outlook:
    """What is expected of the first answer's band after one sample or two.

    Of all by slopes, between the present band and what no sample narrows; of the best pairs by members.
    """

    def __init__(
        self, bench: _Bench, slopes: Slopes, truths: Array, readings: float, scatters: tuple[float, float, float],
        now: float,
    ) -> None:  # fmt: skip
        self.bench, self.slopes, self.truths, self.scatters, self.now = bench, slopes, truths, scatters, now
        self.worth, self.answer = Worth(slopes, readings, scatters), bench.answers[0]
        self.told = np.stack([self.worth.told([k]) for k in range(len(bench.samples))])
        nothing, size = np.zeros_like(self.told[0]), len(slopes.sources)
        self.rest = min(width_of(self._left(nothing + ENDLESS * np.eye(size))[self.answer]), now)
        self.width = self._expected(self.told)
        self.pairs = self._expected(self.told[:, None] + self.told[None])
        np.fill_diagonal(self.pairs, np.nan)

    def _expected(self, told: Array, by: Worth | None = None) -> Array:
        return np.asarray(
            np.hypot(np.sqrt(self.now**2 - self.rest**2) * (by or self.worth).share_left(told), self.rest)
        )

    def _left(self, told: Array) -> Answers:
        return self.bench.left(told, self.truths, self.slopes.sources)

    def choices(self) -> tuple[int, list[int], list[Answers]]:
        """The best sample, the best pair, and what members answer after each."""
        best = int(np.argmin(self.width))
        order = np.argsort(np.where(np.tri(len(self.pairs)), np.inf, self.pairs), axis=None)[:PAIRS]
        tried = [np.unravel_index(k, self.pairs.shape) for k in order]
        after = [self._left(self.told[a] + self.told[b]) for a, b in tried]
        first = int(np.argmin([width_of(one[self.answer]) for one in after]))
        return best, [int(k) for k in tried[first]], [self._left(self.told[best]), after[first]]

    def columns(self, pair: list[int], checked: float) -> Columns:
        """All that is stored of it; `checked` is the width after the best pair by members."""
        layers = [
            [self._expected(self.worth.told([k], [n])) for n in range(len(LAYERS))] for k in range(len(self.width))
        ]
        too_thin = (self.slopes.slopes == 0.0).all(axis=(0, -1))
        # readings change little beside what slopes do not see
        seen = checked / max(float(self.pairs[*pair]), TINY)
        counts = [Worth(self.slopes, n, self.scatters) for n in (*READING_COUNTS, 10**9)]
        reading = [min(seen * float(self._expected(by.told(pair), by)), self.now) for by in counts]
        return {
            "width": (("sample",), self.width), "pair_width": (("sample", "other"), self.pairs),
            "width_rest": ((), self.rest), "layer_width": (("sample", "layer"), np.where(too_thin, np.nan, layers)),
            "reading_width": (("readings",), reading),
        }  # fmt: skip


def _sureness(found: Answers, after: Sequence[Answers], limits: Sequence[Limit]) -> Columns:
    """How sure one is of limits now, and may be after the best sample and the best pair."""
    chance = np.array([limit.kept(found).mean() for limit in limits])
    asked = np.array([limit.confidence for limit in limits])
    sure = np.zeros((1 + len(after), len(limits), 2))
    sure[0] = np.stack([chance >= asked, 1.0 - chance >= asked], axis=-1)
    sure[1:] = np.reshape([[sure_of(one, limit) for limit in limits] for one in after], sure[1:].shape)
    return {
        "chance_now": (("limit",), chance), "confidence": (("limit",), asked),
        "sure_kept": (("choice", "limit"), sure[..., 0]), "sure_broken": (("choice", "limit"), sure[..., 1]),
    }  # fmt: skip


def looks(
    case: Case, data: xr.Dataset, temperatures: Sequence[float] = TEMPERATURES_C, hours: Sequence[float] = HOURS
) -> list[tuple[str, list[tuple[str, Result]]]]:
    """Runs up to the quench of the samples of the best pair, of the members whose answer lies at each quantile."""
    samples = {sample.name: sample for sample in samples_of(case, temperatures, hours)[1]}
    members = Members(case, Spread(**json.loads(str(data.attrs["spread"]))))
    found = []
    for name in data.attrs["pair"]:
        row = []
        for quantile, number in zip(data["quantile"].values, data["look_member"].values, strict=True):
            own = replace(members.member(int(number)), schedule=samples[str(name)].schedule)
            row.append((f"where the answer is at {100 * quantile:g} %", run_case(own)))
        found.append((str(name), row))
    return found


def _active(bench: _Bench, members: Members, able: NDArray[np.int64], values: Array) -> list[int]:
    """Columns of the draws that the answers depend on, by slopes or, where an answer jumps, over the members."""
    phases = COMPOUNDS + WIDE_PHASES
    moving = [SOURCES.index(name) for name in members.sources() if name.partition(" ")[0] in phases]
    about = bench.slopes(members.z[able[:PROBES]], moving)
    steep = np.abs(np.nan_to_num(about.answer_slopes)).mean(axis=0)
    share = (steep / np.maximum(steep.max(axis=1, keepdims=True), TINY)).max(axis=0)
    active = [k for k, one in zip(moving, share, strict=True) if one > ACTIVE]
    if not active:
        ranked = rank_shares({"answer": values}, members.z[:, moving])["answer"]
        active = [k for k, one in zip(moving, ranked, strict=True) if one > RANKED]
    if not active:
        raise InputError("witness: the answer does not depend on what is uncertain of the constants")
    shown = _shown(about, range(len(bench.samples)))
    return [k for k, one in zip(moving, shown, strict=True) if k in active or one > SHOWN]


def _shown(slopes: Slopes, samples: Sequence[int]) -> Array:
    """How much a layer of some samples depends on each constant, of the one that does most: (n_sources,)."""
    return np.asarray(np.abs(slopes.slopes[:, samples, :EACH]).mean(axis=0).max(axis=(0, 1)))


def _phases(slopes: Slopes, pair: Sequence[int]) -> list[str]:
    """Phases to be fitted: those on whose constants the answer or the layers of a pair depend."""
    steep = np.abs(slopes.answer_slopes[:, 0]).mean(axis=0)
    taking = (steep > ACTIVE * steep.max()) | (_shown(slopes, pair) > SHOWN)
    return list(
        dict.fromkeys(SOURCES[k].partition(" ")[0] for k, yes in zip(slopes.sources, taking, strict=True) if yes)
    )


def _levelled(slopes: Slopes, z: Array, values: Array, now: float) -> Slopes:
    """Slopes with those of a regression over the members at truths near which the answer hardly changes."""
    near = np.nan_to_num(slopes.answer_slopes)
    finite = np.isfinite(values)
    columns = np.column_stack([np.ones(finite.sum()), z[finite][:, slopes.sources]])
    over = np.linalg.lstsq(columns, values[finite], rcond=None)[0][1:]
    level = 2.0 * NORMAL_95 * np.linalg.norm(near[:, 0], axis=-1) < LEVEL * now
    near[level, 0] = over
    return replace(slopes, answer_slopes=near)


def _at_quantiles(values: Array) -> list[int]:
    """Members whose answer lies nearest to each quantile."""
    return [int(np.nanargmin(np.abs(values - value))) for value in quantiles(values)]


def _dataset(
    case: Case, samples: Sequence[Sample], limits: Sequence[Limit], columns: Columns, about: dict[str, object]
) -> xr.Dataset:
    import xarray as xr

    answer = answer_of(str(about["answer"]))
    names = [sample.name for sample in samples]
    columns["hours"] = (("sample",), [sample.schedule.hours for sample in samples])
    columns["temperature"] = (("sample",), [float(sample.schedule.temperature[-1]) for sample in samples])
    widths = "width", "pair_width", "width_now", "width_rest", "checked", "layer_width", "reading_width", "band_now"
    units = dict.fromkeys(widths, answer.unit)
    units |= {"look": "m", "hours": "h", "temperature": "K"}
    named = {
        "sample": names, "other": names, "layer": list(LAYERS), "quantile": list(QUANTILES),
        "readings": [float(n) for n in READING_COUNTS] + [float("inf")], "limit": [limit.bound() for limit in limits],
        "choice": ["now", "best", "pair"],
    }  # fmt: skip
    data = {name: (dims, np.asarray(value), {"units": units.get(name, "1")}) for name, (dims, value) in columns.items()}
    attributes = {**cf_attributes("witness samples"), **about, **provenance(case)}
    return without_fill(xr.Dataset(data, named, attributes))
