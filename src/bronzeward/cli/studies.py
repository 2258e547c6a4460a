"""Commands for decisions: sweeps, bands, calibration, furnace margins, shortest schedules."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bronzeward.cli.common import (
    JsonOption,
    MembersOption,
    OverwriteOption,
    QuietOption,
    SeedOption,
    WorkersOption,
    leave,
    resumable,
    show,
    show_block,
    show_json,
)
from bronzeward.cli.runs import CaseArgument
from bronzeward.cli.waiting import progress

if TYPE_CHECKING:
    from collections.abc import Callable

    import xarray as xr
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from bronzeward.model.result import Result
    from bronzeward.studies.calibration import Fit
    from bronzeward.studies.ensemble import Spread
    from bronzeward.studies.optimise.limits import Limit
    from bronzeward.studies.optimise.shortest import Shortest

CoreOption = Annotated[
    float | None, typer.Option("--core-spread", metavar="PERCENT", help="Standard deviation of the core diameter (2).")
]
EccentricityOption = Annotated[
    float | None,
    typer.Option("--eccentricity", metavar="PERCENT", help="Standard deviation of the core's offset, of the wall (5)."),
]
FurnaceOption = Annotated[
    float, typer.Option("--furnace", metavar="KELVIN", help="Standard deviation of the furnace temperature.")
]
AnswerOption = Annotated[str, typer.Option("--answer", metavar="NAME", help="The answer to show; all are stored.")]


def sweep(
    case: CaseArgument,
    vary: Annotated[
        list[str],
        typer.Option(
            "--vary", metavar="PATH=VALUES", help="As 1,2,5 or FROM:TO:COUNT[:log]; repeat it; PATH+PATH together."
        ),
    ],
    answer: AnswerOption = "shell_at_first_liquid",
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="OUT.nc", help="Default: CASE_sweep.nc here.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FIGURE", help="Also draw the answer: .png, .svg or .pdf")
    ] = None,
    members: MembersOption = 0,
    seed: SeedOption = 1,
    core_spread: CoreOption = None,
    eccentricity: EccentricityOption = None,
    furnace: FurnaceOption = 0.0,
    workers: WorkersOption = 2,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", metavar="ADDRESS", help="Dask scheduler; needs bronzeward[cluster].")
    ] = None,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Compute the answers over ranges of any values of a case; an interrupted sweep goes on where it was.

    Example: bronzeward sweep starter.toml --vary schedule.steps.0.ramp_C_per_h=5,10,25,100
    --vary schedule.steps.1.hold_h=0:48:9 --figure shell.png
    """
    from bronzeward.errors import InputError
    from bronzeward.files import check_kind, check_target
    from bronzeward.inputs.case import load_case
    from bronzeward.inputs.case_values import parse_axis
    from bronzeward.model.dataset_file import write_dataset
    from bronzeward.plots.sweep import draw_sweep
    from bronzeward.reports.sweep import sweep_table
    from bronzeward.studies import chunk_store
    from bronzeward.studies import sweep as sweeps

    chosen = load_case(case)
    axes = [parse_axis(text) for text in vary]
    target = output or Path(f"{case.stem}_sweep.nc")
    check_kind(target, "netCDF")
    chunk_store.clear_finished(target)
    check_target(target, overwrite)
    _check(answer, figure, overwrite)
    spread = _spread(members, seed, core_spread, eccentricity, furnace) if members else None
    parts = chunk_store.folder_beside(target)
    varied = [axis.name for axis in axes if len(axis.values) > 1]
    if figure is not None and not 1 <= len(varied) <= 2:
        raise InputError(f"sweep: a figure shows 1 or 2 values that vary, not {len(varied)}; leave out --figure")
    with resumable():
        with progress(quiet) as watch:
            data = sweeps.sweep(chosen, axes, spread, workers, watch, parts, scheduler=scheduler)
        write_dataset(data, target, overwrite)
    chunk_store.clear_chunks(parts, data)
    _draw(lambda: draw_sweep(data, answer), figure, overwrite, target)
    if json:
        show_json({"schema": "bronzeward/sweep/1", "output": str(target), "answer": answer, **_plain(data, answer)})
    elif not quiet:
        if len(varied) <= 2:
            show_block(f"{sweep_table(data, answer)}\n")
        else:
            show([f"{len(varied)} values vary, and a table shows 1 or 2: `--json` prints all there is of the answer."])
        show([f"All answers written to {target}."])


