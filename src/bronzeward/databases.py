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
            data = tomllib.load(stream)
        checked_integers(data, str(path))
        return data
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error})") from None
    except InputError:
        raise
    except ValueError as error:  # of the text's encoding, of TOML, or of integers with thousands of digits
        raise InputError(f"{path}: not valid TOML: {error}") from None
    except RecursionError:
        raise InputError(f"{path}: not valid TOML: brackets are nested too deeply") from None


def checked_integers(data: Any, where: str) -> None:
    """Raise InputError unless every whole number in plain data fits into 64 bit, as TOML has it."""
    if isinstance(data, dict | list):
        for part in data.values() if isinstance(data, dict) else data:
            checked_integers(part, where)
    elif isinstance(data, int) and not -(2**63) <= data < 2**63:
        raise InputError(f"{where}: a whole number has more than 64 bit")


@cache
def bibliography() -> dict[str, str]:
    """Citation text by key, in the order of the file."""
    entries = read_toml(folder() / "bibliography.toml")
    return {key: entry["citation"] for key, entry in entries.items()}


def citations(keys: list[str]) -> list[str]:
    """Citations of the given keys, each once, in the order first used."""
    known = bibliography()
    return [f"{key}: {known[key]}" for key in dict.fromkeys(keys)]
