"""Commands that compute a case."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bronzeward.cli.common import (
    JsonOption,
    NoCacheOption,
    OverwriteOption,
    QuietOption,
    leave,
    show,
    show_json,
    show_text,
)

if TYPE_CHECKING:
    from bronzeward.model.result import Result

CaseArgument = Annotated[
    Path,
    typer.Argument(metavar="CASE.toml", help="Case file (see `bronzeward example`), or a result to take from."),
]


def run(
    case: CaseArgument,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="OUT.nc", help="Default: the case's name here, ending in .nc"),
    ] = None,
    members: Annotated[
        int,
        typer.Option("--members", metavar="N", help="Also run N variations of what is uncertain: bands, and doubts."),
    ] = 0,
    offset: Annotated[
        float, typer.Option("--offset", metavar="KELVIN", help="A furnace so much hotter than its programme says.")
    ] = 0.0,
    programme: Annotated[
        Path | None,
        typer.Option("--programme", metavar="FILE.csv", help="Also write the furnace programme, segment by segment."),
    ] = None,
    json: JsonOption = False,
    overwrite: OverwriteOption = False,
    no_cache: NoCacheOption = False,
    quiet: QuietOption = False,
) -> None:
    """Run a case: print its answers in sentences and store its history as netCDF.

    With bands, plot, compare and report show them too.

    Example: bronzeward run starter.toml -o starter.nc --members 200
    """
    from dataclasses import replace

    from bronzeward.errors import InputError
    from bronzeward.files import check_target, write_text
    from bronzeward.inputs.case import load_case
    from bronzeward.model import result as results
    from bronzeward.model.simulation import run_case
    from bronzeward.reports import summary
    from bronzeward.reports.furnace_programme import programme_segments

    chosen = load_case(case)
    if programme is not None:
        check_target(programme, overwrite, "CSV")
    again = "_again" if case.suffix.lower() == ".nc" else ""
    target = check_target(output or Path(f"{case.stem}{again}.nc"), overwrite, "netCDF")
    told = programme_segments(chosen.schedule)
    try:
        if offset:
            chosen = replace(chosen, schedule=chosen.schedule.offset(offset))
        result = run_case(chosen, cache=not no_cache)
    except InputError as error:
        raise InputError(f"{case}: {error}") from None
    if members:
        result = _with_bands(result, members, quiet)
    results.write_netcdf(result, target, overwrite)
    if programme is not None:
        write_text(told, programme, overwrite)
    answers = summary.answers(result)
    if json:
        show_json({**answers, "output": str(target)})
    elif not quiet:
        show([*summary.sentences(result), ""])
        show([*bands, ""] if (bands := summary.band_lines(result)) else [])
        show(f"Warning: {line}." for line in answers["warnings"])
        show([f"History written to {target}. An estimate, not a qualification: a witness sample decides."])
    if answers["status"] != "completed":
        leave(1)


def _with_bands(result: Result, members: int, quiet: bool) -> Result:
    from bronzeward.cli.waiting import progress
    from bronzeward.studies.doubts import with_doubts
    from bronzeward.studies.ensemble import Spread
    from bronzeward.studies.history_bands import with_bands

    with progress(quiet) as watch:
        return with_doubts(with_bands(result, Spread.usual(members), progress=watch))


def example(
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FILE", help="Write it to this file.")
    ] = None,
    layers: Annotated[
        bool, typer.Option("--layers", help="A file of measured layers for `bronzeward fit` instead of a case.")
    ] = False,
    json: JsonOption = False,
    overwrite: OverwriteOption = False,
) -> None:
    """Print a starter case with every key explained, or a file of measured layers with every column.

    Example: bronzeward example -o starter.toml; bronzeward example --layers -o layers.csv
    """
    from bronzeward.files import check_target
    from bronzeward.inputs import starter

    chosen = starter.STARTER_LAYERS if layers else starter.STARTER
    text = starter.text(chosen)
    if json:
        show_json(_starter_data(text, layers))
    elif output is None:
        show_text(text)
    if output is not None:
        target = check_target(output, overwrite, "CSV" if layers else "TOML")
        starter.write(target, overwrite, chosen)
        if not json:
            what, use = ("layers", f"fit {target} --case CASE.toml") if layers else ("case", f"run {target}")
            show([f"Starter {what} written to {target}; use it with: bronzeward {use}"])


def _starter_data(text: str, layers: bool) -> dict[str, object]:
    """A starter file as plain data."""
    import csv
    import tomllib

    if layers:
        rows = [line for line in text.splitlines() if not line.startswith("#")]
        return {"schema": "bronzeward/layers/1", "rows": list(csv.DictReader(rows))}
    return {"schema": "bronzeward/case/1", "case": tomllib.loads(text)}


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    for command in (run, example):
        app.command()(command)
