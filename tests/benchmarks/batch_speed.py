"""Runs per second of a batch with 1 and 2 threads, and what the quick setting costs in accuracy.

    python tests/benchmarks/batch_speed.py [runs]

Two kinds of case: one that ends at the first liquid, one through the peritectic with a hold in copper-rich
bronze. Accuracy: 24 random cases between 240 and 650 C, quick against a tolerance of 1e-6.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from bronzeward.inputs.case import Case, Numerics
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.model.answers import ANSWERS
from bronzeward.model.batch import run_batch
from bronzeward.model.ready_engine import warm_engine


def ensemble(schedule: Schedule, count: int) -> list[Case]:
    """Cases that differ in their constants, as a band makes them."""
    draw, strand, base = np.random.default_rng(5), Strand.round(24, 44), load_set()
    factors = np.exp(0.7 * draw.standard_normal((count, 2)))
    return [Case(strand, schedule, base.scaled({"eta": float(a), "epsilon": float(b)})) for a, b in factors]


def mixed(count: int, tolerance: float) -> list[Case]:
    """Random strands and schedules."""
    draw, base, cases = np.random.default_rng(1), load_set(), []
    for k in range(count):
        pack = [(90, draw.uniform(0.15, 0.5))] if k % 2 else []
        strand = Strand.round(draw.uniform(16, 40), draw.uniform(44, 70), pack)
        plan = Schedule.start(20).ramp(draw.uniform(5, 100), to=210).hold(draw.uniform(0, 48))
        plan = plan.ramp(draw.uniform(5, 50), to=float(draw.choice([240, 400, 450, 650]))).hold(draw.uniform(1, 50))
        factors = {"eta": float(np.exp(draw.normal())), "epsilon": float(np.exp(draw.normal()))}
        cases.append(Case(strand, plan, base.scaled(factors), numerics=Numerics(tolerance=tolerance)))
    return cases


def main(count: int) -> None:
    warm_engine()
    plans = {
        "to 240 C": Schedule.start(20).ramp(25, to=210).hold(10).ramp(25, to=240),
        "to 450 C": Schedule.start(20).ramp(25, to=210).hold(10).ramp(25, to=400).hold(50).ramp(25, to=450).hold(1),
    }
    for title, plan in plans.items():
        cases = ensemble(plan, count)
        for precision in ("run", "quick"):
            speed = {}
            for workers in (1, 2):
                run_batch(cases[:32], workers, precision=precision)
                start = time.perf_counter()
                run_batch(cases, workers, precision=precision)
                speed[workers] = count / (time.perf_counter() - start)
            print(
                f"{title}, {precision:5s}: {speed[1]:7.1f} runs/s with 1 thread, {speed[2]:7.1f} with 2, "
                f"scaling {speed[2] / speed[1]:.2f}"
            )
    exact, quick = run_batch(mixed(24, 1e-6)), run_batch(mixed(24, 1e-5), precision="quick")
    print("largest difference of the quick setting, relative for lengths, times and temperatures:")
    for name, answer in ANSWERS.items():
        scale = np.abs(exact[name]) if answer.unit != "1" else np.ones(24)
        gap = np.abs(quick[name] - exact[name]) / scale
        print(f"  {name:28s} {np.nanmax(gap, initial=0.0, where=np.isfinite(gap)):.1e}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
