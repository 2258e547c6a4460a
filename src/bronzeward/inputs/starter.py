"""The starter case that `bronzeward example` prints."""

from __future__ import annotations

from pathlib import Path

from bronzeward.files import write_text

STARTER = Path(__file__).with_name("starter.toml")


def text() -> str:
    """The case file as text."""
    return STARTER.read_text(encoding="utf-8")


def write(target: Path, overwrite: bool = False) -> None:
    """Write the case file, whole or not at all."""
    write_text(text(), target, overwrite)