def band(
    case: CaseArgument,
    members: MembersOption = 300,
    seed: SeedOption = 1,
    core_spread: CoreOption = None,
    eccentricity: EccentricityOption = None,
    furnace: FurnaceOption = 0.0,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="OUT.nc", help="Default: CASE_band.nc here.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FIGURE", help="Also draw the answer: .png, .svg or .pdf")
    ] = None,
    answer: AnswerOption = "shell_at_first_liquid",
    workers: WorkersOption = 2,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Give every answer of a case with its median, 5 to 95 % band, and what it depends on most.

    Example: bronzeward band starter.toml --members 500 --furnace 3
    """
    from bronzeward.files import check_target
    from bronzeward.inputs.case import load_case
    from bronzeward.model.result import write_netcdf
    from bronzeward.plots.uncertainty import plot_band
    from bronzeward.reports.uncertainty import band_table
    from bronzeward.studies import uncertainty

    chosen = load_case(case)
    target = check_target(output or Path(f"{case.stem}_band.nc"), overwrite, "netCDF")
    _check(answer, figure, overwrite)
    spread = _spread(members, seed, core_spread, eccentricity, furnace)
    with progress(quiet) as watch:
        data = uncertainty.band_columns(chosen, spread, workers, watch)
    write_netcdf(data, target, overwrite)
    _draw(lambda: plot_band(data, answer), figure, overwrite, target)
    if json:
        left_out = {"bands_leave_out": data.attributes["caveat"]}
        show_json({"schema": "bronzeward/band/1", "output": str(target), "answers": _quantiles(data), **left_out})
    elif not quiet:
        show_block(f"{band_table(data)}\n")
        show([f"All members written to {target}."])


def fit(
    measurements: Annotated[
        Path,
        typer.Argument(metavar="LAYERS.csv", help="Measured layers; see `bronzeward example --layers`."),
    ],
    case: Annotated[
        Path | None,
        typer.Option("--case", metavar="CASE.toml", help="Strand of samples given by temperature and time."),
    ] = None,
    base: Annotated[
        str, typer.Option("--base", metavar="SET", help="Kinetic set to start from: a name or a .toml file.")
    ] = ("default"),
    phase: Annotated[
        list[str] | None,
        typer.Option(
            "--phase", metavar="NAME", help="Phase to fit; repeat it. Default: eta, epsilon, what was measured."
        ),
    ] = None,
    scatter: Annotated[
        float, typer.Option("--model-scatter", metavar="PERCENT", help="Of thicknesses, that the model itself has.")
    ] = 5.0,
    exponent: Annotated[
        float | None,
        typer.Option("--exponent-spread", metavar="M", help="Of thickness^(2 + m) ~ time (0.3); 0: not fitted."),
    ] = None,
    output: Annotated[Path, typer.Option("--output", "-o", metavar="SET.toml", help="Kinetic file to write.")] = Path(
        "fitted.toml"
    ),
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FIGURE", help="Also draw measured against computed thickness.")
    ] = None,
    workers: WorkersOption = 2,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Update growth constants by measured layers, magnitude and slope together; says what the data leave open.

    Example: bronzeward fit layers.csv --case starter.toml -o mine.toml
    """
    from bronzeward.files import check_target
    from bronzeward.inputs.case import DEFAULT_DESCRIPTION, load_case
    from bronzeward.inputs.layer_measurements import read_measurements
    from bronzeward.materials.kinetics import load_set
    from bronzeward.plots.calibration import plot_fit
    from bronzeward.reports.calibration import fit_report, write_kinetics
    from bronzeward.studies import calibration

    check_target(output, overwrite, "TOML")
    _check(None, figure, overwrite)
    chosen = None if case is None else load_case(case)
    rows = read_measurements(measurements, None if chosen is None else chosen.strand)
    known, phases = load_set(base), phase or calibration.usual_phases(rows)
    description = DEFAULT_DESCRIPTION if chosen is None else chosen.description
    result = calibration.fit(
        rows, known, phases, scatter / 100.0, description, workers=workers, name=output.stem, exponent=exponent
    )
    write_kinetics(result, output, overwrite)
    _draw(lambda: plot_fit(result), figure, overwrite, output)
    if json:
        show_json({"schema": "bronzeward/fit/1", "output": str(output), **_fitted(result)})
    elif not quiet:
        show_block(f"{fit_report(result)}\n")
        show([f'Kinetic set written to {output}; use it with file = "{output}".'])


