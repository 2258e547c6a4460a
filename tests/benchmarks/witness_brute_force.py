"""Whether `witness` names the best pair of samples: against measuring and fitting every pair, in three cases.

For each truth (a member of the ensemble) and each pair of the candidates, the layers are measured with scatter, fitted,
and the band of the answer is that of a fresh ensemble of the fitted set. Told is how the pair that `witness` names
ranks, and by how much it is worse than the best, with the standard error of that difference over the truths. The best
of many pairs over few truths is best by luck too; so the best pair over each half of the truths is judged by the other.

Usage: witness_brute_force.py [TRUTHS [MEMBERS [CASE]]]; some minutes for each case.
"""

import sys
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np

from bronzeward.inputs.case import Case, load_case
from bronzeward.inputs.layer_measurements import Measurement
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.starter import STARTER
from bronzeward.inputs.strand import Strand
from bronzeward.model.batch import run_batch
from bronzeward.studies.calibration import MODEL_SCATTER, fit
from bronzeward.studies.ensemble import Members, Spread
from bronzeward.studies.optimise.truncation import moment_of, until
from bronzeward.studies.witness import EACH, LAYERS, READING_SCATTER, READINGS, THINNEST, _Bench, witness
from bronzeward.studies.witness_samples import samples_of

TEMPERATURES, HOURS = (180.0, 250.0, 350.0), (1.0, 12.0)
ENOUGH = Spread.usual(100)


def cases() -> dict[str, tuple[Case, str]]:
    """Three cases, each with the answer that matters there."""
    lean = load_case(Path(__file__).parents[2] / "examples" / "larkfell_lean.toml")
    slow = Schedule.start(20).ramp(10, to=400)
    return {
        "shell at first liquid, 24 h hold": (load_case(STARTER), "shell_at_first_liquid"),
        "liquid above the peritectic, lean strand": (lean, "liquid_above_peritectic"),
        "copper left, thin sleeve, slow ramp": (
            replace(load_case(STARTER), strand=Strand.round(24, 38), schedule=slow), "copper_left_with_liquid",
        ),
    }  # fmt: skip


def measured(bench: _Bench, truth: np.ndarray, draw: np.random.Generator) -> list[list[Measurement]]:
    """What each sample would give."""
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


def judge(name: str, case: Case, answer: str, truths: int, size: int) -> None:
    """Print how the pair of `witness` ranks among all."""
    data = witness(case, answer, temperatures=TEMPERATURES, hours=HOURS, spread=ENOUGH)
    runs, samples = samples_of(case, TEMPERATURES, HOURS)
    names, bench = [sample.name for sample in samples], _Bench(case, runs, samples, [answer], 2, ENOUGH)
    pairs = list(combinations(range(len(samples)), 2))
    known = Members(case, ENOUGH)
    values = run_batch(list(known), precision="quick")[answer]
    able = np.flatnonzero(np.isfinite(values))[:truths]
    width = np.zeros((len(able), len(pairs)))
    enough = until(case.schedule, moment_of(answer), case.description)
    for i, k in enumerate(able):
        rows = measured(bench, known.z[k], np.random.default_rng(int(k)))
        for j, pair in enumerate(pairs):
            layers = [row for one in pair for row in rows[one]]
            known_now, wavering = case.kinetics, ENOUGH.growth_exponent
            if layers:
                known_now = fit(layers, known_now, data.attrs["phases"], exponent=wavering).kinetics
            own = replace(case, kinetics=known_now, schedule=enough)
            found = run_batch(list(Members(own, replace(ENOUGH, size=size, seed=9))), precision="quick")[answer]
            width[i, j] = float(np.ptp(np.nanquantile(found, (0.05, 0.95))))
    mean = width.mean(axis=0)
    mine = pairs.index(tuple(sorted(names.index(one) for one in data.attrs["pair"])))
    best = int(np.argmin(mean))
    worse = width[:, mine] - width[:, best]
    error = worse.std(ddof=1) / np.sqrt(len(able))
    print(f"{name}: {len(pairs)} pairs, {len(able)} truths; answer {answer}")
    print(f"  witness names {data.attrs['pair']}: rank {int((mean < mean[mine]).sum()) + 1}")
    print(f"  expected {float(data['checked'].sel(choice='pair')):.4g}, by brute force {mean[mine]:.4g}")
    print(f"  best by brute force {[names[n] for n in pairs[best]]}: {mean[best]:.4g}, less by "
          f"{100 * worse.mean() / mean[mine]:.1f} % +- {100 * error / mean[mine]:.1f} %; expected of it "
          f"{float(data['pair_width'].values[pairs[best]]):.4g}")  # fmt: skip
    halves = slice(0, None, 2), slice(1, None, 2)
    others = [(there, int(np.argmin(width[here].mean(axis=0)))) for here, there in (halves, halves[::-1])]
    lost = 100 * np.concatenate([width[there, mine] - width[there, k] for there, k in others]) / mean[mine]
    print(f"  worse than the best pair over the other half of the truths by {lost.mean():.1f} % +- "
          f"{lost.std(ddof=1) / np.sqrt(len(able)):.1f} %")  # fmt: skip
    print(f"  band now {float(data['width_now']):.4g}; median pair {np.median(mean):.4g}", flush=True)
    expected = np.array([float(data["pair_width"][a, b]) for a, b in pairs])
    print(f"  expected over brute force, all pairs: {np.round(np.quantile(expected / mean, (0.1, 0.5, 0.9)), 2)}")


def main(truths: int = 8, size: int = 60, only: int = -1) -> None:
    """Judge all cases, or one of them."""
    for number, (name, (case, answer)) in enumerate(cases().items()):
        if only in (-1, number):
            judge(name, case, answer, truths, size)


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:]))
