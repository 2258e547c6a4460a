"""No band without the line that says what it leaves out: text, JSON and figure of every command that shows one."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import cast

import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text

from bronzeward.model.answer_bands import bands_of, caveat_of
from bronzeward.model.answers import numbers
from bronzeward.model.result import read_netcdf
from bronzeward.plots import picture_file
from bronzeward.reports.summary import sentences

Command = Callable[..., tuple[int, str, str]]

CASE = """
[strand]
core_diameter_um = 24.0
sleeve_diameter_um = 44.0
[schedule]
start_C = 180.0
steps = [{ hold_h = 1.0 }, { ramp_C_per_h = 200.0, to_C = 420.0 }]
[numerics]
alpha_cells = 8
"""

KEEP = ("--keep", "overfill_at_first_liquid<=5@50")

COMMANDS = {
    "band": ("band", "case.toml", "--members", "20", "--figure", "picture.png"),
    "sweep, a line": (
        "sweep", "case.toml", "--members", "20", "--vary", "schedule.steps.0.hold_h=1,2", "--figure", "picture.png"
    ),
    "sweep, a field": (
        "sweep", "case.toml", "--members", "20", "--vary", "schedule.steps.0.hold_h=1,2",
        "--vary", "strand.core_diameter_um=24,25", "--figure", "picture.png",
    ),
    "compare, a verdict": ("compare", "case.toml", *KEEP, "--members", "20", "-o", "picture.png"),
    "compare, side by side": ("compare", "banded.nc", "banded.nc", "-o", "picture.png"),
    "shorten": (
        "shorten", "case.toml", *KEEP, "--members", "20", "--free", "schedule.steps.0.hold_h=0:1:0.5",
        "--curve", "5,6", "--figure", "picture.png",
    ),
    "witness": (
        "witness", "case.toml", "--for", "shell_at_first_liquid", "--members", "20", "--anneal-at", "200",
        "--anneal-for", "4", "--figure", "picture.png",
    ),
    "the weakest": (
        "lengths", "--sub-elements", "3", "--case", "case.toml", *KEEP, "--members", "20", "--core-spread", "3"
    ),
    "run": ("run", "case.toml", "--members", "20"),
}  # fmt: skip


def said(text: str) -> str:
    """A text without its line breaks."""
    return " ".join(text.split())


@pytest.fixture
def drawn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A folder with a case and a banded result, and every text that a figure is written with."""
    texts: list[str] = []

    def encode(drawing: Axes | Figure, kind: str = "png") -> bytes:
        texts.append(said(" ".join(text.get_text() for text in cast(Figure, drawing.figure).findobj(Text))))
        return b""

    monkeypatch.setattr(picture_file, "encode", encode)
    monkeypatch.setattr("bronzeward.studies.witness.DRAWS", 2)  # how wide the bands are is no matter here
    monkeypatch.chdir(tmp_path)
    Path("case.toml").write_text(CASE)
    return texts


@pytest.mark.parametrize("name", COMMANDS)
def test_what_a_band_leaves_out_is_told(name: str, drawn: list[str], command: Command) -> None:
    if "banded.nc" in COMMANDS[name]:
        command("run", "case.toml", "--members", "20", "-o", "banded.nc")
    code, text, errors = command(*COMMANDS[name], "--overwrite") if name != "the weakest" else command(*COMMANDS[name])
    assert code == 0, errors
    assert "They leave out: " in said(text)
    assert "`bronzeward doubts`" in said(text)
    assert all("They leave out: " in words for words in drawn)
    assert len(drawn) == (name not in ("the weakest", "run"))
    again = [*COMMANDS[name], "--json", *(["--overwrite"] if name != "the weakest" else [])]
    plain = json.loads(command(*again)[1])
    holders = plain["results"] if "results" in plain else [plain]
    assert all("They leave out: " in holder["bands_leave_out"] for holder in holders)


def test_a_run_with_members_tells_the_band_where_it_has_one(drawn: list[str], command: Command) -> None:
    """`run --members` beside each answer that moves; `plot` and `report` of the same file say what is left out."""
    code, text, _ = command("run", "case.toml", "--members", "20", "-o", "own.nc")
    result = read_netcdf(Path("own.nc"))
    low, _, high = bands_of(result)["shell_at_first_liquid"]
    assert code == 0
    assert low < high
    shell, ends = 1e6 * numbers(result)["shell_at_first_liquid"], f"{1e6 * low:.2f} to {1e6 * high:.2f}"
    assert f"The solid shell is then {shell:.2f} µm ({ends}) thick" in said(text)
    assert f"shell at first liquid: {shell:.2f} µm; {ends} µm" in said(text)
    assert said(text).startswith(said(" ".join(sentences(result))))
    assert said(caveat_of(result)) in said(text)
    assert command("plot", "own.nc", "-o", "own.png")[0] == 0
    assert said(caveat_of(result)) in drawn[-1]
    assert command("report", "own.nc", "-o", "own.html")[0] == 0
    assert "They leave out: " in said(Path("own.html").read_text())
