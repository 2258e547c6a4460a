"""Witness samples: which quench samples would narrow an answer most, before any is made.

Some members of the ensemble are taken as the truth, one after the other. Near each of them the logarithms of
measured thicknesses, and the answer, are linear in the logarithms of the constants (finite differences), and these are
normal, so what a fit to a sample would leave follows in closed form: of a direction that was known to 1, and on which
the measured logarithms depend with slopes J and errors R, the precision 1 + J' R^-1 J is left. Expected is the mean
over the truths. Errors are those of the readings and, independent of them, the model's own scatter, as in a fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
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
from bronzeward.model.batch import Progress, Shared, checked_workers, warm_engine
from bronzeward.model.provenance import provenance
from bronzeward.model.result import Result, cf_attributes, without_fill
from bronzeward.model.simulation import run_case
from bronzeward.studies.calibration import MODEL_SCATTER
from bronzeward.studies.ensemble import SOURCES, Members, Spread, run_members
from bronzeward.studies.optimise.limits import Limit
from bronzeward.studies.quantiles import QUANTILES, quantiles
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
STEP = 0.15
"""Finite differences, in standard deviations of the constants."""

ACTIVE = 0.02
"""Slope of an answer, as a share of its steepest, from which a constant takes part."""

PROBES = 4
"""Truths that tell which constants do."""

NORMAL_95 = 1.6448536269514722
TINY = 1e-12


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
        self, case: Case, runs: Sequence[Schedule], samples: Sequence[Sample], answers: Sequence[str], workers: int
    ) -> None:
        self.case, self.runs, self.samples, self.workers = case, runs, samples, checked_workers(workers)
        self.answers = list(answers)
        self.shared = Shared([replace(case, schedule=schedule) for schedule in runs], "quick")
        warm_engine()

    def run(self, z: Array, progress: Progress | None = None) -> tuple[Array, Array]:
        """Answers (n, n_answers) and thicknesses (n, n_samples, n_layers) of members with these numbers."""
        members = Members(self.case, Spread(size=len(z)))
        members.z = z
        found = []
        with ThreadPoolExecutor(self.workers) as pool:
            for one in pool.map(self._one, members):
                found.append(one)
                if progress is not None:
                    progress(len(found), len(z))
        return np.array([answers for answers, _ in found]), np.array([layers for _, layers in found])

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
            history = self.shared.history(own, recorded)
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

    def deviations(self, told: Array, answer: int = 0) -> Array:
        """Standard deviation of an answer, for each truth, after what was told: (..., n_truths)."""
        g = self.slopes.answer_slopes[:, answer]
        after = np.linalg.solve(np.eye(g.shape[-1]) + told, np.broadcast_to(g[..., None], (*told.shape[:-1], 1)))
        return np.asarray(np.sqrt(np.maximum((g * after[..., 0]).sum(axis=-1), 0.0)))

    def width(self, told: Array) -> Array:
        """Expected width of the 5 to 95 % band of the answer, SI units: (...)."""
        return np.asarray(2.0 * NORMAL_95 * self.deviations(told).mean(axis=-1))

    def sure(self, told: Array, number: int, limit: Limit) -> tuple[float, float]:
        """Chance that one will be as sure as asked that a limit is kept, and that one will be as sure it is not."""
        from scipy.stats import norm

        sign = 1.0 if limit.kind == "<=" else -1.0
        inside, s = sign * (limit.value - self.slopes.answers[:, number]), self.deviations(told, number)
        s, reach = np.maximum(s, TINY), float(norm.ppf(limit.confidence))
        never = np.isnan(inside)  # a member in which the moment never comes keeps the limit
        kept = np.where(never, 1.0, norm.cdf(inside / s - reach))
        broken = np.where(never, 0.0, norm.cdf(-inside / s - reach))
        return float(kept.mean()), float(broken.mean())


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
        The ensemble; of constants only.
    truths : int
        Members that are taken as the truth.

    Returns
    -------
    xarray.Dataset
        SI units. width (sample) expected of the answer's 5 to 95 % band, pair_width (sample, other), width_now;
        layer_width (sample, layer) if only that layer is measured, nan where it is too thin; look (quantile, sample,
        layer), thicknesses where the answer lies at 5, 50 and 95 %, and look_member (quantile), whose they are;
        reading_width (readings) of the best pair; for limits chance_now (limit), sure_kept and sure_broken (choice,
        limit): now, after the best sample, after the best pair. Attributes `best` and `pair` name these.
    """
    chosen, keys = answer_of(answer), [answer, *(limit.answer for limit in limits)]
    if not 2 <= truths <= 1000:
        raise InputError(f"witness: {truths} truths; allowed are 2 to 1000")
    if not 1 <= readings <= 10_000 or not all(0.0 < part <= 1.0 for part in scatters):
        raise InputError("witness: readings must be 1 or more, and their scatter above 0 and at most 100 %")
    spread = spread or Spread(size=200)
    runs, samples = samples_of(case, temperatures, hours)
    members = Members(case, spread)
    found = run_members(members, workers)
    values = found[answer]
    if not np.isfinite(values).mean() > 0.5:
        raise InputError(f"witness: most members have no {chosen.title}; choose another answer")
    bench = _Bench(case, runs, samples, keys, workers)
    able = np.flatnonzero(np.isfinite(values))[:truths]
    slopes = bench.slopes(members.z[able], _active(bench, members, able), progress)
    slopes = replace(slopes, answer_slopes=np.nan_to_num(slopes.answer_slopes))
    worth = Worth(slopes, readings, scatters)
    now = float(np.diff(quantiles(values)[[0, -1]])[0])
    told = np.stack([worth.told([k]) for k in range(len(samples))])
    width = np.minimum(worth.width(told), now)
    pairs = np.minimum(worth.width(told[:, None] + told[None]), now)
    np.fill_diagonal(pairs, np.nan)
    best = int(np.argmin(width))
    pair = [int(k) for k in np.unravel_index(np.nanargmin(pairs), pairs.shape)]
    at = _at_quantiles(values)
    alone = np.array([[worth.width(worth.told([k], [n])) for n in range(len(LAYERS))] for k in range(len(samples))])
    too_thin = (slopes.slopes == 0.0).all(axis=(0, -1))
    counts = [Worth(slopes, n, scatters) for n in (*READING_COUNTS, 10**9)]
    reading = [float(one.width(one.told(pair))) for one in counts]
    choices = [np.zeros_like(told[0]), told[best], told[pair[0]] + told[pair[1]]]
    sure = np.array(
        [[worth.sure(choice, n, limit) for n, limit in enumerate(limits, start=1)] for choice in choices]
    ).reshape(len(choices), len(limits), 2)
    chance = np.array([limit.kept(found).mean() for limit in limits])
    asked = np.array([limit.confidence for limit in limits])
    sure[0] = np.stack([chance >= asked, 1.0 - chance >= asked], axis=-1)
    active = [SOURCES[k] for k in slopes.sources]
    return _dataset(
        case, samples, limits,
        {
            "width": (("sample",), width), "pair_width": (("sample", "other"), pairs), "width_now": ((), now),
            "layer_width": (("sample", "layer"), np.where(too_thin, np.nan, np.minimum(alone, now))),
            "look": (("quantile", "sample", "layer"), bench.run(members.z[at])[1]), "look_member": (("quantile",), at),
            "reading_width": (("readings",), reading),
            "chance_now": (("limit",), chance), "confidence": (("limit",), asked),
            "sure_kept": (("choice", "limit"), sure[..., 0]), "sure_broken": (("choice", "limit"), sure[..., 1]),
            "band_now": (("quantile",), quantiles(values)),
        },
        {
            "answer": answer, "best": samples[best].name, "pair": [samples[k].name for k in pair],
            "phases": list(dict.fromkeys(name.removesuffix(" slope") for name in active)),
            "truths": len(able), "caveat": spread.caveat(), "size": spread.size, "seed": spread.seed,
            "readings_each": readings,
            "scatter_reading": scatters[0], "scatter_core": scatters[1], "scatter_model": scatters[2],
        },
    )  # fmt: skip