def margins(
    case: CaseArgument,
    sensor_class: Annotated[
        int, typer.Option("--class", metavar="0|1|2", help="Thermocouple class of IEC 60584-1; 0: exact.")
    ] = 1,
    sensor_type: Annotated[str, typer.Option("--type", metavar="K|N", help="Thermocouple type.")] = "K",
    homogeneity: Annotated[
        float, typer.Option("--homogeneity", metavar="KELVIN", help="Half the spread in the zone.")
    ] = 3.0,
    overshoot: Annotated[
        float, typer.Option("--overshoot", metavar="KELVIN", help="At the end of a heating ramp.")
    ] = 2.0,
    settling: Annotated[float, typer.Option("--settling", metavar="MINUTES", help="Until the overshoot fades.")] = 30.0,
    lag: Annotated[float, typer.Option("--lag", metavar="MINUTES", help="Time constant of the sensor.")] = 1.0,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="OUT.nc", help="Store everything as netCDF.")
    ] = None,
    figure: Annotated[Path | None, typer.Option("--figure", metavar="FIGURE", help="Draw hottest and coldest.")] = None,
    workers: WorkersOption = 2,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Say how hot and cold the strands of a load really get, what holds touch, and which set-points are safe.

    Example: bronzeward margins starter.toml --class 2 --homogeneity 5
    """
    from bronzeward.files import check_target
    from bronzeward.inputs.case import load_case
    from bronzeward.model.dataset_file import write_dataset
    from bronzeward.plots.furnace_margins import plot_margins
    from bronzeward.reports.furnace_margins import margins_table
    from bronzeward.studies import furnace_margins
    from bronzeward.studies.furnace_load import Furnace

    chosen = load_case(case)
    if output is not None:
        check_target(output, overwrite, "netCDF")
    _check(None, figure, overwrite)
    load = Furnace(sensor_class, sensor_type, homogeneity, overshoot, settling * 60.0, lag * 60.0)
    data = furnace_margins.margins(chosen, load, workers)
    if output is not None:
        write_dataset(data, output, overwrite)
    _draw(lambda: plot_margins(data), figure, overwrite, output)
    if json:
        columns = {str(name): column.values.tolist() for name, column in data.variables.items()}
        show_json({"schema": "bronzeward/margins/1", "furnace": vars(load), "data": columns})
    elif not quiet:
        show_block(margins_table(data))


def shorten(
    case: CaseArgument,
    free: Annotated[
        list[str], typer.Option("--free", metavar="PATH=LOW:HIGH[:STEP]", help="A value to choose; repeat it.")
    ],
    keep: Annotated[
        list[str],
        typer.Option("--keep", metavar="LIMIT", help="As overfill_at_first_liquid<=0@95 (percent sure); repeat it."),
    ],
    fastest: Annotated[
        float | None, typer.Option("--fastest", metavar="C/H", help="Fastest ramp the furnace can do.")
    ] = None,
    not_above: Annotated[
        list[str] | None, typer.Option("--not-above", metavar="C@H", help="As 213@40: not above 213 °C before 40 h.")
    ] = None,
    members: MembersOption = 100,
    seed: SeedOption = 1,
    core_spread: CoreOption = None,
    eccentricity: EccentricityOption = None,
    furnace: FurnaceOption = 0.0,
    output: Annotated[Path, typer.Option("--output", "-o", metavar="CASE.toml", help="Case file to write.")] = Path(
        "shortened.toml"
    ),
    curve: Annotated[
        str | None, typer.Option("--curve", metavar="VALUES", help="Least hours for these values of the first limit.")
    ] = None,
    figure: Annotated[Path | None, typer.Option("--figure", metavar="FIGURE", help="Draw that curve.")] = None,
    workers: WorkersOption = 2,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Find the shortest schedule that keeps all limits, and write it as a case and a furnace programme.

    Example: bronzeward shorten starter.toml --free schedule.steps.1.hold_h=0:48
    --free schedule.steps.0.to_C=190:213 --keep overfill_at_first_liquid<=0@95
    """
    from bronzeward.errors import InputError
    from bronzeward.files import check_target
    from bronzeward.inputs.case import load_case
    from bronzeward.model.answers import ANSWERS
    from bronzeward.plots.shortest_schedule import plot_trade_off
    from bronzeward.reports import shortest_schedule as reports
    from bronzeward.studies.optimise import limits as wanted
    from bronzeward.studies.optimise import shortest as search

    chosen = load_case(case)
    check_target(output, overwrite, "TOML")
    _check(None, figure, overwrite)
    if figure is not None and curve is None:
        raise InputError("shorten: --figure draws the curve; give its values with --curve")
    choices, limits = [wanted.parse_free(text) for text in free], [wanted.parse_limit(text) for text in keep]
    values = [] if curve is None else _limits_of_curve(curve, keep[0], limits[0])
    rules = wanted.Rules(float("inf") if fastest is None else fastest, _times(not_above or []))
    spread = _spread(members, seed, core_spread, eccentricity, furnace)
    with progress(quiet, "candidates") as watch:
        result = search.shorten(chosen, choices, limits, rules, spread, seed, workers, watch)
    if result.feasible:
        reports.write_case(result, output, overwrite)
    data = None
    if curve is not None:
        with progress(quiet, "candidates") as watch:
            data = search.trade_off(chosen, choices, limits, 0, values, rules, spread, seed, workers, watch)
        _draw(lambda: plot_trade_off(data), figure, overwrite, output if result.feasible else None)
    written = output if result.feasible else None
    if json:
        plain = reports.shorten_data(result)
        if data is not None:
            plain["curve"] = {str(name): column.values.tolist() for name, column in data.variables.items()}
            plain["curve_limit_units"] = ANSWERS[limits[0].answer].unit
        show_json({"schema": "bronzeward/shorten/1", "output": written and str(written), **plain})
    elif not quiet:
        _show_shortest(result, data, written)
    if not result.feasible:
        leave(1)


