"""Commands that show what is stored: figures, sections, report, furnace logs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bronzeward.cli.common import (
    JsonOption,
    OverwriteOption,
    QuietOption,
    check_targets,
    leave,
    show,
    show_block,
    show_json,
)

if TYPE_CHECKING:
    from bronzeward.studies.furnace_deviation import Comparison, Trace

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
    layer: Annotated[
        list[str] | None,
        typer.Option("--layer", metavar="PHASE", help="A panel with its band; repeat it. Default: all that have one."),
    ] = None,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Draw temperature, layers and liquid in one figure.

    Example: bronzeward plot starter.nc --volume -o starter.pdf
    """
    from bronzeward.plots.picture_file import check_figure, save
    from bronzeward.plots.run_history import draw_history

    target = check_figure(output or result.with_suffix(".png"), overwrite)
    save(draw_history(result, against, volume, equilibrium, hours, layer), target, overwrite)
    _say_written("Figure", target, json, quiet)


def section(
    result: ResultArgument,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", metavar="MOMENT", help="'first liquid', 12.5h, 400C, an event; repeat it for a strip."),
    ] = None,
    output: FigureOption = None,
    layers: Annotated[
        Path | None, typer.Option("--layers", metavar="LAYERS.csv", help="Also write radii and thicknesses as CSV.")
    ] = None,
    beside: Annotated[
        Path | None, typer.Option("--beside", metavar="PHOTO", help="Draw it beside a micrograph; needs --scale.")
    ] = None,
    scale: Annotated[
        float | None, typer.Option("--scale", metavar="UM_PER_PIXEL", help="Width of a pixel of the micrograph, µm.")
    ] = None,
    centre: Annotated[
        tuple[float, float] | None,
        typer.Option("--centre", metavar="X Y", help="Pixel at the middle of the strand: show only what is round it."),
    ] = None,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Draw the strand to scale at one moment, or a strip of several: the micrograph a quench should show.

    A time or temperature between stored states is computed.

    Example: bronzeward section starter.nc --at "first liquid" --at 350C --layers layers.csv
    """
    from bronzeward.errors import InputError
    from bronzeward.files import check_target
    from bronzeward.model.asked_moments import with_states_at
    from bronzeward.model.result import read_netcdf
    from bronzeward.plots.beside_micrograph import draw_beside
    from bronzeward.plots.picture_file import check_figure, save
    from bronzeward.plots.section import draw_section
    from bronzeward.reports.section_layers import section_data, write_layers

    moments = at or ["first liquid"]
    if (beside is None) != (scale is None) or (centre is not None and beside is None):
        raise InputError("section: --beside PHOTO needs --scale UM_PER_PIXEL; --scale and --centre need --beside")
    if beside is not None and len(moments) > 1:
        raise InputError(f"section: {len(moments)} moments; beside a micrograph there is room for one")
    target = check_figure(output or result.with_name(f"{result.stem}_section.png"), overwrite)
    if layers is not None:
        check_target(layers, overwrite, "CSV")
    run, _ = with_states_at(read_netcdf(result), moments)
    data = section_data(run, moments)
    if beside is None or scale is None:
        figure = draw_section(run, moments)
    else:
        figure = draw_beside(run, beside, scale, moments[0], centre)
    save(figure, target, overwrite)
    if layers is not None:
        write_layers(data, layers, overwrite)
    if json:
        show_json({**data, "output": str(target)})
    elif not quiet:
        show([f"Warning: {line}." for line in data["warnings"]])
        _say_written("Section", target, json, quiet)


def report(
    result: ResultArgument,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PAGE.html", help="Default: beside the result, .html")
    ] = None,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Write a report as one page: answers, figures, constants with their sources, limits, cautions.

    Example: bronzeward report starter.nc -o starter.html
    """
    from bronzeward.reports.run_page import write_report

    target = write_report(result, output or result.with_suffix(".html"), overwrite)
    _say_written("Report", target, json, quiet)


