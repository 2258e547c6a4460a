"""Commands about equilibrium: invariants, phases, liquidus, boundaries, the diagram."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bronzeward.cli.common import (
    DEFAULT_DESCRIPTION,
    DescriptionOption,
    JsonOption,
    NoCacheOption,
    OverwriteOption,
    QuietOption,
    show,
    show_json,
    show_text,
    tin_fraction,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from bronzeward.thermo import PhaseTable

AtOption = Annotated[float | None, typer.Option("--at", metavar="PERCENT", help="Tin in at.%.")]
WtOption = Annotated[float | None, typer.Option("--wt", metavar="PERCENT", help="Tin in wt.%.")]
CsvOption = Annotated[bool, typer.Option("--csv", help="Print comma-separated values.")]
NetcdfOption = Annotated[
    Path | None,
    typer.Option("--output", "-o", metavar="OUT.nc", help="Also write everything to this netCDF file."),
]


def _table(description: str, no_cache: bool, output: Path | None = None, overwrite: bool = False) -> PhaseTable:
    """The table of a description, unless it is to be written where it cannot be."""
    from bronzeward.files import check_target
    from bronzeward.thermo import load_table

    if output is not None:
        check_target(output, overwrite, "netCDF")
    return load_table(description, cache=not no_cache)


def _write(table: PhaseTable, output: Path | None, overwrite: bool) -> None:
    from bronzeward.thermo import table_file

    if output is not None:
        table_file.write(table, output, overwrite)


def invariants(
    description: DescriptionOption = DEFAULT_DESCRIPTION,
    compare: Annotated[
        tuple[str, str] | None,
        typer.Option("--compare", metavar="A B", help="Show how far two descriptions disagree."),
    ] = None,
    json: JsonOption = False,
    csv: CsvOption = False,
    output: NetcdfOption = None,
    overwrite: OverwriteOption = False,
    no_cache: NoCacheOption = False,
) -> None:
    """List every reaction at fixed temperature: what vanishes and forms on cooling.

    Example: bronzeward invariants --compare cu-sn-shim1996 cu-sn-nist1999-alpha
    """
    from bronzeward.errors import InputError
    from bronzeward.thermo import export

    if compare is not None:
        if output is not None or csv:
            raise InputError("invariants: --output and --csv are of one description; leave out --compare")
        data = export.comparison(_table(compare[0], no_cache), _table(compare[1], no_cache))
        show_json(data) if json else show(_comparison_lines(data, compare))
        return
    table = _table(description, no_cache, output, overwrite)
    _write(table, output, overwrite)
    if json:
        show_json(export.invariants(table))
    elif csv:
        show_text(export.invariants_csv(table))
    else:
        show(_invariant_lines(table))


def _invariant_lines(table: PhaseTable) -> list[str]:
    from bronzeward.units import ZERO_CELSIUS

    lines = [f"{'°C':>8}  {'kind':<11}  {'on cooling':<25}  tin of each, at.%"]
    for each in table.invariants:
        tin = " ".join(f"{100 * x:6.2f}" for x in each.x_sn)
        lines.append(f"{each.temperature - ZERO_CELSIUS:8.2f}  {each.kind:<11}  {each.reaction:<25}  {tin}")
    return lines


def _comparison_lines(data: dict[str, Any], names: tuple[str, str]) -> list[str]:
    def number(value: float | None) -> str:
        return "-" if value is None else f"{value:.2f}"

    lines = [f"A = {names[0]}, B = {names[1]}", f"{'A °C':>9} {'B °C':>9} {'B - A':>7}  on cooling"]
    for row in data["rows"]:
        lines.append(
            f"{number(row['first_C']):>9} {number(row['second_C']):>9} {number(row['difference_K']):>7}"
            f"  {row['reaction']}"
        )
    return lines


def phases(
    temperature: Annotated[float | None, typer.Argument(metavar="[CELSIUS]", help="One temperature in °C.")] = None,
    at: AtOption = None,
    wt: WtOption = None,
    from_: Annotated[float | None, typer.Option("--from", metavar="CELSIUS", help="Start of a path.")] = None,
    to: Annotated[float | None, typer.Option("--to", metavar="CELSIUS", help="End of a path.")] = None,
    description: DescriptionOption = DEFAULT_DESCRIPTION,
    json: JsonOption = False,
    no_cache: NoCacheOption = False,
) -> None:
    """Say which phases are stable, how much of each, and with how much tin.

    Example: bronzeward phases 400 --at 20; bronzeward phases --from 20 --to 700 --wt 32
    """
    from bronzeward.errors import InputError
    from bronzeward.thermo import export, phases_along
    from bronzeward.units import ZERO_CELSIUS

    x = tin_fraction(at, wt)
    if x is None:
        raise InputError("phases: say how much tin there is, with --at or --wt")
    path = (from_, to) if temperature is None else (temperature,)
    if any(value is None for value in path) or (temperature is not None and (from_, to) != (None, None)):
        raise InputError("phases: give either one temperature or both --from and --to")
    kelvin = [float(value) + ZERO_CELSIUS for value in path if value is not None]
    stretches = phases_along(_table(description, no_cache), kelvin, x)
    if json:
        show_json(export.path(stretches, x))
        return
    for part in stretches:
        low, high = part.from_temperature - ZERO_CELSIUS, part.to_temperature - ZERO_CELSIUS
        show([f"{low:.1f} °C" if low == high else f"{low:.1f} to {high:.1f} °C"])
        for k, name in enumerate(part.phases):
            start = f"{100 * part.start_fraction[k]:5.1f} % of the atoms, {100 * part.start_x_sn[k]:6.2f} at.% tin"
            end = f"{100 * part.end_fraction[k]:5.1f} %, {100 * part.end_x_sn[k]:6.2f} at.%"
            show([f"  {name:<10} {start}" + ("" if low == high else f"  ->  {end}")])


def liquidus(
    at: AtOption = None,
    wt: WtOption = None,
    description: DescriptionOption = DEFAULT_DESCRIPTION,
    json: JsonOption = False,
    csv: CsvOption = False,
    output: NetcdfOption = None,
    overwrite: OverwriteOption = False,
    no_cache: NoCacheOption = False,
) -> None:
    """Give liquidus and solidus at one composition, or along the whole diagram.

    Example: bronzeward liquidus --wt 99.3; bronzeward liquidus --csv > liquidus.csv
    """
    from bronzeward.thermo import export

    table = _table(description, no_cache, output, overwrite)
    _write(table, output, overwrite)
    x = tin_fraction(at, wt)
    if json:
        show_json(export.liquidus(table, x))
    elif csv:
        show_text(export.liquidus_csv(table, x))
    else:
        show([f"{'tin at.%':>9} {'tin wt.%':>9} {'solidus °C':>11} {'liquidus °C':>12}"])
        step = 1 if x is not None else 4
        for row in export.liquidus(table, x)["points"][::step]:
            tin = f"{100 * row['x_sn']:9.2f} {100 * row['w_sn']:9.2f}"
            show([f"{tin} {row['solidus_C']:11.2f} {row['liquidus_C']:12.2f}"])


def boundaries(
    description: DescriptionOption = DEFAULT_DESCRIPTION,
    json: JsonOption = False,
    csv: CsvOption = False,
    output: NetcdfOption = None,
    overwrite: OverwriteOption = False,
    no_cache: NoCacheOption = False,
) -> None:
    """List every two-phase field, or give all its points to other tools.

    Example: bronzeward boundaries --csv > boundaries.csv; bronzeward boundaries -o diagram.nc
    """
    from bronzeward.thermo import export
    from bronzeward.units import ZERO_CELSIUS

    table = _table(description, no_cache, output, overwrite)
    _write(table, output, overwrite)
    if json:
        show_json(export.everything(table))
    elif csv:
        show_text(export.boundaries_csv(table))
    else:
        show([f"{'from °C':>8} {'to °C':>8}  {'field':<20} points"])
        for field in table.fields:
            low, high = field.temperature[0] - ZERO_CELSIUS, field.temperature[-1] - ZERO_CELSIUS
            show([f"{low:8.1f} {high:8.1f}  {field.name:<20} {len(field.temperature)}"])


def describe(
    description: Annotated[
        str, typer.Argument(help="Name of a description, or the path of a .tdb file.")
    ] = DEFAULT_DESCRIPTION,
    json: JsonOption = False,
) -> None:
    """Check a thermodynamic description: which phases it has, lacks, or adds.

    Example: bronzeward describe mine.tdb
    """
    from bronzeward import thermo

    report = thermo.describe(description)
    if json:
        show_json({"schema": "bronzeward/description/1", **vars(report)})
    else:
        show(report.sentences())


def diagram(
    output: Annotated[Path, typer.Option("--output", "-o", metavar="FIGURE", help=".png, .svg or .pdf")] = Path(
        "diagram.png"
    ),
    zoom: Annotated[str | None, typer.Option("--zoom", metavar="tin|copper", help="One side of the diagram.")] = None,
    point: Annotated[
        list[str] | None,
        typer.Option("--point", metavar="AT%,CELSIUS", help="Mark a point; may be repeated."),
    ] = None,
    case: Annotated[
        Path | None, typer.Option("--case", metavar="CASE.toml", help="Draw the schedule of a case.")
    ] = None,
    description: DescriptionOption = DEFAULT_DESCRIPTION,
    overwrite: OverwriteOption = False,
    no_cache: NoCacheOption = False,
    quiet: QuietOption = False,
) -> None:
    """Draw the copper-tin phase diagram.

    Example: bronzeward diagram --zoom copper --point 20,400 -o copper.pdf
    """
    from bronzeward.plots.phase_diagram import draw_diagram
    from bronzeward.plots.picture_file import check_figure, save

    check_figure(output, overwrite)
    ax = draw_diagram(_table(description, no_cache), zoom=zoom, points=_points(point), path=_course(case))
    save(ax, output, overwrite)
    if not quiet:
        show([f"Figure written to {output}."])


def _points(texts: list[str] | None) -> list[tuple[float, float]] | None:
    from bronzeward.errors import InputError
    from bronzeward.units import ZERO_CELSIUS

    pairs = []
    for text in texts or []:
        try:
            percent, celsius = (float(part) for part in text.split(","))
        except ValueError:
            raise InputError(f"--point {text}: expected tin in at.% and a temperature in °C, as in 20,400") from None
        pairs.append((percent / 100.0, celsius + ZERO_CELSIUS))
    return pairs or None


def _course(case: Path | None) -> tuple[float, NDArray[np.float64]] | None:
    if case is None:
        return None
    from bronzeward.inputs.case import load_case

    chosen = load_case(case)
    return 1.0 / (1.0 + chosen.strand.copper_tin_ratio()), chosen.schedule.temperature


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    for command in (invariants, phases, liquidus, boundaries, describe, diagram):
        app.command()(command)
