"""The command that opens a live page."""

from __future__ import annotations

from typing import Annotated

import typer

from bronzeward.cli.common import show
from bronzeward.cli.runs import CaseArgument


def live(
    case: CaseArgument,
    keep: Annotated[
        list[str] | None,
        typer.Option("--keep", metavar="LIMIT", help="A limit, as shell_at_first_liquid>=3; repeat."),
    ] = None,
    members: Annotated[int, typer.Option("--members", metavar="N", help="Runs in a band; 0: no bands.")] = 100,
    port: Annotated[int, typer.Option("--port", metavar="N", help="Of this machine; default: any that is free.")] = 0,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")] = True,
) -> None:
    """Open a page on this machine in which the schedule is dragged and typed, and answers follow at once.

    It is served to this machine only, to whoever has the address printed; Ctrl-C ends it. Saves lie beside the case.

    Example: bronzeward live starter.toml --keep "shell_at_first_liquid>=3"
    """
    from bronzeward.errors import InputError
    from bronzeward.inputs.case import load_case
    from bronzeward.model.ready_engine import warm_engine
    from bronzeward.studies.history_bands import FEWEST
    from bronzeward.studies.optimise.limits import parse_limit

    if not 0 <= port <= 65535:
        raise InputError(f"live: port is {port}; allowed are 0 to 65535")
    if members and not FEWEST <= members <= 2000:
        raise InputError(f"live: {members} members; allowed are 0, and {FEWEST} to 2000")
    inputs, limits = load_case(case).to_data(), tuple(parse_limit(text) for text in keep or ())
    try:
        from bronzeward.live.draft import Draft
        from bronzeward.live.server import LiveServer
    except ImportError as error:
        if error.name and error.name.split(".")[0] in ("bokeh", "tornado"):
            raise InputError("live: needs Bokeh; install it with: pip install 'bronzeward[live]'") from None
        raise
    server = LiveServer(Draft(inputs, limits), case.absolute().parent, f"{case.stem}_live", members, port)
    warm_engine()
    show([f"Live page: {server.address}", "Ctrl-C ends it."])
    if browser:
        import webbrowser

        webbrowser.open(server.address)
    try:
        server.run()
    except KeyboardInterrupt:
        show(["Ended."])


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(live)
