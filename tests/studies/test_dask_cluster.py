"""A sweep on a Dask cluster: a real scheduler and two workers as processes of their own, one killed midway."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.case import case_from_data
from bronzeward.inputs.case_values import Axis
from bronzeward.studies import dask_cluster
from bronzeward.studies.sweep import sweep

pytest.importorskip("distributed")

INPUTS = {
    "strand": {"core_diameter_um": 24.0, "sleeve_diameter_um": 44.0},
    "schedule": {
        "steps": [{"ramp_C_per_h": 50.0, "to_C": 210.0}, {"hold_h": 1.0}, {"ramp_C_per_h": 50.0, "to_C": 240.0}]
    },
}
HOLD = Axis(("schedule.steps.1.hold_h",), tuple(0.25 * k for k in range(24)))
PATIENCE = 60.0


def _start(module: str, *words: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", f"distributed.cli.{module}", *words]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Address of a scheduler on the loopback interface, and its two workers."""
    import json

    file = tmp_path / "scheduler.json"
    local = ("--host", "127.0.0.1")
    started = [_start("dask_scheduler", *local, "--port", "0", "--no-dashboard", "--scheduler-file", str(file))]
    try:
        end = time.monotonic() + PATIENCE
        while not file.exists() and time.monotonic() < end:
            time.sleep(0.1)
        address = json.loads(file.read_text())["address"]
        common = (*local, "--no-dashboard", "--no-nanny", "--nthreads", "1", "--local-directory", str(tmp_path))
        started += [_start("dask_worker", address, *common) for _ in range(2)]
        yield address, started[1:]
    finally:
        for process in reversed(started):
            process.terminate()
        for process in started:
            try:
                process.wait(10.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _wait_for_workers(address: str, count: int) -> None:
    from distributed import Client

    with Client(address, timeout=PATIENCE, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=PATIENCE)


def test_a_worker_that_dies_loses_nothing(scheduler: tuple[str, list[subprocess.Popen[bytes]]], tmp_path: Path) -> None:
    address, workers = scheduler
    _wait_for_workers(address, 2)
    case = case_from_data(INPUTS, Path())
    killed: list[int] = []

    def kill_one_midway(done: int, total: int) -> None:
        if done >= 4 and not killed:
            workers[0].kill()
            killed.append(done)

    spread_out = sweep(
        case, [HOLD], workers=1, runs_per_chunk=1, scheduler=address, progress=kill_one_midway, parts=tmp_path / "parts"
    )
    assert killed
    assert killed[0] < len(HOLD.values)
    assert workers[0].wait(10.0) != 0
    alone = sweep(case, [HOLD], workers=1)
    for name in alone.data_vars:
        np.testing.assert_array_equal(spread_out[name], alone[name], err_msg=str(name))


def test_a_scheduler_that_is_not_there_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dask_cluster, "WAIT", 0.5)
    with pytest.raises(InputError, match=r"scheduler tcp://127\.0\.0\.1:9: cannot be reached"):
        next(dask_cluster.computed("tcp://127.0.0.1:9", len, ["job"]))
