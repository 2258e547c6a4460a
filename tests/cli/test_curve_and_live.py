"""Units of a curve of limits, and a live page that cannot begin."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from bronzeward.inputs import starter


@pytest.fixture
def case(in_folder: Path) -> Path:
    (in_folder / "case.toml").write_text(starter.text(), encoding="utf-8")
    return in_folder


def test_the_curve_takes_and_gives_the_units_of_its_limit(command, case) -> None:
    """Percent where the limit is in percent, as on the command line so in the table; fractions in JSON."""
    words = [
        "shorten", "case.toml", "--free", "schedule.steps.1.hold_h=20:24", "--keep", "peak_liquid<=90", "--members",
        "4", "--curve=80,85",
    ]  # fmt: skip
    code, out, errors = command(*words)
    assert (code, errors) == (0, "")
    lines = [line.split()[0] for line in out.split("[%]  least hours\n")[1].splitlines()[:2]]
    assert lines == ["80", "85"]
    code, out, _ = command(*words, "--json", "--overwrite")
    plain = json.loads(out)
    assert code == 0
    assert plain["curve"]["limit"] == pytest.approx([0.8, 0.85])
    assert plain["curve_limit_units"] == "1"


@pytest.mark.parametrize("library", ["bokeh", "tornado"])
def test_a_live_page_without_its_library_says_how_to_get_it(command, case, monkeypatch, library) -> None:
    for name in [name for name in sys.modules if name.split(".")[0] == library or name == "bronzeward.live.server"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, library, None)
    code, out, errors = command("live", "case.toml", "--no-browser")
    assert (code, out, errors.count("\n")) == (2, "", 1)
    assert "pip install 'bronzeward[live]'" in errors
