"""Ctrl-C at any moment after the start, imports included, ends with one line and exit code 130."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bronzeward.inputs import starter

ENTRY = "from bronzeward.cli import main; print('started', flush=True); main()"
"""What the installed command does; nothing can be said of an interrupt before Python has read `main` itself."""


def heed() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.parametrize("wait", [0.0, 0.03, 0.1, 0.2, 0.4])
def test_ctrl_c(wait: float, tmp_path: Path) -> None:
    case = tmp_path / "case.toml"
    case.write_text(starter.text())
    # a run that takes longer than any of the waits
    words = [sys.executable, "-c", ENTRY, "run", str(case), "--no-cache"]
    pipe = subprocess.PIPE
    # a test run in the background may have been told to ignore it
    with subprocess.Popen(words, stdout=pipe, stderr=pipe, text=True, cwd=tmp_path, preexec_fn=heed) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(wait)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=120)
    assert (process.returncode, said) == (130, "bronzeward: interrupted\n")
    assert sorted(tmp_path.iterdir()) == [case]
