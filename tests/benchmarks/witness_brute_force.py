"""Whether `witness` names the best pair of samples: against measuring and fitting every pair, in three cases.

For each truth (a member of the ensemble) and each pair of the candidates, the layers are measured with scatter, fitted,
and the band of the answer is that of a fresh ensemble of the fitted set. All pairs are tried with a quarter of the
truths, then the `FINAL` best of them and the one that `witness` names with all. Told is how that ranks, and by how much
it is worse than the best, with the standard error of that difference over the truths. The best of many pairs over few
truths is best by luck too; so the best pair over each half of the truths is judged by the other.

The numbers of an ensemble are made to have the mean 0 and the covariance 1 to the last digit, and are others for each
truth. One ensemble of 60 for all, as it was, has a band of 0.75 um where 1,500 members have 1.20, and the
same 60 of another pair 0.80 where 1,500 have 1.00: such errors favour a pair in all truths alike.

Usage: witness_brute_force.py [TRUTHS [MEMBERS [CASE]]]; some minutes for each case.
"""

import sys
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np

from bronzeward.inputs.case import Case, load_case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.starter import STARTER
from bronzeward.inputs.strand import Strand
from bronzeward.model.batch import run_batch
from bronzeward.studies.ensemble import Spread
from bronzeward.studies.witness import witness

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from witness_by_fit import Judge

TEMPERATURES, HOURS = (180.0, 250.0, 350.0), (1.0, 12.0)
ENOUGH = Spread.usual(100)

FINAL = 15
"""Pairs that are tried with all truths."""


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


def judge(name: str, case: Case, answer: str, truths: int, size: int) -> None:
    """Print how the pair of `witness` ranks among all."""
    data = witness(case, answer, temperatures=TEMPERATURES, hours=HOURS, spread=ENOUGH)
    by_fit = Judge(case, answer, data.attrs["phases"], (TEMPERATURES, HOURS), ENOUGH, size)
    names = [sample.name for sample in by_fit.samples]
    pairs = list(combinations(range(len(names)), 2))
    mine = pairs.index(tuple(sorted(names.index(one) for one in data.attrs["pair"])))
    values = run_batch(list(by_fit.known), precision="quick")[answer]
    able = np.flatnonzero(np.isfinite(values))[:truths]
    first = max(2, len(able) // 4)
    width = np.full((len(able), len(pairs)), np.inf)
    width[:first] = [[by_fit.width(int(truth), pair) for pair in pairs] for truth in able[:first]]
    early = np.argsort(width[:first].mean(axis=0))
    for j in {mine, *early[:FINAL].tolist()}:
        width[first:, j] = [by_fit.width(int(truth), pairs[j]) for truth in able[first:]]
    mean = width.mean(axis=0)
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
    rough = width[:first].mean(axis=0)
    print(f"  band now {float(data['width_now']):.4g}; median pair {np.median(rough):.4g}")
    expected = np.array([float(data["pair_width"][a, b]) for a, b in pairs])
    print(f"  expected over brute force, all pairs: {np.round(np.quantile(expected / rough, (0.1, 0.5, 0.9)), 2)}")
    for j in np.argsort(mean)[:FINAL]:
        print(f"    {mean[j]:.4g}, expected {expected[j]:.4g}: {' and '.join(names[n] for n in pairs[j])}", flush=True)


def main(truths: int = 16, size: int = 128, only: int = -1) -> None:
    """Judge all cases, or one of them."""
    for number, (name, (case, answer)) in enumerate(cases().items()):
        if only in (-1, number):
            judge(name, case, answer, truths, size)


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:]))