def _limits_of_curve(curve: str, keep: str, limit: Limit) -> list[float]:
    """Values [SI] of the first limit, whose text is `keep`, along the curve."""
    from bronzeward.errors import InputError
    from bronzeward.studies.optimise.limits import parse_limit

    start = keep.partition(limit.kind)[0] + limit.kind
    values = [parse_limit(start + text).value for text in curve.split(",") if text]
    if not values:
        raise InputError("shorten: no values for the curve")
    return values


def _show_shortest(result: Shortest, curve: xr.Dataset | None, written: Path | None) -> None:
    from bronzeward.reports.shortest_schedule import curve_lines, shorten_report

    show_block(f"{shorten_report(result)}\n")
    if curve is not None:
        show([*curve_lines(curve), ""])
    if written is None:
        show(["No case written: allow more time or less strict limits, or free more values."])
    else:
        show([f"Case written to {written}; run it with: bronzeward run {written}"])


def _check(answer: str | None, figure: Path | None, overwrite: bool) -> None:
    """Refuse before anything is computed what would only be refused at its end."""
    from bronzeward.model.answers import answer_of

    if answer is not None:
        answer_of(answer)
    if figure is not None:
        from bronzeward.plots.picture_file import check_figure

        check_figure(figure, overwrite)


def _draw(drawing: Callable[[], Axes | Figure], figure: Path | None, overwrite: bool, kept: Path | None) -> None:
    """Write a figure, if one is wanted; where that fails, say that what was computed is `kept` in a file."""
    from bronzeward.errors import InputError
    from bronzeward.plots.picture_file import save

    if figure is None:
        return
    try:
        save(drawing(), figure, overwrite)
    except InputError as error:
        raise InputError(f"{error}" + ("" if kept is None else f"; the result is kept in {kept}")) from None


