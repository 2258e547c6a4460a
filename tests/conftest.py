"""Shared by all tests: one cache folder for the session, the bundled case, quick ways to run."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

# set before anything is imported that reads it; a caller's own folder is kept, so CI can share one
if "BRONZEWARD_CACHE" not in os.environ:
    os.environ["BRONZEWARD_CACHE"] = tempfile.mkdtemp(prefix="bronzeward-tests-")
    atexit.register(shutil.rmtree, os.environ["BRONZEWARD_CACHE"], ignore_errors=True)
os.environ.setdefault("MPLBACKEND", "Agg")

# in CI the same examples every time, so that a change is judged by itself; elsewhere new ones each time
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


@pytest.fixture(scope="session")
def table():
    from bronzeward.thermo import load_table

    return load_table()


@pytest.fixture
def in_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[int, str, str]]:
    """Run the command line in this process; gives exit code, output, errors."""

    def run(*words: object) -> tuple[int, str, str]:
        from bronzeward.cli import main

        monkeypatch.setattr("sys.argv", ["bronzeward", *map(str, words)])
        code = 0
        try:
            main()
        except SystemExit as leaving:
            code = int(leaving.code or 0)
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run
