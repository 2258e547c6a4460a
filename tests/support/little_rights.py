"""Commands in processes of their own with less than a super-user may: files and folders can be closed to them."""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
from pathlib import Path

import pytest

DROP, OVERRIDE, SEARCH = 24, 1, 2
"""prctl(PR_CAPBSET_DROP) and the two capabilities by which Linux lets a super-user into every folder."""


def drop_rights() -> None:
    libc = ctypes.CDLL(None)
    for capability in (OVERRIDE, SEARCH):
        libc.prctl(DROP, capability, 0, 0, 0)


def run_with_little_rights(words: list[object], folder: Path, **environment: str) -> tuple[int, str, str]:
    """Exit code, output, errors of a command."""
    if sys.platform != "linux":
        pytest.skip("rights are dropped as Linux does it")
    done = subprocess.run(
        [sys.executable, "-m", "bronzeward", *map(str, words)], cwd=folder, preexec_fn=drop_rights,
        env={**os.environ, **environment}, capture_output=True, text=True,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr
