"""Faults of the sweep command: killed at random moments, and two processes that sweep to one file."""

from __future__ import annotations

import random
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from bronzeward.inputs.case import load_case
from bronzeward.inputs.case_values import parse_axis
from bronzeward.model.dataset_file import write_dataset
from bronzeward.studies import sweep as sweeps

CASE = """
[strand]
core_diameter_um = 24.0
sleeve_diameter_um = 44.0
[schedule]
steps = [{ ramp_C_per_h = 50.0, to_C = 210.0 }, { hold_h = 1.0 }, { ramp_C_per_h = 100.0, to_C = 240.0 }]
"""
VARY = ("schedule.steps.1.hold_h=0:8:20", "strand.core_diameter_um=20:28:5")
POINTS, CHUNK = 100, 5


def started(folder: Path, log: str, *more: str, slow: bool | None = None) -> subprocess.Popen[str]:
    """The command in a process of its own, with small chunks; `log` gets the points of every chunk begun.

    With `slow` not None it waits for a line before it starts. A slow one computes half of its chunks, and the
    others once another process has finished and cleared up.
    """
    code = """
        import sys
        from functools import partial
        from bronzeward.studies import sweep
        import time
        from pathlib import Path
        log, slow, *words = sys.argv[1:]
        left = [10, 3000]
        evaluate = sweep.evaluate
        def noted(job, progress=None):
            with open(log, "a") as file:
                file.write(" ".join(map(str, job.points)) + "\\n")
            left[0] -= 1
            if slow == "True" and left[0] == 0:
                while left[1] and (not Path("out.nc").exists() or list(Path(".out.nc.parts").glob("*/part*"))):
                    left[1] -= 1
                    time.sleep(0.01)
            return evaluate(job, progress)
        sweep.evaluate = noted
        sweep.sweep = partial(sweep.sweep, runs_per_chunk=5)
        if slow:
            from bronzeward.model.batch import warm_engine
            warm_engine()
            print("ready", flush=True)
            sys.stdin.readline()
        sys.argv = ["bronzeward", "sweep", "case.toml", "-o", "out.nc", "--quiet", *words]
        from bronzeward.cli import main
        main()
    """
    vary = [word for text in VARY for word in ("--vary", text)]
    words = [log, "" if slow is None else str(slow), *vary, "--workers", "1", *more]
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code), *words], cwd=folder, text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def begun(path: Path) -> list[int]:
    """All points in a log, those of a last line that was cut off left out."""
    lines = path.read_text().split("\n")[:-1] if path.exists() else []
    return [int(word) for line in lines for word in line.split()]


def kept(folder: Path) -> dict[str, tuple[int, int]]:
    """Finished chunks by name, with what changes when one is written again."""
    return {p.name: (p.stat().st_ino, p.stat().st_mtime_ns) for p in folder.glob(".out.nc.parts/*/part-*.npz")}


