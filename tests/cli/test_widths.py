"""Every command on a terminal of 80 columns, and of 20: no line goes beyond it, no head of a row is cut."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import pytest

from bronzeward.cli import terminal
from bronzeward.inputs import starter
from bronzeward.inputs.case import load_case
from bronzeward.model.result import write_netcdf
from bronzeward.model.simulation import run_case
from bronzeward.validation import validate
from bronzeward.validation.check import read_checks
from bronzeward.validation.outcome import Outcome

KEEP = "shell_at_first_liquid>=3@60"
TWO = ("--vary", "strand.core_diameter_um=20,24", "--vary", "schedule.steps.1.hold_h=0:72:13")
NAMES = ("--vary", "kinetics.set=default,couples", "--vary", "schedule.steps.1.hold_h=0:72:3")

COMMANDS: dict[str, tuple[str, ...]] = {
    "example": ("example", "-o", "other.toml"),
    "run": ("run", "case.toml"),
    "run with bands": ("run", "case.toml", "--members", "20", "-o", "long/{long}.nc"),
    "plot": ("plot", "a.nc", "-o", "{long}.png"),
    "section": ("section", "a.nc", "-o", "a.png"),
    "compare": ("compare", "a.nc", "a.nc"),
    "compare with limits": ("compare", "case.toml", "--keep", KEEP, "--members", "4"),
    "report": ("report", "a.nc"),
    "log": ("log", "log.csv", "--case", "case.toml", "--tolerance", "2"),
    "sweep": ("sweep", "case.toml", *TWO),
    "sweep of names": ("sweep", "case.toml", *NAMES, "--members", "3"),
    "sweep of three": ("sweep", "case.toml", *NAMES, "--vary", "strand.core_diameter_um=20,24"),
    "band": ("band", "case.toml", "--members", "20"),
    "doubts": ("doubts", "case.toml"),
    "fit": ("fit", "layers.csv", "--case", "case.toml"),
    "shorten": ("shorten", "case.toml", "--free", "schedule.steps.1.hold_h=0:1", "--keep",
                "shell_at_first_liquid>=30@95", "--members", "4"),
    "margins": ("margins", "case.toml"),
    "lengths": ("lengths", "--tested", "1500", "--each", "0.15", "--metres", "500", "--strands", "40", "--against",
                "400", "12", "--show", "1"),
    "weakest": ("lengths", "--sub-elements", "3", "--case", "case.toml", "--keep", KEEP, "--core-spread", "3",
                "--members", "4"),
    "invariants": ("invariants",),
    "two descriptions": ("invariants", "--compare", "cu-sn-shim1996", "cu-sn-nist1999-alpha"),
    "phases": ("phases", "--from", "20", "--to", "700", "--wt", "32"),
    "liquidus": ("liquidus",),
    "boundaries": ("boundaries",),
    "describe": ("describe",),
    "diagram": ("diagram",),
    "validate": ("validate",),
}  # fmt: skip
ELSEWHERE = {"live", "witness"}
"""The one runs until it is interrupted; rows of the other are held in `test_commands`, which has to wait for it."""


class Screen(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


@pytest.fixture
def shown(command, monkeypatch):
    """All lines that a command shows on a terminal so wide."""

    def show(words: tuple[str, ...], columns: int) -> tuple[int, list[str]]:
        screens = Screen(), Screen()
        with monkeypatch.context() as patch:
            patch.setenv("COLUMNS", str(columns))
            patch.setattr(sys, "stdout", screens[0])
            patch.setattr(sys, "stderr", screens[1])
            code, _, _ = command(*words)
        return code, [line for screen in screens for line in re.split(r"[\r\n]", screen.getvalue())]

    return show


@pytest.fixture(scope="module")
def stored(tmp_path_factory) -> Path:
    return write_netcdf(run_case(load_case(starter.STARTER)), tmp_path_factory.mktemp("stored") / "starter.nc")


@pytest.fixture
def folder(in_folder: Path, stored: Path, monkeypatch) -> Path:
    long_title = starter.text().replace('title = "', f'title = "{"a long title " * 12}')
    (in_folder / "case.toml").write_text(long_title, encoding="utf-8")
    (in_folder / "a.nc").write_bytes(stored.read_bytes())
    (in_folder / "layers.csv").write_text(starter.text(starter.STARTER_LAYERS), encoding="utf-8")
    (in_folder / "log.csv").write_text("time_h,temperature_C\n0,20\n1,45\n2,70.5\n3,95\n", encoding="utf-8")
    (in_folder / "long").mkdir()
    # made up and each of them missed, which takes most words; they are computed in tests/validation
    outcomes = [Outcome(check, check.value + 10 * check.tolerance + 1, "a remark") for check in read_checks()]
    monkeypatch.setattr(validate, "validate", lambda *_: outcomes)
    return in_folder


def unbreakable(line: str, columns: int) -> bool:
    """Whether a line is no more than one word, such as the name of a file, that has no room."""
    return len(line.split()) == 1 and len(line.strip()) > columns - columns // 2


@pytest.mark.parametrize("words", COMMANDS.values(), ids=COMMANDS)
def test_no_line_goes_beyond_80_columns(shown, folder, words) -> None:
    code, lines = shown(tuple(word.format(long="n" * 60) for word in words), 80)
    assert code in (0, 1)
    assert [line for line in lines if len(line) > 80] == []


@pytest.mark.parametrize("name", ["run", "compare", "log", "lengths", "invariants", "margins", "validate"])
def test_narrow_terminals_break_between_words(shown, folder, name) -> None:
    whole = shown(COMMANDS[name], 10**6)[1]
    code, lines = shown((*COMMANDS[name], *(["--overwrite"] if name == "run" else [])), 20)
    assert code in (0, 1)
    assert [line for line in lines if len(line) > 20 and not unbreakable(line, 20)] == []
    assert " ".join(lines).split() == " ".join(whole).split()


def test_every_command_and_its_help_is_tried(shown, folder) -> None:
    _, lines = shown(("--help",), 80)
    assert [line for line in lines if len(line) > 80] == []
    names = re.findall(r"^  ([a-z]+)  ", "\n".join(lines).split("Commands:")[1], flags=re.MULTILINE)
    assert set(names) == {words[0] for words in COMMANDS.values()} | ELSEWHERE
    for name in names:
        code, lines = shown((name, "--help"), 80)
        assert (code, [line for line in lines if len(line) > 80]) == (0, []), name


def test_heads_of_a_sweep_are_whole(shown, folder) -> None:
    _, lines = shown(COMMANDS["sweep"], 80)
    table = "\n".join(lines)
    columns = " ".join(line for line in lines if line.startswith("core_diameter_um")).split()
    assert [float(word) for word in columns if word[0].isdigit()] == [6.0 * k for k in range(13)]
    assert table.count("core_diameter_um") == 2
    _, lines = shown((*COMMANDS["sweep of names"], "--overwrite"), 80)
    assert sum(line.startswith(("default ", "couples ")) for line in lines) == 2
    _, lines = shown((*COMMANDS["sweep of three"], "--overwrite"), 80)
    assert any(line.startswith("3 values vary, and a table shows 1 or 2") for line in lines)


def test_errors_are_broken_like_sentences(shown, in_folder) -> None:
    code, lines = shown(("run", "nothing.toml", "--colour"), 40)
    assert code == 2
    assert max(map(len, lines)) <= 40


@pytest.mark.parametrize("line", ["", " ", "a" * 100, "    " + "b " * 60, "1  2   3"])
def test_breaking_loses_no_word(line, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    monkeypatch.setattr(sys, "stdout", Screen())
    assert " ".join(terminal.broken([line])).split() == line.split()
