"""Inputs that once broke a reader, and the seeds of the fuzzers: all must be read, or refused with one clear line.

Found by `tests/fuzz/run_fuzz.py`; each file under `tests/fuzz/corpus/TARGET` is one input. Nothing may be
started or written outside the folder (an audit hook watches), and 10 s must be enough.
"""

from __future__ import annotations

import random
import sys
import time
from pathlib import Path

import pytest

FUZZ = Path(__file__).parents[1] / "fuzz"
CORPUS = sorted(path for path in (FUZZ / "corpus").glob("*/*") if path.is_file())


@pytest.fixture(scope="module")
def attempt():
    sys.path.insert(0, str(FUZZ))
    try:
        import run_fuzz  # noqa: F401
        import targets
        import tdb_grammar  # noqa: F401  # later tests take it, and run_fuzz, as loaded
    finally:
        sys.path.remove(str(FUZZ))
    return targets.attempt


@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("path", CORPUS, ids=lambda p: f"{p.parent.name}/{p.name}")
def test_input_is_read_or_refused(path, attempt, tmp_path):
    began = time.process_time()
    assert attempt(path.parent.name, path.read_bytes(), tmp_path) in ("read", "refused")
    # a description of pycalphad's takes some seconds the first time
    assert time.process_time() - began < 10.0


GOOD = {
    "case": b'[couple]\ntin_thickness_um = 9\ncopper_thickness_um = 9\n[schedule]\nlog = "thermocouple.csv"\n'
    b'[kinetics]\nfile = "mine.toml"\n',
    "log": b"time_h,temperature_C\n0,20\n1,120\n2,220\n",
    "measured": b"temperature_C,time_h,layer,mean_um,sd_um,readings\n215,48,eta,7.2,0.4,12\n",
    "kinetics": b'inherits = "default"\n',
}


@pytest.mark.parametrize("target", sorted(GOOD))
def test_a_good_input_is_read(target, attempt, tmp_path):
    """A target that refuses everything would find nothing."""
    assert attempt(target, GOOD[target], tmp_path) == "read"


@pytest.mark.filterwarnings("default")
def test_changed_descriptions_are_mostly_read(attempt, tmp_path):
    """The changes of the fuzzer get past the first refusal, and no two make the same file."""
    import run_fuzz
    import tdb_grammar

    chance = random.Random(3)
    made = [tdb_grammar.mutated(run_fuzz.SMALL_TDB.encode(), chance) for _ in range(40)]
    verdicts = [attempt("tdb", data, tmp_path) for data in made]
    assert verdicts.count("read") > 20
    assert verdicts.count("refused") > 2
    assert len(set(made)) > 35


@pytest.mark.parametrize(
    "code",
    [
        "import os; os.system('true')",
        "import subprocess; subprocess.run(['true'])",
        "open('/tmp/bronzeward-escaped', 'w')",
        "import os; os.mkdir('/tmp/bronzeward-escaped')",
    ],
)
def test_the_watch_sees_an_escape(code, attempt, tmp_path, monkeypatch):
    """The audit hook itself: what it must catch, it catches."""
    import targets

    monkeypatch.setitem(targets.TARGETS, "log", lambda data, folder: exec(code, {}))
    with pytest.raises(targets.Escape):
        attempt("log", b"", tmp_path)
    assert not Path("/tmp/bronzeward-escaped").exists()
