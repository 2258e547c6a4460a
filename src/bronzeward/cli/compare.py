"""The command that puts runs side by side, and judges schedules by limits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bronzeward.cli.common import (
    JsonOption,
    OverwriteOption,
    QuietOption,
    SeedOption,
    WorkersOption,
    leave,
    show,
    show_block,
    show_json,
)
from bronzeward.cli.waiting import progress

if TYPE_CHECKING:
    from bronzeward.inputs.case import Case


def compare(
    results: Annotated[
        list[Path], typer.Argument(metavar="A B ...", help="Results (.nc) and cases (.toml), in any mixture.")
    ],
    keep: Annotated[
        list[str] | None,
        typer.Option("--keep", metavar="LIMIT", help="Judge by it: overfill_at_first_liquid<=0@95; repeat it."),
    ] = None,
    constants: Annotated[
        list[str] | None,
        typer.Option("--constants", metavar="SET", help="Judge with these: a name or a .toml file; repeat it."),
    ] = None,
    vary: Annotated[
        str | None,
        typer.Option("--vary", metavar="PATH=VALUES", help="Take the first once for each value, as sweep does."),
    ] = None,
    members: Annotated[int, typer.Option("--members", metavar="N", help="Members that judge.")] = 200,
    seed: SeedOption = 1,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FIGURE", help="Also draw them: .png, .svg or .pdf")
    ] = None,
    workers: WorkersOption = 2,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Put answers side by side; with limits, say with what chance each schedule keeps them.

    Example: bronzeward compare starter.toml slow.toml --vary schedule.steps.1.hold_h=4,24,48
    --keep overfill_at_first_liquid<=0@95 --constants default --constants mine.toml -o verdict.png
    """
    from bronzeward.errors import InputError
    from bronzeward.plots.picture_file import check_figure

    if not keep:
        for name, given in (("--constants", constants), ("--vary", vary)):
            if given:
                raise InputError(f"compare: {name} needs --keep, the limit to judge by")
    if output is not None:
        check_figure(output, overwrite)
    kept = True
    if keep:
        kept = _judge(results, keep, constants or [], vary, members, seed, output, workers, overwrite, quiet, json)
    else:
        _side_by_side(results, output, overwrite, quiet, json)
    if output is not None and not json and not quiet:
        show([f"Figure written to {output}."])
    if not kept:
        leave(1)


def _side_by_side(results: list[Path], output: Path | None, overwrite: bool, quiet: bool, json: bool) -> None:
    from bronzeward.inputs.case import load_case
    from bronzeward.model.result import read_netcdf
    from bronzeward.model.simulation import run_case
    from bronzeward.plots.comparison import draw_comparison
    from bronzeward.plots.picture_file import save
    from bronzeward.reports.comparison import comparison_data, comparison_table

    named = [(p.stem, read_netcdf(p) if p.suffix.lower() == ".nc" else run_case(load_case(p))) for p in results]
    if json:
        show_json(comparison_data(named))
    elif not quiet:
        show_block(comparison_table(named))
    if output is not None:
        save(draw_comparison(named), output, overwrite)


def _judge(
    results: list[Path], keep: list[str], constants: list[str], vary: str | None, members: int, seed: int,
    output: Path | None, workers: int, overwrite: bool, quiet: bool, json: bool,
) -> bool:  # fmt: skip
    """Whether with each set of constants one of the schedules keeps every limit, as is told."""
    from bronzeward.inputs.case import load_case
    from bronzeward.inputs.case_values import parse_axis, varied
    from bronzeward.materials.kinetics import load_set
    from bronzeward.plots.picture_file import save
    from bronzeward.plots.verdict import plot_verdict
    from bronzeward.reports.verdict import verdict_data, verdict_report
    from bronzeward.studies.ensemble import Spread
    from bronzeward.studies.optimise.limits import parse_limit
    from bronzeward.studies.verdict import verdict

    limits = [parse_limit(text) for text in keep]
    sets = [load_set(text) for text in constants]
    cases: dict[str, Case] = {}
    for k, path in enumerate(results):
        cases_of_file = {path.stem: load_case(path)}
        if k == 0 and vary is not None:
            cases_of_file = varied(cases_of_file[path.stem], path.stem, parse_axis(vary))
        for name, case in cases_of_file.items():
            cases[name if name not in cases else f"{name} ({k + 1})"] = case
    with progress(quiet) as watch:
        data = verdict(cases, limits, sets, Spread.usual(members, seed), workers, watch)
    if output is not None:
        save(plot_verdict(data), output, overwrite)
    if json:
        show_json(verdict_data(data))
    elif not quiet:
        show_block(verdict_report(data))
    return bool(data["enough"].values.any(axis=0).all())


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(compare)
