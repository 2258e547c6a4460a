"""The command that shows how answers move with what the model assumed."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bronzeward.cli.common import JsonOption, OverwriteOption, QuietOption, WorkersOption, show, show_block, show_json
from bronzeward.cli.runs import CaseArgument
from bronzeward.cli.waiting import progress


def doubts(
    case: CaseArgument,
    figure: Annotated[Path | None, typer.Option("--figure", metavar="FIGURE", help="Also draw it.")] = None,
    workers: WorkersOption = 2,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Show the answers that decide under each alternative the model could have taken, the largest moves first.

    Example: bronzeward doubts starter.toml --figure doubts.png
    """
    from bronzeward.inputs.case import load_case
    from bronzeward.plots.doubts import draw_doubts
    from bronzeward.plots.picture_file import check_figure, save
    from bronzeward.reports.doubts import doubts_lines
    from bronzeward.studies import doubts as study

    chosen = load_case(case)
    if figure is not None:
        check_figure(figure, overwrite)
    with progress(quiet) as watch:
        answer_doubts = study.doubts(chosen, workers, watch)
    if figure is not None:
        save(draw_doubts(answer_doubts), figure, overwrite)
    if json:
        show_json({"schema": "bronzeward/doubts/1", **answer_doubts.to_data()})
    elif not quiet:
        table, lines = doubts_lines(answer_doubts)
        show_block(f"{table}\n")
        show(lines)


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(doubts)
