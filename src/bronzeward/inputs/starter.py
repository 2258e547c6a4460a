"""The starter files that `bronzeward example` prints."""

from __future__ import annotations

from pathlib import Path

from bronzeward.files import write_text

STARTER = Path(__file__).with_name("starter.toml")
STARTER_LAYERS = Path(__file__).with_name("starter_layers.csv")


def text(starter: Path = STARTER) -> str:
    """The case file, or the other starter, as text."""
    return starter.read_text(encoding="utf-8")


def write(target: Path, overwrite: bool = False, starter: Path = STARTER) -> None:
    """Write the case file, or the other starter, whole or not at all."""
    write_text(text(starter), target, overwrite)
