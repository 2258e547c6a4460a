"""Faults of the sweep command: killed at the worst moments, and two processes that sweep to one file."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from bronzeward.errors import InputError
from bronzeward.inputs.case import load_case
from bronzeward.inputs.case_values import parse_axis
from bronzeward.model.dataset_file import write_dataset
from bronzeward.model.ready_engine import warm_engine
from bronzeward.studies import chunk_store
from bronzeward.studies import sweep as sweeps

CASE = """
[strand]
core_diameter_um = 24.0
sleeve_diameter_um = 44.0
[schedule]
steps = [{ ramp_C_per_h = 50.0, to_C = 210.0 }, { hold_h = 1.0 }, { ramp_C_per_h = 100.0, to_C = 240.0 }]
"""
VARY = ("schedule.steps.1.hold_h=0:8:10", "strand.core_diameter_um=20:28:5")
POINTS, CHUNK = 50, 5

PROGRAM = """
    import json, os, resource, signal, sys
    from functools import partial
    from bronzeward.cli import main
    from bronzeward.model.ready_engine import warm_engine
    from bronzeward.studies import sweep
    import netCDF4, xarray  # here once instead of in every child

    def die():
        os.kill(os.getpid(), signal.SIGKILL)

    def run(log, moment, wanted, *words):
        evaluate, chunks = sweep.evaluate, []

        def noted(job, progress=None):
            with open(log, "a") as file:
                file.write(" ".join(map(str, job.points)) + "\\n")
            chunks.append(job)
            if len(chunks) == wanted:
                if moment == "before it is computed":
                    die()
                if moment == "half written":  # the system ends a process whose file outgrows this
                    signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
                    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
                if moment == "before it gets its name":
                    sys.addaudithook(lambda event, _: die() if event == "os.rename" else None)
                if moment == "until told":
                    print("half", flush=True)
                    sys.stdin.readline()
            return evaluate(job, progress)

        sweep.evaluate = noted
        sweep.sweep = partial(sweep.sweep, runs_per_chunk=5)
        sys.argv = ["bronzeward", "sweep", "case.toml", "-o", "out.nc", "--quiet", "--workers", "1", *words]
        main()

    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    warm_engine()
    while line := sys.stdin.readline():
        child = os.fork()
        if child == 0:
            try:
                run(*json.loads(line))
            except SystemExit as end:
                os._exit(end.code or 0)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


