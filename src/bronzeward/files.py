"""Files read with one clear line when they cannot be, and written whole or not at all.

Writing goes to a temporary name beside the target, which is then renamed.
"""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import stat
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from bronzeward.errors import InputError

MOST_BYTES = 256 * 2**20
"""Files that are read at once hold at most this; a log of every second of a month does."""

MOST_TEXT = 4 * 2**20
"""Cases, kinetic sets and thermodynamic descriptions hold at most this."""


STREAMS = "/dev/std", "/dev/fd/", "/proc/"
"""Names that begin so stand for what is open; to replace the file behind one would take it from who wrote to it."""


def cache_folder() -> Path:
    """Where what is slow to make is kept: $BRONZEWARD_CACHE, else the folder usual on the system."""
    chosen = os.environ.get("BRONZEWARD_CACHE")
    if chosen:
        return Path(chosen)
    import platformdirs

    return platformdirs.user_cache_path("bronzeward", appauthor=False)


@contextmanager
def _told(path: str | Path, what: str) -> Iterator[None]:
    """Turn what the system says of a path into the one line, `what` being read or written."""
    if "\0" in str(path):
        raise InputError(f"{str(path)!r}: no name of a file")
    try:
        yield
    except (OSError, RuntimeError, UnicodeError) as error:  # RuntimeError is what netCDF says of a full disk
        if what == "read" and isinstance(error, FileNotFoundError):
            raise InputError(f"{path}: no such file") from None
        cause = getattr(error, "strerror", None) or error
        if isinstance(error, RuntimeError) and what == "written" and _is_full(Path(path).parent):
            cause = os.strerror(errno.ENOSPC)
        raise InputError(f"{path}: cannot be {what} ({cause})") from None


def _is_full(folder: Path) -> bool:
    """Whether next to nothing more goes on the disk of a folder; netCDF says only that it failed."""
    try:
        return shutil.disk_usage(folder).free < 2**16
    except OSError:
        return False


@contextmanager
def _opened(path: str | Path) -> Iterator[int]:
    """A file open for reading; what is no file is refused, since reading a pipe or a device may never end."""
    with _told(path, "read"):
        number = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        try:
            mode = os.fstat(number).st_mode
            if not stat.S_ISREG(mode):
                kind = "a folder" if stat.S_ISDIR(mode) else "a pipe" if stat.S_ISFIFO(mode) else "a device"
                raise InputError(f"{path}: is {kind}, not a file")
            yield number
        finally:
            os.close(number)


def read_bytes(path: str | Path, most: int = MOST_BYTES) -> bytes:
    """The content of a file of at most `most` bytes.

    Raises
    ------
    InputError
        When it is larger, cannot be read, or is a folder, pipe or device.
    """
    with _opened(path) as number, os.fdopen(number, "rb", closefd=False) as stream:
        content = stream.read(most + 1)
    if len(content) > most:
        raise InputError(f"{path}: larger than {most / 2**20:.0f} MiB, which is too much to be meant")
    return content


def read_text(path: str | Path, most: int = MOST_TEXT) -> str:
    """The content of a text file in UTF-8; see `read_bytes`."""
    try:
        return read_bytes(path, most).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = f"byte {error.start + 1} is {error.object[error.start]:#04x}"
        raise InputError(f"{path}: not a text in UTF-8 ({place}); save it as UTF-8") from None


def open_netcdf(path: str | Path) -> Any:
    """A netCDF file open for reading, whatever the code of its name; a damaged one raises nearly anything."""
    import netCDF4

    try:
        str(path).encode()
    except UnicodeEncodeError:  # the library takes names in UTF-8 only
        return netCDF4.Dataset("nameless", memory=read_bytes(path))
    return netCDF4.Dataset(path)


def text_in_netcdf(path: str | Path, name: str) -> str:
    """A text that a netCDF file has as a global attribute.

    Raises
    ------
    InputError
        When the file cannot be read, or has no such text.
    """
    check_source(path)
    try:
        with open_netcdf(path) as file:
            text = file.getncattr(name)
    except Exception:  # a damaged file makes the netCDF library raise nearly anything
        text = None
    if not isinstance(text, str):
        raise InputError(f"{path}: has no {name} of a run in it")
    return text


def check_source(path: str | Path) -> Path:
    """The path, if a file that can be read is there."""
    with _opened(path):
        return Path(path)


