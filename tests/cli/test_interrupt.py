"""Ctrl-C at any moment after the start, imports included, ends with one line and exit code 130 and leaves no file."""

from __future__ import annotations

from pathlib import Path

import pytest

from bronzeward.inputs import starter
from bronzeward.studies import sweep as sweeps
from bronzeward.studies import uncertainty
from stopped_command import interrupted


@pytest.mark.parametrize(
    ("moment", "count"),
    [
        ("typer:<module>", 1),
        ("bronzeward.cli.runs:run", 1),
        ("numpy:<module>", 1),
        ("bronzeward.inputs.case:load_case", 1),
        ("bronzeward.growth.engine:integrate", 1),
        ("bronzeward.growth.engine:record_row", 50),
        # a generator: it goes on when the file is written and has not got its name
        ("bronzeward.files:replacing", 2),
    ],
)
def test_ctrl_c(moment: str, count: int, tmp_path: Path, table, monkeypatch) -> None:
    case = tmp_path / "case.toml"
    case.write_text(starter.text())
    # no engine is kept there, so that the run is interpreted
    monkeypatch.setenv("BRONZEWARD_CACHE", str(tmp_path / "none"))
    assert interrupted(moment, count, ["run", str(case)], tmp_path) == (130, "bronzeward: interrupted\n")
    assert sorted(tmp_path.iterdir()) == [case]


@pytest.mark.parametrize(
    ("module", "study", "words", "said"),
    [
        (
            sweeps, "sweep", ("sweep", "case.toml", "--vary", "strand.core_diameter_um=20,24"),
            "interrupted; what is finished is kept, and the same command goes on from there",
        ),
        (uncertainty, "band_columns", ("band", "case.toml"), "interrupted"),
    ],
)  # fmt: skip
def test_what_goes_on_says_so(command, in_folder, monkeypatch, module, study, words, said) -> None:
    """That it does go on is tried in `tests/studies/test_sweep`; a band begins anew and promises nothing."""
    Path("case.toml").write_text(starter.text(), encoding="utf-8")

    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(module, study, stopped)
    assert command(*words) == (130, "", f"bronzeward: {said}\n")
    assert [path.name for path in in_folder.iterdir()] == ["case.toml"]


def test_a_sweep_interrupted_as_it_is_written_goes_on(command, in_folder, monkeypatch) -> None:
    """All is computed and kept then: what is computed again would end the second command."""

    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    Path("case.toml").write_text(starter.text(), encoding="utf-8")
    words = ("sweep", "case.toml", "--vary", "strand.core_diameter_um=20,24", "-q")
    with monkeypatch.context() as patch:
        patch.setattr("bronzeward.model.dataset_file.replacing", stopped)
        code, out, errors = command(*words)
    assert (code, out, errors.count("\n")) == (130, "", 1)
    assert "the same command goes on" in errors
    assert sorted(path.name for path in in_folder.iterdir()) == [".case_sweep.nc.parts", "case.toml"]
    monkeypatch.setattr(sweeps, "evaluate", stopped)
    assert command(*words) == (0, "", "")
    assert sorted(path.name for path in in_folder.iterdir()) == ["case.toml", "case_sweep.nc"]
