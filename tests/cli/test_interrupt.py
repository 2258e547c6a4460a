"""Ctrl-C at any moment after the start, imports included, ends with one line and exit code 130 and leaves no file."""

from __future__ import annotations

from pathlib import Path

import pytest

from bronzeward.inputs import starter
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
def test_ctrl_c(moment: str, count: int, tmp_path: Path, table) -> None:
    case = tmp_path / "case.toml"
    case.write_text(starter.text())
    assert interrupted(moment, count, ["run", str(case)], tmp_path) == (130, "bronzeward: interrupted\n")
    assert sorted(tmp_path.iterdir()) == [case]
