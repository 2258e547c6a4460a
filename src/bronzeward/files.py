"""Files read with one clear line when they cannot be, and written whole or not at all.

Writing goes to a temporary name beside the target, which is then renamed.
"""

from __future__ import annotations

import os
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from bronzeward.errors import InputError


def cache_folder() -> Path:
    """Where what is slow to make is kept: $BRONZEWARD_CACHE, else the folder usual on the system."""
    chosen = os.environ.get("BRONZEWARD_CACHE")
    if chosen:
        return Path(chosen)
    import platformdirs

    return platformdirs.user_cache_path("bronzeward", appauthor=False)


def check_target(path: str | Path, overwrite: bool) -> Path:
    """The output path, if something may be written there."""
    target = Path(path)
    if not target.parent.is_dir():
        raise InputError(f"{target}: the folder {target.parent} does not exist; make it first")
    if target.is_dir():
        raise InputError(f"{target}: is a folder; give a file name")
    if target.exists() and not overwrite:
        raise InputError(f"{target}: exists already; use --overwrite to replace it")
    return target


@contextmanager
def replacing(path: str | Path, overwrite: bool = False) -> Iterator[Path]:
    """A temporary file to write; it takes the name `path` when the block ends well, else it is removed.

    Raises
    ------
    InputError
        When `path` may not be written, or writing fails. The netCDF library raises RuntimeError on a full disk.
    """
    target = check_target(path, overwrite)
    temporary: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".tmp", dir=target.parent)
        os.close(handle)
        temporary = Path(name)
        yield temporary
        os.chmod(temporary, 0o644)
        os.replace(temporary, target)
    except (OSError, RuntimeError) as error:
        raise InputError(f"{target}: cannot be written ({getattr(error, 'strerror', None) or error})") from None
    finally:
        if temporary is not None:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)


def write_text(text: str, path: str | Path, overwrite: bool = False) -> Path:
    """Write a text file in UTF-8; its path."""
    with replacing(path, overwrite) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return Path(path)


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
