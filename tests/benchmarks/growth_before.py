"""Times of this checkout against another, whole processes in turns.

    python tests/benchmarks/growth_before.py OTHER/src [members] [rounds]

1. `bronzeward band` of the bundled starter case with some members, on all cores (wall and processor time).
2. The compiled engine alone: 300 runs of the starter's strand and schedule with constants as a band draws them, at the
   precision of a single run and of a band.

Both keep their compiled engine in a folder of their own; what compiling takes is not counted. The least of all rounds
stands; other work on the machine only ever adds.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

OWN = Path(__file__).parents[2] / "src"

ENGINE = """
import time
import numpy as np
from bronzeward.growth.compiled import run_compiled, array_work, array_record
from bronzeward.growth.problem import ITERATIONS, STEPS
from bronzeward.inputs.case import Case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.model.batch import Shared
from bronzeward.files import cache_folder
strand, base = Strand.round(24, 44), load_set()
plan = Schedule.start(20).ramp(25, to=210).hold(24).ramp(25, to=400).hold(24)
factors = np.exp(0.7 * np.random.default_rng(5).standard_normal((300, 2)))
cases = [Case(strand, plan, base.scaled({"eta": float(a), "epsilon": float(b)})) for a, b in factors]
for precision in ("run", "quick"):
    shared = Shared(cases, precision)
    problems = [shared.problem(case) for case in cases]
    record, count = array_record(4000, 400), np.zeros(2)
    work = array_work(problems[0].n_cells)
    run_compiled(problems[0], work, record, str(cache_folder()))
    began = time.process_time()
    for problem in problems:
        run_compiled(problem, work, record, str(cache_folder()))
        count += record.count[STEPS], record.count[ITERATIONS]
    print((time.process_time() - began) / len(cases), *(count / len(cases)))
"""


def environment(source: Path, cache: str) -> dict[str, str]:
    """Where a checkout is run from; what Python compiles is kept, as an installed package has it."""
    own = {"PYTHONPATH": str(source), "BRONZEWARD_CACHE": cache, "PYTHONPYCACHEPREFIX": f"{cache}/python"}
    return {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"} | own


def band(source: Path, cache: str, members: int) -> tuple[float, float]:
    """Wall and processor time of a band [s]."""
    with tempfile.TemporaryDirectory() as folder:
        run = [sys.executable, "-m", "bronzeward"]
        own = {"cwd": folder, "env": environment(source, cache), "capture_output": True, "check": True}
        subprocess.run([*run, "example", "-o", "starter.toml"], **own)  # type: ignore[call-overload]
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        began = time.perf_counter()
        subprocess.run([*run, "band", "starter.toml", "--members", str(members)], **own)  # type: ignore[call-overload]
        wall, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def engine(source: Path, cache: str) -> list[float]:
    """Seconds, steps and iterations of a run at both precisions; nothing of a checkout laid out otherwise."""
    done = subprocess.run(
        [sys.executable, "-c", ENGINE], env=environment(source, cache), capture_output=True, check=False, text=True
    )
    return [float(word) for word in done.stdout.split()] if done.returncode == 0 else []


def main(other: str, members: int = 4000, rounds: int = 3) -> None:
    with tempfile.TemporaryDirectory() as folder:
        sources = {"other": (Path(other).resolve(), f"{folder}/other"), "own": (OWN, f"{folder}/own")}
        for place in sources.values():
            band(*place, 10)
        bands: dict[str, list[tuple[float, float]]] = {name: [] for name in sources}
        engines: dict[str, list[list[float]]] = {name: [] for name in sources}
        for _ in range(rounds):
            for name, place in sources.items():
                engines[name].append(engine(*place))
                bands[name].append(band(*place, members))
    wall = {name: [min(column) for column in zip(*times, strict=True)] for name, times in bands.items()}
    alone = {name: [min(column) for column in zip(*times, strict=True)] for name, times in engines.items()}
    for name in sources:
        print(f"{name:5s} band of {members}: {wall[name][0]:.2f} s, {wall[name][1]:.2f} s of processor")
        for k, precision in enumerate(("run", "quick") if alone[name] else ()):
            seconds, steps, stages = alone[name][3 * k : 3 * k + 3]
            print(f"{name:5s} engine, {precision}: {1e3 * seconds:.3f} ms, {steps:.0f} steps, {stages:.0f} iterations")
    print(
        f"own is {wall['other'][0] / wall['own'][0]:.2f} times as fast ({wall['other'][1] / wall['own'][1]:.2f} by "
        "processor)"
    )
    if alone["other"]:
        run, quick = (alone["other"][k] / alone["own"][k] for k in (0, 3))
        print(f"its engine {run:.2f} times (run), {quick:.2f} (quick)")


if __name__ == "__main__":
    main(sys.argv[1], *map(int, sys.argv[2:]))
