"""Where the literature values lie, and the bibliography they cite.

In a wheel the databases sit inside the package; in an editable install or a plain checkout
they are the top-level `databases` folder. Both are looked at, in that order.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from bronzeward.errors import InputError
from bronzeward.files import read_toml


@cache
def folder() -> Path:
    """The folder of literature values that belongs to this installation."""
    package = Path(__file__).resolve().parents[1]
    for candidate in (package / "databases", package.parents[1] / "databases"):
        if (candidate / "bibliography.toml").is_file():
            return candidate
    raise InputError(f"no databases beside {package}; the installation is incomplete, install bronzeward again")


@cache
def bibliography() -> dict[str, str]:
    """Citation text by key, in the order of the file."""
    entries = read_toml(folder() / "bibliography.toml")
    return {key: entry["citation"] for key, entry in entries.items()}


def citations(keys: list[str]) -> list[str]:
    """Citations of the given keys, each once, in the order first used; what is no key, a user's own, stands as is."""
    known = bibliography()
    return [f"{key}: {known[key]}" if key in known else key for key in dict.fromkeys(keys)]
