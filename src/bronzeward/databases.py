"""Where the literature values lie, and the bibliography they cite.

In a wheel the databases sit inside the package; in an editable install or a plain checkout
they are the top-level `databases` folder. Both are looked at, in that order.
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from bronzeward.errors import InputError


@cache
def folder() -> Path:
    """The folder of literature values that belongs to this installation."""
    package = Path(__file__).resolve().parent
    for candidate in (package / "databases", package.parents[1] / "databases"):
        if (candidate / "bibliography.toml").is_file():
            return candidate
    raise InputError(
        f"no databases beside {package}; the installation is incomplete, install bronzeward again"
    )


def read_toml(path: Path) -> dict[str, Any]:
    """Read one TOML file, with one clear line when it cannot be read."""
    try:
        with path.open("rb") as stream:
            return tomllib.load(stream)
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: not valid TOML: {error}") from None


@cache
def bibliography() -> dict[str, str]:
    """Citation text by key, in the order of the file."""
    entries = read_toml(folder() / "bibliography.toml")
    return {key: entry["citation"] for key, entry in entries.items()}


def citations(keys: list[str]) -> list[str]:
    """Citations of the given keys, each once, in the order first used."""
    known = bibliography()
    return [f"{key}: {known[key]}" for key in dict.fromkeys(keys)]
