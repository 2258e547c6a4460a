"""Faults while files are written: full disk, kill, read-only folder, wrong clock, two writers.

After each of them the old file is whole or the new one is, and nothing half-written lies about
(but for the temporary file of a process that was killed, which has a name of its own and hurts nobody).
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from bronzeward import Schedule, Strand
from bronzeward.errors import InputError
from bronzeward.files import replacing, write_text
from bronzeward.inputs.case import Case, load_case
from bronzeward.inputs.starter import STARTER
from bronzeward.materials.kinetics import load_set
from bronzeward.model.result import read_netcdf, write_netcdf
from bronzeward.model.simulation import run_case
from bronzeward.thermo import table_file
from bronzeward.thermo.load import keep


@pytest.fixture(scope="module")
def run():
    return run_case(Case(Strand.round(24, 44), Schedule.start(20).ramp(200, to=300), load_set()))


def script(body: str, *words: object) -> subprocess.Popen[str]:
    """Another Python with the small run as `run`, the words as `sys.argv[1:]`."""
    head = """
        import sys
        from pathlib import Path
        from bronzeward import Schedule, Strand
        from bronzeward.inputs.case import Case
        from bronzeward.errors import InputError
        from bronzeward.materials.kinetics import load_set
        from bronzeward.model.result import read_netcdf, write_netcdf
        from bronzeward.model.simulation import run_case
        from bronzeward.files import replacing, write_text
        from bronzeward.thermo import load_table, table_file
        from bronzeward.thermo.load import keep
        run = run_case(Case(Strand.round(24, 44), Schedule.start(20).ramp(200, to=300), load_set()))
    """
    code = textwrap.dedent(head) + textwrap.dedent(body)
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, words)], text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def outcome(process: subprocess.Popen[str]) -> str:
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    return out


# --- full disk: no file may grow beyond a limit, which the system reports as it does a full disk

FULL = """
    import resource, signal
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    target = Path(sys.argv[1])
    for size in (0, 100, 4096, 20000):
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
        try:
            WRITE
        except InputError as error:
            print("refused", str(error).count("cannot be written"))
        else:
            print("written")
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
"""


@pytest.mark.parametrize(
    ("name", "write"),
    [
        ("old.nc", "write_netcdf(run, target, overwrite=True)"),
        ("old.toml", "write_text('a' * 50000, target, True)"),
        (
            "old.png",
            "from bronzeward.plots import picture_file as p, panels; p.save(panels.plot_wall(run), target, True)",
        ),
        ("diagram.nc", "table_file.write(load_table(), target, True)"),
        (
            "sweep.nc",
            "from bronzeward.model import dataset_file as d; d.write_dataset(run.to_dataset(), target, 1)",
        ),
    ],
)
def test_full_disk_leaves_the_old_file(name, write, run, tmp_path):
    target = tmp_path / name
    target.write_text("old")
    lines = outcome(script(FULL.replace("WRITE", write), target)).split("\n")[:4]
    assert lines == ["refused 1"] * 4
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_full_disk_only_means_no_cache(run, tmp_path):
    body = FULL.replace("WRITE", "print(keep(load_table(), target))")
    assert outcome(script(body, tmp_path / "table.nc")).split() == ["False", "written"] * 4
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_called_one_where_the_library_does_not(tmp_path, monkeypatch):
    """The netCDF library names no cause; whether there was room is looked up."""
    import shutil
    from types import SimpleNamespace

    for free, cause in ((0, "No space left on device"), (2**30, "NetCDF: HDF error")):
        monkeypatch.setattr(shutil, "disk_usage", lambda _, free=free: SimpleNamespace(free=free))
        with pytest.raises(InputError) as told, replacing(tmp_path / "a.nc"):
            raise RuntimeError("NetCDF: HDF error")
        assert str(told.value) == f"{tmp_path / 'a.nc'}: cannot be written ({cause})"
    assert list(tmp_path.iterdir()) == []


# --- killed while the file grows, before it has its name, and after

KILL = """
    import os, resource, signal
    target = Path(sys.argv[1])
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    def die():
        os.kill(os.getpid(), signal.SIGKILL)
    for moment in (0, 100, 4096, 20000, "os.rename", "after") * 2:
        child = os.fork()
        if child == 0:
            if isinstance(moment, int):  # the system ends a process whose file outgrows this
                signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
                resource.setrlimit(resource.RLIMIT_FSIZE, (moment, moment))
            sys.addaudithook(lambda event, _: die() if event == moment else None)
            WRITE
            die()
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
        sys.stdin.readline()