def stored(folder: Path) -> list[int]:
    """The points of all finished chunks."""
    found: list[int] = []
    for path in folder.glob(".out.nc.parts/*/part-*.npz"):
        with np.load(path) as data:
            found += [int(k) for k in data["points"]]
    return found


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The sweep without any interruption, in one piece."""
    path = tmp_path_factory.mktemp("whole") / "case.toml"
    path.write_text(CASE)
    return sweeps.sweep(load_case(path), [parse_axis(text) for text in VARY])


def check_same(path: Path, whole) -> None:
    import xarray as xr

    with xr.open_dataset(path, decode_timedelta=False) as data:
        assert set(data.variables) == set(whole.variables)
        assert data.sizes == whole.sizes
        for name in whole.variables:
            np.testing.assert_array_equal(data[name], whole[name], err_msg=str(name))
        assert {k: v for k, v in data.attrs.items() if k != "history"} == {
            k: v for k, v in whole.attrs.items() if k != "history"
        }


def test_killed_sweep_goes_on_and_computes_nothing_twice(whole, tmp_path):
    (tmp_path / "case.toml").write_text(CASE)
    chance = random.Random(11)
    finished: dict[str, tuple[int, int]] = {}
    for k in range(2):
        before = set(stored(tmp_path))
        log = tmp_path / f"log{k}"
        process = started(tmp_path, log.name)
        # somewhere inside a chunk, or while its file is written
        wanted = chance.randrange(1, 9)
        limit = time.monotonic() + 300
        while len(begun(log)) < wanted * CHUNK and process.poll() is None and time.monotonic() < limit:
            time.sleep(0.002)
        time.sleep(chance.random() * 0.05)
        process.kill()
        _, err = process.communicate()
        assert process.returncode == -9, err
        assert len(begun(log)) >= wanted * CHUNK
        assert not before & set(begun(log))
        assert not (tmp_path / "out.nc").exists()
        now = kept(tmp_path)
        assert finished.items() <= now.items()
        assert len(stored(tmp_path)) == len(set(stored(tmp_path))) >= len(before) + (wanted - 1) * CHUNK
        finished = now
    before = set(stored(tmp_path))
    assert 0 < len(before) < POINTS
    process = started(tmp_path, "last")
    _, err = process.communicate(timeout=300)
    assert process.returncode == 0, err
    assert sorted(begun(tmp_path / "last")) == sorted(set(range(POINTS)) - before)
    check_same(tmp_path / "out.nc", whole)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["case.toml", "last", "log0", "log1", "out.nc"]


def test_two_processes_sweep_to_one_file(whole, tmp_path):
    (tmp_path / "case.toml").write_text(CASE)
    processes = [started(tmp_path, f"log{k}", "--overwrite", slow=k == 1) for k in range(2)]
    for process in processes:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("\n")
        process.stdin.flush()
    for process in processes:
        out, err = process.communicate(timeout=300)
        assert (process.returncode, out, err) == (0, "", "")
    check_same(tmp_path / "out.nc", whole)
    assert {p.name for p in tmp_path.iterdir()} <= {"case.toml", "log0", "log1", "out.nc", ".out.nc.parts"}


def test_a_folder_of_chunks_that_vanishes_is_made_again(tmp_path):
    """What the second of two processes meets when the first has finished, in the worst moments."""
    store = sweeps._Store(tmp_path / "parts" / "own")
    store.write([0], {"status": np.zeros(1)})
    data = type("Data", (), {"attrs": {"digest": "own"}})()
    sweeps.clear_parts(tmp_path / "parts", data)
    assert not (tmp_path / "parts").exists()
    sweeps.clear_parts(tmp_path / "parts", data)
    store.write([1], {"status": np.ones(1)})
    ((points, part),) = store.read()
    assert points == [1]
    assert part["status"] == [1.0]


def test_chunks_left_beside_their_result_are_cleared(tmp_path):
    """A sweep stopped between writing its result and clearing its chunks; those of other sweeps stay."""
    parts, target = tmp_path / ".out.nc.parts", tmp_path / "out.nc"
    for name in ("own", "other"):
        sweeps._Store(parts / name).write([0], {"status": np.zeros(1)})
    sweeps.clear_finished(target)  # no result yet
    assert (parts / "own").exists()
    target.write_text("no netCDF")
    sweeps.clear_finished(target)
    assert (parts / "own").exists()
    write_dataset(xr.Dataset(attrs={"digest": "own"}), target, overwrite=True)
    sweeps.clear_finished(target)
    assert [path.name for path in parts.iterdir()] == ["other"]
    write_dataset(xr.Dataset(attrs={"digest": "other"}), target, overwrite=True)
    sweeps.clear_finished(target)
    assert [path.name for path in tmp_path.iterdir()] == ["out.nc"]


def test_a_result_names_no_folder_but_its_own_chunks(tmp_path):
    """A made-up file must not have anything else removed."""
    target, parts, other = tmp_path / "out.nc", tmp_path / ".out.nc.parts", tmp_path / "precious"
    sweeps._Store(parts / "own").write([0], {"status": np.zeros(1)})
    other.mkdir()
    for digest in ("../precious", str(other), "..", ".", "", 7):
        write_dataset(xr.Dataset(attrs={"digest": digest}), target, overwrite=True)
        sweeps.clear_finished(target)
    assert sorted(path.name for path in tmp_path.iterdir()) == [".out.nc.parts", "out.nc", "precious"]
    assert [path.name for path in parts.iterdir()] == ["own"]


@pytest.mark.parametrize("name", [".", "..", "/"])
def test_a_folder_is_no_target(tmp_path, name, command, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("case.toml").write_text(CASE)
    code, out, err = command("sweep", "case.toml", "--vary", VARY[1], "-o", name)
    assert (code, out) == (2, "")
    assert "is a folder" in err
    assert len(err.splitlines()) == 1