def log(
    file: Annotated[Path, typer.Argument(metavar="LOG.csv", help="Thermocouple log with units in its header.")],
    channel: Annotated[
        str | None, typer.Option("--channel", metavar="NAME", help="A channel, its number, or mean, hottest, coldest.")
    ] = None,
    case: Annotated[
        Path | None, typer.Option("--case", metavar="CASE.toml", help="Compare with the schedule of this case.")
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="FIGURE", help="Draw both: .png, .svg or .pdf; needs --case."),
    ] = None,
    tolerance: Annotated[
        float | None, typer.Option("--tolerance", metavar="KELVIN", help="Pass or fail by it; needs --case.")
    ] = None,
    errors: Annotated[
        Path | None,
        typer.Option("--errors", metavar="FILE.csv", help="Write measured less programmed, row by row; needs --case."),
    ] = None,
    despike: Annotated[
        bool | None, typer.Option("--despike/--no-despike", help="Leave out, or keep, rows that cannot be meant.")
    ] = None,
    overwrite: OverwriteOption = False,
    json: JsonOption = False,
) -> None:
    """Show how a temperature log is understood, and how the furnace kept to its programme.

    With --tolerance the exit code is 1 where it did not.

    Example: bronzeward log furnace.csv --case starter.toml --tolerance 5 -o kept.png
    """
    from bronzeward.errors import InputError
    from bronzeward.files import write_text
    from bronzeward.inputs.case import load_case
    from bronzeward.inputs.furnace_log import load_log, within_schedule
    from bronzeward.inputs.schedule import Schedule
    from bronzeward.plots.furnace_deviation import draw_programme
    from bronzeward.plots.picture_file import save
    from bronzeward.reports.furnace_deviation import trace_csv
    from bronzeward.studies.furnace_deviation import compare_programme, error_trace
    from bronzeward.units import HOUR, ZERO_CELSIUS

    for what, given in (("a figure", output), ("--tolerance", tolerance), ("--errors", errors)):
        if given is not None and case is None:
            raise InputError(f"log: {what} needs --case, the programme to compare with")
    check_targets((output, "a picture"), (errors, "CSV"), overwrite=overwrite, kept=file)
    measurement = within_schedule(load_log(file, None, channel, despike), file)
    measured = Schedule.from_arrays(measurement.time, measurement.temperature)
    celsius = [float(kelvin) - ZERO_CELSIUS for kelvin in measurement.temperature]
    data: dict[str, object] = {
        "schema": "bronzeward/log/1",
        "channel": measurement.channel,
        "channels": list(measurement.channels),
        "understood": list(measurement.understood),
        "time_h": [float(t) / HOUR for t in measurement.time],
        "temperature_C": celsius,
    }
    if not json:
        show(measurement.understood)
    if case is not None:
        programmed = load_case(case).schedule
        kept = compare_programme(programmed, measured)
        trace = error_trace(kept)
        if json:
            data |= _deviation_data(kept, trace, tolerance)
        else:
            _show_deviation(kept, trace, tolerance)
        if errors is not None:
            write_text(trace_csv(trace), errors, overwrite)
        if output is not None:
            save(draw_programme(programmed, measured, kept.shift), output, overwrite)
    if json:
        show_json(data)
    if case is not None and tolerance is not None and trace.outside(tolerance) > 0.0:
        leave(1)


def _deviation_data(kept: Comparison, trace: Trace, tolerance: float | None) -> dict[str, object]:
    import numpy as np

    from bronzeward.units import HOUR

    data: dict[str, object] = {
        "starts_at_h": kept.shift / HOUR,
        "largest_error_K": float(np.abs(trace.error).max()),
    }
    if tolerance is not None:
        outside = trace.outside(tolerance)
        data |= {"tolerance_K": tolerance, "passed": outside == 0.0, "outside_h": outside / HOUR}
    return data


def _show_deviation(kept: Comparison, trace: Trace, tolerance: float | None) -> None:
    from bronzeward.reports.furnace_deviation import deviation_sentences, deviation_table, verdict

    show(["", *deviation_sentences(kept)])
    show_block(f"\n{deviation_table(kept)}")
    if tolerance is not None:
        show(["", verdict(trace, tolerance)])


def _say_written(what: str, target: Path, json: bool, quiet: bool) -> None:
    if json:
        show_json({"schema": "bronzeward/file/1", "output": str(target)})
    elif not quiet:
        show([f"{what} written to {target}."])


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    for command in (plot, section, report, log):
        app.command()(command)