"""


@pytest.mark.parametrize(
    ("name", "write", "read"),
    [
        ("a.nc", "write_netcdf(run, target, overwrite=True)", lambda path: read_netcdf(path)["time"].size > 2),
        ("table.nc", "table_file.write(load_table(), target, True)", lambda path: table_file.read(path) is not None),
        ("a.txt", "write_text('x' * 300000, target, True)", lambda path: path.stat().st_size == 300000),
    ],
)
def test_kill_while_writing(name, write, read, run, tmp_path):
    target = tmp_path / name
    endings = [-signal.SIGXFSZ] * 4 + [-signal.SIGKILL] * 2
    with script(KILL.replace("WRITE", write), target) as writer:
        assert writer.stdin is not None
        assert writer.stdout is not None
        for number, ending in enumerate(endings * 2):
            assert writer.stdout.readline() == f"{ending}\n"
            assert all(path == target or path.name.endswith(".tmp") for path in tmp_path.iterdir())
            assert target.exists() == (number >= len(endings) - 1)
            assert not target.exists() or read(target)
            writer.stdin.write("\n")
            writer.stdin.flush()
    # what a killed writer left does not stand in the way
    write_netcdf(run, tmp_path / "after.nc")
    assert read_netcdf(tmp_path / "after.nc")["time"].size == run["time"].size


# --- a folder that cannot be written to


@pytest.fixture
def closed(tmp_path, monkeypatch):
    """A folder in which no file can be made, also for a super-user, for whom permissions mean nothing."""
    folder = tmp_path / "closed"
    folder.mkdir()
    (folder / "old.nc").write_text("old")
    folder.chmod(0o555)
    real = os.open

    def refuse(path, flags, *more, **named):
        if flags & os.O_CREAT and os.path.dirname(os.fsdecode(path)) == str(folder):
            raise PermissionError(13, "Permission denied", os.fsdecode(path))
        return real(path, flags, *more, **named)

    monkeypatch.setattr(os, "open", refuse)
    yield folder
    folder.chmod(0o755)
    assert [path.name for path in folder.iterdir()] == ["old.nc"]
    assert (folder / "old.nc").read_text() == "old"


def test_read_only_folder(run, closed):
    for write in (
        lambda: write_netcdf(run, closed / "old.nc", overwrite=True),
        lambda: write_text("new", closed / "old.nc", True),
        lambda: _write_sweep(run, closed / "old.nc"),
    ):
        with pytest.raises(InputError, match="cannot be written"):
            write()


def _write_sweep(run, path):
    from bronzeward.model.dataset_file import write_dataset

    write_dataset(run.to_dataset(), path, overwrite=True)


def test_read_only_cache_only_means_no_cache(closed, monkeypatch, table):
    monkeypatch.setenv("BRONZEWARD_CACHE", str(closed))
    assert keep(table, closed / "old.nc") is False
    assert keep(table, closed / "deeper" / "old.nc") in (True, False)
    for path in (closed / "deeper").glob("*"):
        path.unlink()
    if (closed / "deeper").exists():
        (closed / "deeper").rmdir()


# --- the clock


def test_a_clock_that_jumps_changes_no_number(run, monkeypatch):
    from datetime import datetime

    import bronzeward.model.result as results

    class Wrong(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime(1970, 1, 1, tzinfo=tz)

    monkeypatch.setattr(results, "datetime", Wrong)
    monkeypatch.setattr(time, "time", lambda: -1e9)
    monkeypatch.setattr(time, "monotonic", lambda: 0.0)
    again = run_case(Case(Strand.round(24, 44), Schedule.start(20).ramp(200, to=300), load_set()))
    for name, own in run.variables.items():
        if own.values.dtype.kind == "f":
            np.testing.assert_array_equal(again[name], own.values)
    assert again.attributes["history"].startswith("1970-01-01T00:00:00Z")


# --- two writers


def test_two_writers_on_one_file(run, tmp_path):
    """Whoever comes last wins; a reader always meets a whole file."""
    target = tmp_path / "shared.nc"
    other = run_case(Case(Strand.round(20, 44), Schedule.start(20).ramp(200, to=300), load_set()))
    write_netcdf(run, target)
    body = """
        other = run_case(Case(Strand.round(20, 44), Schedule.start(20).ramp(200, to=300), load_set()))
        print("ready", flush=True)
        for _ in range(20):
            write_netcdf(other, sys.argv[1], overwrite=True)
    """
    writer = script(body, target)
    assert writer.stdout is not None
    writer.stdout.readline()
    known = {run["total_tin"][0], other["total_tin"][0]}
    met = set()
    while writer.poll() is None:
        write_netcdf(run, target, overwrite=True)
        met.add(read_netcdf(target)["total_tin"][0])
    outcome(writer)
    assert met <= known
    assert [path.name for path in tmp_path.iterdir()] == ["shared.nc"]


def test_threads_that_write_one_cache(table, tmp_path):
    target = tmp_path / "table.nc"
    kept = []
    # the netCDF library takes one thread at a time, so what is tested is the renaming
    lock = threading.Lock()

    def work():
        for _ in range(5):
            with lock:
                kept.append(keep(table, target))
                assert table_file.read(target) is not None

    threads = [threading.Thread(target=work) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert kept == [True] * 15
    assert [path.name for path in tmp_path.iterdir()] == ["table.nc"]


# --- interrupted


def test_the_starter_case_still_loads():
    assert load_case(STARTER).title
    assert Path(STARTER).is_file()
