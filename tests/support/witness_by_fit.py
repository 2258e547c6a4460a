"""What a pair of witness samples leaves of a band, by measuring and fitting it: what `witness` is held against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bronzeward.inputs.case import Case
from bronzeward.inputs.layer_measurements import Measurement
from bronzeward.materials.growth_constants import COMPOUNDS
from bronzeward.model.batch import run_batch
from bronzeward.studies.calibration import MODEL_SCATTER, fit
from bronzeward.studies.ensemble import SOURCES, Members, Spread
from bronzeward.studies.optimise.truncation import moment_of, until
from bronzeward.studies.witness import EACH, LAYERS, READING_SCATTER, READINGS, THINNEST, _Bench, width_of
from bronzeward.studies.witness_samples import samples_of


def measured(bench: _Bench, truth: np.ndarray, draw: np.random.Generator) -> list[list[Measurement]]:
    """What each sample of a bench would give, where a member with the numbers `truth` is the truth."""
    thickness = bench.run(truth[None])[1][0]
    error = np.hypot(READING_SCATTER / np.sqrt(READINGS), MODEL_SCATTER)
    rows = []
    for k, sample in enumerate(bench.samples):
        seen = [n for n in range(EACH) if thickness[k, n] > THINNEST]
        z = dict(zip(range(EACH), draw.standard_normal(EACH), strict=True))
        means = {n: float(thickness[k, n] * np.exp(error * z[n])) for n in seen}
        rows.append(
            [
                Measurement(sample.name, bench.case.strand, sample.schedule, (LAYERS[n],), mean, READING_SCATTER * mean,
                            READINGS)
                for n, mean in means.items()
            ]
        )  # fmt: skip
    return rows


def white(count: int, seed: int) -> np.ndarray:
    """Normal numbers (count, n_sources) of mean 0 and covariance 1 to the last digit; each with its opposite."""
    half = np.random.default_rng(seed).standard_normal((count // 2, len(SOURCES)))
    half = np.linalg.solve(np.linalg.cholesky(half.T @ half / len(half)), half.T).T
    return np.concatenate([half, -half])


class Judge:
    """Width of the band of an answer after a pair was measured and fitted, if some member is the truth."""

    def __init__(
        self, case: Case, answer: str, phases: Sequence[str], anneals: tuple[Sequence[float], Sequence[float]],
        spread: Spread, size: int,
    ) -> None:  # fmt: skip
        runs, self.samples = samples_of(case, *anneals)
        self.case, self.answer, self.phases, self.spread, self.size = case, answer, phases, spread, size
        self.bench, self.known = _Bench(case, runs, self.samples, [answer], 2, spread), Members(case, spread)
        self.schedule = until(case.schedule, moment_of(answer), case.description)
        self.rows: dict[int, list[list[Measurement]]] = {}

    def width(self, truth: int, pair: Sequence[int]) -> float:
        """Width [SI units] where the member of the number `truth` is the truth, and two samples are measured."""
        if truth not in self.rows:
            self.rows[truth] = measured(self.bench, self.known.z[truth], np.random.default_rng(truth))
        layers = [row for one in pair for row in self.rows[truth][one]]
        known, wavering = self.case.kinetics, self.spread.growth_exponent
        if layers:
            phases = dict.fromkeys([*self.phases, *(m.layer for m in layers if m.layer in COMPOUNDS)])
            known = fit(layers, known, list(phases), exponent=wavering).kinetics
        members = Members(
            replace(self.case, kinetics=known, schedule=self.schedule), replace(self.spread, size=self.size)
        )
        members.z = white(self.size, truth)
        return width_of(run_batch(list(members), precision="quick")[self.answer])
