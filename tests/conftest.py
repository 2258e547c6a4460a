"""Shared by all tests: one cache folder for the session, the engine compiled once, quick ways to run."""

from __future__ import annotations

import atexit
import gc
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# set before anything is imported that reads it, and before xdist starts its workers, which inherit it;
# a caller's own folder is kept, so CI can share one
if "BRONZEWARD_CACHE" not in os.environ:
    os.environ["BRONZEWARD_CACHE"] = tempfile.mkdtemp(prefix="bronzeward-tests-")
    atexit.register(shutil.rmtree, os.environ["BRONZEWARD_CACHE"], ignore_errors=True)
os.environ.setdefault("MPLBACKEND", "Agg")
# threads of linear algebra wait for each other by turning idle: with two workers they cost more than they give
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

# objects by the hundred thousand come with the libraries and stay; looking at them all takes a tenth of the time
gc.set_threshold(100_000, 20, 20)

# in CI the same examples every time, so that a change is judged by itself; elsewhere new ones each time
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
settings.register_profile("ci", derandomize=True, deadline=None)
if os.environ.get("CI"):
    settings.load_profile("ci")

INTERPRETED = ("thermo", "plots", "reports", "validation", "inputs", "cli")
"""Folders whose tests mostly run without the compiled engine: they come first, while it is compiled beside them."""

COMPILING = Path(os.environ["BRONZEWARD_CACHE"]) / "compiling"
"""There as long as the engine is being compiled."""


def is_interpreted(nodeid: str) -> bool:
    return Path(nodeid.split("::")[0]).parent.name in INTERPRETED


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    # validation first: the first stretch of tests goes to one process, which then computes all checks alone
    items.sort(key=lambda item: (not is_interpreted(item.nodeid), "validation" not in item.nodeid))


@pytest.fixture(scope="session", autouse=True)
def compiled_once():
    """Who asks for the compiled engine while it is being compiled beside waits for it, and compiles none of its own.

    Nor does it tell of compiling: what a command prints would else depend on when it runs.
    """
    from bronzeward.growth import compiled
    from bronzeward.model import ready_engine

    for name in ("compiled_integrate", "is_kept"):
        waiting = waits_for_the_engine(getattr(compiled, name))
        for module in (compiled, ready_engine):
            setattr(module, name, waiting)


def waits_for_the_engine(straight: Callable[[str], Any]) -> Callable[[str], Any]:
    def waiting(cache_folder: str = "") -> Any:
        while COMPILING.exists():
            time.sleep(0.05)
        return straight(cache_folder)

    return waiting


class CompileBeside:
    """In the process that starts the workers: compile the engine, once, as they begin with what needs none."""

    process: subprocess.Popen[bytes] | None = None

    def pytest_xdist_node_collection_finished(self, ids: list[str]) -> None:
        if self.process is None and len({is_interpreted(one) for one in ids}) == 2:
            COMPILING.parent.mkdir(parents=True, exist_ok=True)
            COMPILING.touch()
            code = "from bronzeward.model.ready_engine import warm_engine; warm_engine(str)"
            self.process = subprocess.Popen([sys.executable, "-c", code])
            threading.Thread(target=self.wait, daemon=True).start()

    def wait(self) -> None:
        self.process.wait()
        COMPILING.unlink(missing_ok=True)

    def pytest_sessionfinish(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()


def pytest_configure(config: pytest.Config) -> None:
    if config.getoption("numprocesses", 0) and not hasattr(config, "workerinput"):
        config.pluginmanager.register(CompileBeside())


@pytest.fixture(scope="session")
def table():
    from bronzeward.thermo import load_table

    return load_table()


@pytest.fixture(scope="session")
def browser():
    """A browser without a window; tests that need one are skipped where there is none, and fail where it must be."""
    from browser import Missing, headless

    try:
        with headless() as opened:
            yield opened
    except Missing as missing:
        if os.environ.get("BRONZEWARD_BROWSER") == "required":
            pytest.fail(f"no browser, and BRONZEWARD_BROWSER asks for one: {missing}")
        pytest.skip(f"no browser: {missing}")


@pytest.fixture
def in_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[int, str, str]]:
    """Run the command line in this process; gives exit code, output, errors."""

    def run(*words: object) -> tuple[int, str, str]:
        from bronzeward.cli import run as main

        monkeypatch.setattr("sys.argv", ["bronzeward", *map(str, words)])
        code = 0
        try:
            main()
        except SystemExit as leaving:
            code = int(leaving.code or 0)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run
