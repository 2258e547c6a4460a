"""A missing table built by a process of its own: what it leaves is what this one would have built."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

from bronzeward.thermo import ahead, cache, description, lean, place
from bronzeward.thermo.load import load_table

NAME = description.DEFAULT


def test_leaves_the_same_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here = load_table(NAME)
    monkeypatch.setenv("BRONZEWARD_CACHE", str(tmp_path / "new" / "cache"))
    process = ahead.begin(NAME)
    assert process is not None
    assert process.wait(timeout=120) == 0
    there = cache.read(place.path_of(description.find(NAME)))
    assert there is not None
    assert [i.reaction for i in there.invariants] == [i.reaction for i in here.invariants]
    # symbols come in another order in every process, and so do roundings
    kelvin = [i.temperature for i in there.invariants]
    np.testing.assert_allclose(kelvin, [i.temperature for i in here.invariants], rtol=0.0, atol=1e-6)
    assert ahead.begin(NAME) is None  # there already


def test_begins_nothing_where_it_would_not_help(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = tmp_path / "own.tdb"
    own.write_bytes(description.find(NAME).path.read_bytes())
    monkeypatch.setenv("BRONZEWARD_CACHE", str(tmp_path / "cache"))
    assert ahead.begin(str(own)) is None
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setenv("BRONZEWARD_CACHE", str(tmp_path / "file" / "cache"))
    assert ahead.begin(NAME) is None
    assert not (tmp_path / "cache").exists()


def test_leaves_out_what_pycalphad_has_and_reading_does_not_need() -> None:
    """A name that pycalphad no longer has would leave nothing out, and only time would tell."""
    for name, given in lean.LEFT_OUT.items():
        module = import_module(name)
        for each in given:
            assert callable(getattr(module, each))
    body = """if True:
        import sys
        from bronzeward.thermo import lean
        lean.leave_out()
        from bronzeward.thermo import reading
        print(sorted({"matplotlib", "pandas", "xarray", "scipy.optimize"} & set(sys.modules)))
    """
    done = subprocess.run([sys.executable, "-P", "-c", body], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
