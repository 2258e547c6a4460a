"""The command that compares the program with published values and closed forms."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bronzeward.cli.common import (
    DEFAULT_DESCRIPTION,
    DescriptionOption,
    JsonOption,
    OverwriteOption,
    QuietOption,
    leave,
    show,
    show_json,
)


def validate(
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="PAGE.html", help="Also write a page with every check.")
    ] = None,
    description: DescriptionOption = DEFAULT_DESCRIPTION,
    json: JsonOption = False,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
) -> None:
    """Compute every check against published values and closed forms; misses are shown.

    Takes some seconds. Leaves with exit code 1 when a verdict is not the expected one.

    Example: bronzeward validate -o checks.html
    """
    from bronzeward.files import check_target
    from bronzeward.reports.page import page_target
    from bronzeward.reports.validation_page import write_validation
    from bronzeward.reports.validation_text import validation_data, validation_lines
    from bronzeward.validation import validate as checks
    from bronzeward.validation.outcome import counts

    if output is not None:
        check_target(page_target(output, "validation page"), overwrite)
    outcomes = checks.validate(description)
    if output is not None:
        write_validation(outcomes, output, overwrite)
    if json:
        show_json(validation_data(outcomes))
    elif not quiet:
        show(validation_lines(outcomes))
        if output is not None:
            show([f"Page written to {output}."])
    if counts(outcomes)["unexpected"]:
        leave(1)


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(validate)