def looks(
    case: Case, data: xr.Dataset, temperatures: Sequence[float] = TEMPERATURES_C, hours: Sequence[float] = HOURS
) -> list[tuple[str, list[tuple[str, Result]]]]:
    """Runs up to the quench of the samples of the best pair, of the members whose answer lies at each quantile."""
    samples = {sample.name: sample for sample in samples_of(case, temperatures, hours)[1]}
    members = Members(case, Spread(size=int(data.attrs["size"]), seed=int(data.attrs["seed"])))
    found = []
    for name in data.attrs["pair"]:
        row = []
        for quantile, number in zip(data["quantile"].values, data["look_member"].values, strict=True):
            own = replace(members.member(int(number)), schedule=samples[str(name)].schedule)
            row.append((f"where the answer is at {100 * quantile:g} %", run_case(own)))
        found.append((str(name), row))
    return found


def _active(bench: _Bench, members: Members, able: NDArray[np.int64]) -> list[int]:
    """Columns of the draws that the answers depend on."""
    phases = COMPOUNDS + WIDE_PHASES
    moving = [SOURCES.index(name) for name in members.sources() if name.removesuffix(" slope") in phases]
    about = bench.slopes(members.z[able[:PROBES]], moving)
    steep = np.abs(np.nan_to_num(about.answer_slopes)).mean(axis=0)
    share = (steep / np.maximum(steep.max(axis=1, keepdims=True), TINY)).max(axis=0)
    active = [k for k, one in zip(moving, share, strict=True) if one > ACTIVE]
    if not active:
        raise InputError("witness: the answer does not depend on what is uncertain of the constants")
    return active


def _at_quantiles(values: Array) -> list[int]:
    """Members whose answer lies nearest to each quantile."""
    return [int(np.nanargmin(np.abs(values - value))) for value in quantiles(values)]


def _dataset(
    case: Case, samples: Sequence[Sample], limits: Sequence[Limit], columns: dict[str, tuple[tuple[str, ...], object]],
    about: dict[str, object],
) -> xr.Dataset:  # fmt: skip
    import xarray as xr

    answer = answer_of(str(about["answer"]))
    names = [sample.name for sample in samples]
    columns["hours"] = (("sample",), [sample.schedule.hours for sample in samples])
    columns["temperature"] = (("sample",), [float(sample.schedule.temperature[-1]) for sample in samples])
    units = dict.fromkeys(("width", "pair_width", "width_now", "layer_width", "reading_width", "band_now"), answer.unit)
    units |= {"look": "m", "hours": "h", "temperature": "K"}
    named = {
        "sample": names, "other": names, "layer": list(LAYERS), "quantile": list(QUANTILES),
        "readings": [float(n) for n in READING_COUNTS] + [float("inf")], "limit": [limit.bound() for limit in limits],
        "choice": ["now", "best", "pair"],
    }  # fmt: skip
    data = {name: (dims, np.asarray(value), {"units": units.get(name, "1")}) for name, (dims, value) in columns.items()}
    attributes = {**cf_attributes("witness samples"), **about, **provenance(case)}
    return without_fill(xr.Dataset(data, named, attributes))
