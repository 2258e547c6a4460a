"""The starter case that `bronzeward example` prints."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from bronzeward.errors import InputError

STARTER = Path(__file__).with_name("starter.toml")


def text() -> str:
    """The case file as text."""
    return STARTER.read_text(encoding="utf-8")


def write(target: Path) -> None:
    """Write the case file, whole or not at all."""
    write_text(target, text())


def write_text(target: Path, content: str) -> None:
    """Write text to a temporary name beside the target, then rename."""
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".tmp", dir=target.parent)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as stream:
                stream.write(content)
            os.chmod(temporary, 0o644)
            os.replace(temporary, target)
        finally:
            if os.path.exists(temporary):
                os.unlink(temporary)
    except OSError as error:
        raise InputError(f"{target}: cannot be written ({error.strerror or error})") from None