def seems_file(path: str | Path) -> bool:
    """Whether a file is there, or the system does not let one look."""
    try:
        return Path(path).is_file()
    except PermissionError:
        return True
    except (OSError, ValueError):
        return False


ENDINGS = {
    "netCDF": (".nc", ".nc4", ".cdf", ".h5", ".hdf5"),
    "a picture": (".png", ".svg", ".pdf", ".jpg", ".jpeg", ".gif", ".tif", ".tiff", ".webp", ".bmp", ".eps", ".ps"),
    "a page": (".html", ".htm"),
    "CSV": (".csv", ".tsv"),
    "TOML": (".toml",),
    "JSON": (".json",),
    "a thermodynamic description": (".tdb",),
}
"""What endings of names promise."""


def check_kind(path: str | Path, kind: str) -> Path:
    """The name of a file to write, unless its ending promises another kind of file than `kind`, of `ENDINGS`."""
    target = Path(path)
    promised = next((what for what, endings in ENDINGS.items() if target.suffix.lower() in endings), kind)
    if promised != kind:
        raise InputError(
            f"{target}: {kind} is written here, which ends in {ENDINGS[kind][0]}; "
            f"'{target.suffix}' stands for {promised}"
        )
    return target


def check_target(path: str | Path, overwrite: bool, kind: str | None = None) -> Path:
    """The output path, if something, of a `kind` of `ENDINGS` perhaps, may be written there."""
    target = Path(path) if kind is None else check_kind(path, kind)
    with _told(target, "written"):
        if not target.parent.is_dir():
            raise InputError(f"{target}: the folder {target.parent} does not exist; make it first")
        if target.is_dir():
            raise InputError(f"{target}: is a folder; give a file name")
        if not os.access(target.parent, os.W_OK):
            raise InputError(f"{target}: the folder {target.parent} may not be written to")
        if os.path.abspath(target).startswith(STREAMS):
            raise InputError(f"{target}: is a stream or a device, not a file")
        if target.is_symlink() and not target.exists():
            raise InputError(f"{target}: is a link that leads nowhere")
        if target.exists():
            if not overwrite:
                raise InputError(f"{target}: exists already; use --overwrite to replace it")
            if not target.is_file():
                raise InputError(f"{target}: is a pipe or a device, not a file")
    return target


@contextmanager
def replacing(path: str | Path, overwrite: bool = False) -> Iterator[Path]:
    """A temporary file to write; it takes the name `path` when the block ends well, else it is removed.

    Raises
    ------
    InputError
        When `path` may not be written, or writing fails.
    """
    target = check_target(path, overwrite)
    temporary: Path | None = None
    try:
        with _told(target, "written"):
            target = Path(os.path.realpath(target))  # where a link leads
            temporary = target.parent / f".bronzeward-{secrets.token_hex(8)}.tmp"
            # with the rights that the user gives to new files
            os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666))
            yield temporary
            if target.exists():
                os.chmod(temporary, stat.S_IMODE(target.stat().st_mode))
            os.replace(temporary, target)
    finally:
        if temporary is not None:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)


def write_text(text: str, path: str | Path, overwrite: bool = False) -> Path:
    """Write a text file in UTF-8; its path."""
    with replacing(path, overwrite) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return Path(path)


def read_toml(path: str | Path) -> dict[str, Any]:
    """Read one TOML file, with one clear line when it cannot be read."""
    return parse_toml(read_text(path), str(path))


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """Plain data of a TOML text; `where` is named in errors."""
    try:
        data = tomllib.loads(text)
    except ValueError as error:  # of TOML, or of integers with thousands of digits
        raise InputError(f"{where}: not valid TOML: {error}") from None
    except RecursionError:
        raise InputError(f"{where}: not valid TOML: brackets are nested too deeply") from None
    checked_integers(data, where)
    return data


def checked_integers(data: object, where: str) -> None:
    """Raise InputError unless every whole number in plain data fits into 64 bit, as TOML has it."""
    if isinstance(data, dict | list):
        for part in data.values() if isinstance(data, dict) else data:
            checked_integers(part, where)
    elif isinstance(data, int) and not -(2**63) <= data < 2**63:
        raise InputError(f"{where}: a whole number has more than 64 bit")
