"""What all commands share: options, output as text or JSON, and errors on one line."""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from bronzeward.cli import INTERRUPTED, terminal

JsonOption = Annotated[bool, typer.Option("--json", help="Print data for other tools instead of text.")]
OverwriteOption = Annotated[bool, typer.Option("--overwrite", help="Replace the output file if it exists.")]
NoCacheOption = Annotated[bool, typer.Option("--no-cache", help="Build the phase table anew and do not keep it.")]
QuietOption = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but errors.")]
MembersOption = Annotated[int, typer.Option("--members", metavar="N", help="Members of the band.")]
SeedOption = Annotated[int, typer.Option("--seed", metavar="N", help="Seed of the random numbers.")]
WorkersOption = Annotated[int, typer.Option("--workers", metavar="N", help="Threads.")]
DescriptionOption = Annotated[
    str,
    typer.Option("--description", "-d", help="Thermodynamic description: a name, or the path of a .tdb file."),
]

DEFAULT_DESCRIPTION = "cu-sn-shim1996"


def show(lines: Iterable[str]) -> None:
    """Print lines, broken to the width of the terminal, with nothing in them that would command it."""
    from bronzeward.visible_text import visible_line

    show_text("".join(f"{line}\n" for line in terminal.broken(map(visible_line, lines))))


def show_block(text: str) -> None:
    """Print a text of several lines, such as a table; see `show`."""
    show(text.split("\n"))


def show_text(text: str) -> None:
    """Print a text with the ends of its lines, as files have them."""
    from bronzeward.visible_text import visible

    sys.stdout.write(visible(text))


def show_json(data: object) -> None:
    """Print data as JSON; what is not a number becomes null."""
    from bronzeward.visible_text import json_visible

    text = json_visible(json.dumps(_clean(data), ensure_ascii=False, indent=1))
    show_text((text if terminal.can_show(text) else json.dumps(_clean(data), indent=1)) + "\n")


def _clean(value: object) -> object:
    if isinstance(value, dict):
        return {str(key): _clean(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(part) for part in value]
    if hasattr(value, "tolist"):
        return _clean(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def fail(message: str) -> NoReturn:
    """Say what was wrong on one line of the error stream and leave with exit code 2."""
    from bronzeward.visible_text import one_line

    with suppress(OSError):
        lines = terminal.broken([f"bronzeward: {one_line(message)}"], "stderr")
        sys.stderr.write("".join(f"{line}\n" for line in lines))
        sys.stderr.flush()
    leave(2)


def leave(code: int) -> NoReturn:
    """End the program without a traceback, even when nobody reads the output any more."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        terminal.silence("stdout")
    except OSError as error:
        terminal.silence("stdout")
        fail(f"the output cannot be written ({error.strerror or error})")
    try:
        sys.stderr.flush()
    except OSError:
        terminal.silence("stderr")
    sys.exit(code)


@contextmanager
def resumable() -> Iterator[None]:
    """Work whose finished parts are kept: interrupted, it says that the same command goes on."""
    try:
        yield
    except KeyboardInterrupt:
        end = SystemExit(INTERRUPTED)
        end.add_note("what is finished is kept, and the same command goes on from there")
        raise end from None


def check_targets(*wanted: tuple[Path | None, str], overwrite: bool, kept: Path | None = None) -> None:
    """Refuse outputs, each with its kind as `files.ENDINGS` has it, that may not be written, or over one another.

    `kept` is an input that none of them may replace.
    """
    from bronzeward.errors import InputError
    from bronzeward.files import check_target
    from bronzeward.plots.picture_file import check_figure

    taken = set() if kept is None else {os.path.realpath(kept)}
    for path, kind in wanted:
        if path is None:
            continue
        if kind == "a picture":
            check_figure(path, overwrite)
        else:
            check_target(path, overwrite, kind)
        if (real := os.path.realpath(path)) in taken:
            raise InputError(f"{path}: is read, or written already, by this command")
        taken.add(real)


def tin_fraction(at_percent: float | None, wt_percent: float | None) -> float | None:
    """Atom fraction of tin from whichever of the two options was given."""
    from bronzeward.errors import InputError
    from bronzeward.materials.composition import atom_fraction

    if at_percent is not None and wt_percent is not None:
        raise InputError("composition: give --at or --wt, not both")
    given = at_percent if at_percent is not None else wt_percent
    if given is None:
        return None
    if not 0.0 <= given <= 100.0:
        raise InputError(f"composition: {given:g} % tin; allowed are 0 to 100")
    return given / 100.0 if at_percent is not None else float(atom_fraction(given / 100.0))