def _times(texts: list[str]) -> tuple[tuple[float, float], ...]:
    from bronzeward.errors import InputError

    pairs = []
    for text in texts:
        try:
            celsius, hour = (float(part) for part in text.split("@"))
        except ValueError:
            raise InputError(f"--not-above {text}: expected TEMPERATURE@HOUR, as in 213@40") from None
        pairs.append((celsius, hour))
    return tuple(pairs)


def _fitted(result: Fit) -> dict[str, object]:
    return {
        "factors": result.factors,
        "log_standard_deviations": result.factor_errors,
        "log_standard_deviations_before": result.prior_errors,
        "activation_energy_kJ_per_mol_standard_deviations": result.energy_errors,
        "activation_energy_kJ_per_mol_standard_deviations_before": result.prior_energy_errors,
        "slowing_exponents": {phase: result.kinetics.constant(phase).slowing for phase in result.exponent_errors},
        "slowing_exponent_standard_deviations": result.exponent_errors,
        "slowing_exponent_standard_deviations_before": result.prior_exponent_errors,
        "model_scatter": result.model_scatter,
        "chi_square": result.chi_square,
        "degrees": result.degrees,
        "p_value": result.p_value,
        "residuals": result.residuals.tolist(),
        "drawn": result.drawn,
        "unfinished": result.unfinished,
        "remarks": list(result.remarks),
    }


def _spread(members: int, seed: int, core: float | None, eccentricity: float | None, furnace: float) -> Spread:
    """All that is uncertain, by what was given and else by the usual values."""
    from bronzeward.studies.ensemble import Spread

    shares = {"core_diameter": core, "eccentricity": eccentricity}
    given = {name: None if value is None else value / 100.0 for name, value in shares.items()}
    return Spread.usual(members, seed, furnace_offset=furnace, **given)


def _plain(data: xr.Dataset, answer: str) -> dict[str, object]:
    """One answer over its axes as nested lists, with its band where there is one."""
    names = [name for name in (answer, f"{answer}_low", f"{answer}_high") if name in data]
    return {
        "axes": {str(dim): data[dim].values.tolist() for dim in data[answer].dims},
        "values": {name: data[name].values.tolist() for name in names},
        "bands_leave_out": data.attrs.get("caveat"),
    }


def _quantiles(data: Result) -> dict[str, object]:
    """5 %, median and 95 % of every answer, SI units."""
    from bronzeward.model.answers import ANSWERS

    answers: dict[str, object] = {}
    for name in ANSWERS:
        low, middle, high = data[name].tolist()
        answers[name] = {"low": low, "median": middle, "high": high, "units": data.variables[name].attributes["units"]}
    return answers


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    for command in (sweep, band, fit, margins, shorten):
        app.command()(command)
