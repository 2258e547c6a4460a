"""Commands that show stored results: figures, sections, comparison, report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from bronzeward.cli.common import JsonOption, OverwriteOption, QuietOption, show, show_json

ResultArgument = Annotated[Path, typer.Argument(metavar="RESULT.nc", help="File written by `bronzeward run`.")]
FigureOption = Annotated[
    Path | None,
    typer.Option("--output", "-o", metavar="FIGURE", help=".png, .svg or .pdf; default: beside the result."),
]


def plot(
    result: ResultArgument,
    output: FigureOption = None,
    against: Annotated[str, typer.Option("--against", metavar="time|temperature", help="What runs across.")] = "time",
    volume: Annotated[bool, typer.Option("--volume", help="Add the volume account.")] = False,
    equilibrium: Annotated[bool, typer.Option("--equilibrium", help="Add equilibrium beside kinetics.")] = False,
    hours: Annotated[
        tuple[float, float] | None, typer.Option("--hours", metavar="FROM TO", help="Only this stretch of time.")
    ] = None,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Draw temperature, layers and liquid in one figure.

    Example: bronzeward plot starter.nc --volume -o starter.pdf
    """
    from bronzeward import figures
    from bronzeward.result import read_netcdf

    stored = read_netcdf(result)
    target = _target(output or result.with_suffix(".png"), overwrite)
    figure = figures.draw_history(stored, against, volume, equilibrium, hours)
    figures.save(figure, target, overwrite)
    _say_written("Figure", target, json, quiet)


def section(
    result: ResultArgument,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", metavar="MOMENT", help="'first liquid', 12.5h, 400C, an event; repeat it for a strip."),
    ] = None,
    output: FigureOption = None,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Draw the strand to scale at one moment, or a strip of several: the micrograph a quench should show.

    Example: bronzeward section starter.nc --at "first liquid" --at end
    """
    from bronzeward import figures, section
    from bronzeward.result import read_netcdf

    stored = read_netcdf(result)
    target = _target(output or result.with_name(f"{result.stem}_section.png"), overwrite)
    figures.save(section.draw_section(stored, at or ["first liquid"]), target, overwrite)
    _say_written("Section", target, json, quiet)


def compare(
    results: Annotated[list[Path], typer.Argument(metavar="A.nc B.nc ...", help="Two or more results.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FIGURE", help="Also draw them: .png, .svg or .pdf")
    ] = None,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Put the answers of several results side by side; differences beyond their bands are marked.

    Example: bronzeward compare slow.nc fast.nc -o both.png
    """
    from bronzeward import compare, figures
    from bronzeward.result import read_netcdf

    named = [(path.stem, read_netcdf(path)) for path in results]
    if output is not None:
        _target(output, overwrite)
    if json:
        show_json(compare.data(named))
    elif not quiet:
        show([compare.table(named)])
    if output is not None:
        figures.save(compare.draw(named), output, overwrite)
        if not json:
            _say_written("Figure", output, json, quiet)


def _target(path: Path, overwrite: bool) -> Path:
    from bronzeward.result import check_target

    return check_target(path, overwrite)


def _say_written(what: str, target: Any, json: bool, quiet: bool) -> None:
    if json:
        show_json({"schema": "bronzeward/file/1", "output": str(target)})
    elif not quiet:
        show([f"{what} written to {target}."])


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    for command in (plot, section, compare):
        app.command()(command)
