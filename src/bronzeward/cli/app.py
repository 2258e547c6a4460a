"""The application: its commands, and the one place where errors become a line and an exit code."""

from __future__ import annotations

import atexit
import gc
import logging
import os
from typing import Annotated, get_type_hints

import typer

from bronzeward.cli import compare, doubts, lengths, live, results, runs, studies, thermodynamics, validation, witness
from bronzeward.cli.common import fail, leave, show
from bronzeward.cli.terminal import prepare_streams, silence

app = typer.Typer(
    name="bronzeward",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help=(
        "What becomes of the tin core of internal-tin Nb3Sn wire in the mixing heat treatment: phases, shell "
        "thickness, liquid and room over any furnace schedule.\n\n"
        "Start with: bronzeward example -o starter.toml; bronzeward run starter.toml; bronzeward plot starter.nc\n\n"
        "Exit codes: 0 done, 1 an answer of no (a run that did not converge, limits that no schedule keeps, a log "
        "outside its tolerance), 2 bad input or nowhere to write, 130 interrupted. A result is an estimate; a witness "
        "sample decides."
    ),
)

runs.add_to(app)
results.add_to(app)
compare.add_to(app)
studies.add_to(app)
doubts.add_to(app)
witness.add_to(app)
lengths.add_to(app)
live.add_to(app)
thermodynamics.add_to(app)
validation.add_to(app)

for _command in app.registered_commands:  # annotations are text, which typer would evaluate four times over
    assert _command.callback is not None
    _command.callback.__annotations__ = get_type_hints(_command.callback, include_extras=True)


def _version(wanted: bool) -> None:
    if wanted:
        from bronzeward import __version__

        show([f"bronzeward {__version__}"])
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    _check_clock()


LATEST = 253_402_300_799
"""The last second of the year 9999, since 1970."""


def _check_clock() -> None:
    """Libraries date their files by SOURCE_DATE_EPOCH where it is set, and take whatever it holds for a number."""
    from bronzeward.errors import InputError

    value = os.environ.get("SOURCE_DATE_EPOCH")
    if value is None:
        return
    if not value.strip():
        del os.environ["SOURCE_DATE_EPOCH"]
    elif not (value.strip().isdecimal() and len(value) < 20 and int(value) <= LATEST):
        raise InputError(f"SOURCE_DATE_EPOCH is '{value}'; it must be whole seconds since 1970, up to {LATEST}")


NEW_OBJECTS = 50_000
"""So many are made before some are looked at for garbage; Python's own 700 cost a command a tenth of its start."""


def main() -> None:
    """Run the command line; the only way out of it is an exit code."""
    prepare_streams()
    gc.set_threshold(NEW_OBJECTS)
    atexit.register(gc.freeze)  # what is left at the end goes with the process
    os.environ["MPLBACKEND"] = "agg"  # pictures go to files, whatever else may be wished for or mistyped
    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # which tells of every cache that it goes without
    try:
        leave(app(standalone_mode=False) or 0)
    except BrokenPipeError:
        leave(0)
    except UnicodeError as error:
        fail(f"a name or text that no file can hold ({error})")
    except OSError as error:  # what no reader or writer has said better
        if error.filename:
            fail(f"{error.filename}: {error.strerror or error}")
        silence("stdout")
        fail(f"the output cannot be written ({error.strerror or error})")
    except MemoryError:
        fail("this needs more memory than there is")
    except Exception as error:
        fail(_words(error))


def _words(error: Exception) -> str:
    """What is wrong with an input or with how a command was given; any other error is a fault of ours, and raised."""
    from bronzeward.errors import InputError

    if isinstance(error, InputError):
        return str(error)
    if type(error).__name__ == "NoArgsIsHelpError":
        error.show()  # type: ignore[attr-defined]
        leave(2)
    if not hasattr(error, "format_message"):
        raise error
    where = getattr(getattr(error, "ctx", None), "command_path", "bronzeward")
    return f"{error.format_message().rstrip('.')}; see {where} --help"