class Commands:
    """A process that runs the sweep command, with small chunks, in children of its own.

    A child is killed, or waits for a line, at a moment of the chunk of a number; its log gets the points of every
    chunk begun.
    """

    def __init__(self, folder: Path) -> None:
        words, pipe = [sys.executable, "-c", textwrap.dedent(PROGRAM)], subprocess.PIPE
        self.process = subprocess.Popen(words, cwd=folder, text=True, stdin=pipe, stdout=pipe, stderr=pipe)

    def start(self, log: str, moment: str = "", chunk: int = 0, *more: str) -> None:
        self.tell(json.dumps([log, moment, chunk, *(word for text in VARY for word in ("--vary", text)), *more]))

    def tell(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def said(self) -> str:
        """The next line: of a child that waits, or the exit code of one that ended."""
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    def end(self) -> None:
        assert self.process.communicate(timeout=300) == ("", "")


@pytest.fixture
def process(tmp_path):
    """Makes such processes."""
    (tmp_path / "case.toml").write_text(CASE)
    made: list[Commands] = []

    def make() -> Commands:
        made.append(Commands(tmp_path))
        return made[-1]

    yield make
    for commands in made:
        commands.end()


def begun(path: Path) -> list[int]:
    """All points in a log."""
    return [int(word) for word in path.read_text().split()]


def kept(folder: Path) -> dict[str, tuple[int, int]]:
    """Finished chunks by name, with what changes when one is written again."""
    return {p.name: (p.stat().st_ino, p.stat().st_mtime_ns) for p in folder.glob(".out.nc.parts/*/part-*.npz")}


def stored(folder: Path) -> list[int]:
    """The points of all finished chunks."""
    points: list[int] = []
    for path in folder.glob(".out.nc.parts/*/part-*.npz"):
        with np.load(path) as data:
            points += [int(k) for k in data["points"]]
    return points


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The sweep without any interruption, in one piece."""
    path = tmp_path_factory.mktemp("whole") / "case.toml"
    path.write_text(CASE)
    return sweeps.sweep(load_case(path), [parse_axis(text) for text in VARY])


def check_same(path: Path, whole) -> None:
    with xr.open_dataset(path, decode_timedelta=False) as data:
        assert set(data.variables) == set(whole.variables)
        assert data.sizes == whole.sizes
        for name in whole.variables:
            np.testing.assert_array_equal(data[name], whole[name], err_msg=str(name))
        assert {k: v for k, v in data.attrs.items() if k != "history"} == {
            k: v for k, v in whole.attrs.items() if k != "history"
        }


def test_killed_sweep_goes_on_and_computes_nothing_twice(whole, process, tmp_path):
    command, finished = process(), {}
    moments = ("before it is computed", "half written", "before it gets its name")
    for chunk, (moment, ending) in enumerate(zip(moments, ("KILL", "XFSZ", "KILL"), strict=True), start=2):
        before, log = stored(tmp_path), tmp_path / f"log{chunk}"
        command.start(log.name, moment, chunk)
        assert command.said() == str(-signal.Signals[f"SIG{ending}"])
        assert len(begun(log)) == chunk * CHUNK
        assert not set(before) & set(begun(log))
        assert sorted(stored(tmp_path)) == sorted(before + begun(log)[:-CHUNK])
        assert not (tmp_path / "out.nc").exists()
        assert finished.items() <= kept(tmp_path).items()
        finished = kept(tmp_path)
    before = stored(tmp_path)
    assert 0 < len(before) < POINTS
    command.start("last")
    assert command.said() == "0"
    assert sorted(begun(tmp_path / "last") + before) == list(range(POINTS))
    check_same(tmp_path / "out.nc", whole)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["case.toml", "last", "log2", "log3", "log4", "out.nc"]


def test_two_processes_sweep_to_one_file(whole, process, tmp_path):
    """One is half through when the other finishes and clears up."""
    slow, fast = process(), process()
    slow.start("slow", "until told", POINTS // CHUNK // 2, "--overwrite")
    assert slow.said() == "half"
    fast.start("fast")
    assert fast.said() == "0"
    for last in (False, True):
        check_same(tmp_path / "out.nc", whole)
        assert sorted(p.name for p in tmp_path.iterdir()) == ["case.toml", "fast", "out.nc", "slow"]
        if not last:
            slow.tell("")
            assert slow.said() == "0"


def test_a_folder_of_chunks_that_vanishes_is_made_again(tmp_path):
    """What the second of two processes meets when the first has finished, in the worst moments."""
    store = chunk_store.Chunks(tmp_path / "parts" / "mine")
    store.write([0], {"status": np.zeros(1)})
    data = type("Data", (), {"attrs": {"digest": "mine"}})()
    chunk_store.clear_chunks(tmp_path / "parts", data)
    assert not (tmp_path / "parts").exists()
    chunk_store.clear_chunks(tmp_path / "parts", data)
    store.write([1], {"status": np.ones(1)})
    ((points, part),) = store.read()
    assert points == [1]
    assert part["status"] == [1.0]


def test_chunks_left_beside_their_result_are_cleared(tmp_path):
    """A sweep stopped between writing its result and clearing its chunks; those of other sweeps stay."""
    parts, target = tmp_path / ".out.nc.parts", tmp_path / "out.nc"
    for name in ("mine", "other"):
        chunk_store.Chunks(parts / name).write([0], {"status": np.zeros(1)})
    chunk_store.clear_finished(target)  # no result yet
    assert (parts / "mine").exists()
    target.write_text("no netCDF")
    chunk_store.clear_finished(target)
    assert (parts / "mine").exists()
    write_dataset(xr.Dataset(attrs={"digest": "mine"}), target, overwrite=True)
    chunk_store.clear_finished(target)
    assert [path.name for path in parts.iterdir()] == ["other"]
    write_dataset(xr.Dataset(attrs={"digest": "other"}), target, overwrite=True)
    chunk_store.clear_finished(target)
    assert [path.name for path in tmp_path.iterdir()] == ["out.nc"]


def test_a_result_names_no_folder_but_its_own_chunks(tmp_path):
    """A made-up file must not have anything else removed."""
    target, parts, other = tmp_path / "out.nc", tmp_path / ".out.nc.parts", tmp_path / "precious"
    chunk_store.Chunks(parts / "mine").write([0], {"status": np.zeros(1)})
    other.mkdir()
    for digest in ("../precious", str(other), "..", ".", "", 7):
        write_dataset(xr.Dataset(attrs={"digest": digest}), target, overwrite=True)
        chunk_store.clear_finished(target)
    assert sorted(path.name for path in tmp_path.iterdir()) == [".out.nc.parts", "out.nc", "precious"]
    assert [path.name for path in parts.iterdir()] == ["mine"]


@pytest.mark.parametrize("name", [".", "..", "/"])
def test_a_folder_is_no_target(tmp_path, name, command, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("case.toml").write_text(CASE)
    code, out, err = command("sweep", "case.toml", "--vary", VARY[1], "-o", name)
    assert (code, out) == (2, "")
    assert "is a folder" in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize(
    "words",
    [
        ("sweep", "--vary", "strand.core_diameter_um=20,24", "-o", "out.nc", "-q"),
        ("margins", "-o", "out.nc", "-q"),
    ],
)
def test_a_figure_that_cannot_be_written_does_not_take_the_result_with_it(command, in_folder, monkeypatch, words):
    Path("case.toml").write_text(CASE)
    warm_engine(str)

    def full(drawing, path, overwrite=False):
        raise InputError(f"{path}: cannot be written (No space left on device)")

    monkeypatch.setattr("bronzeward.plots.picture_file.save", full)
    code, out, err = command(words[0], "case.toml", *words[1:], "--figure", "x.png")
    assert (code, out) == (2, "")
    assert err == "bronzeward: x.png: cannot be written (No space left on device); the result is kept in out.nc\n"
    assert Path("out.nc").is_file()


def test_a_sweep_that_cannot_begin_leaves_no_folder(command, in_folder):
    """A scheduler that is not there is told at once."""
    Path("case.toml").write_text(CASE)
    for address in ("tcp://127.0.0.1:9", "127.0.0.1:9", "tcp://no.such.host.invalid:8786", "nonsense", "tcp://x:y"):
        code, _, err = command("sweep", "case.toml", "--vary", VARY[1], "--scheduler", address)
        assert (code, err.count("\n")) == (2, 1), err
        assert address in err
    assert [path.name for path in in_folder.iterdir()] == ["case.toml"]


def test_a_chunk_that_cannot_be_written_leaves_no_folder(tmp_path, monkeypatch):
    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(np, "savez", full)
    with pytest.raises(InputError, match="No space left"):
        chunk_store.Chunks(tmp_path / ".out.nc.parts" / "mine").write([0], {"status": np.zeros(1)})
    assert list(tmp_path.iterdir()) == []
