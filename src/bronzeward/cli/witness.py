"""The command that says which quench samples are worth making."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bronzeward.cli.common import (
    JsonOption,
    MembersOption,
    OverwriteOption,
    QuietOption,
    SeedOption,
    WorkersOption,
    check_targets,
    show,
    show_block,
    show_json,
)
from bronzeward.cli.waiting import progress


def witness(
    case: Annotated[Path, typer.Argument(metavar="CASE.toml", help="Case file: the schedule that is planned.")],
    answer: Annotated[str, typer.Option("--for", metavar="ANSWER", help="The answer that should be known better.")],
    keep: Annotated[
        list[str] | None,
        typer.Option("--keep", metavar="LIMIT", help="Also say how sure one would be of it: ANSWER<=VALUE@PERCENT."),
    ] = None,
    temperatures: Annotated[
        str, typer.Option("--anneal-at", metavar="C,C,...", help="Temperatures of anneals that could be made.")
    ] = "150,180,210,250,300,350,400",
    hours: Annotated[str, typer.Option("--anneal-for", metavar="H,H,...", help="How long they could last.")] = "1,4,24",
    readings: Annotated[int, typer.Option("--readings", metavar="N", help="Readings of each layer.")] = 12,
    reading_scatter: Annotated[
        float, typer.Option("--reading-scatter", metavar="PERCENT", help="Standard deviation of one reading.")
    ] = 20.0,
    model_scatter: Annotated[
        float, typer.Option("--model-scatter", metavar="PERCENT", help="Of thicknesses, that the model itself has.")
    ] = 5.0,
    members: MembersOption = 200,
    seed: SeedOption = 1,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="OUT.nc", help="Store everything as netCDF.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option("--figure", metavar="FIGURE", help="Draw what each sample leaves of the band.")
    ] = None,
    sections: Annotated[
        Path | None, typer.Option("--sections", metavar="FIGURE", help="Draw what the best pair should show.")
    ] = None,
    layers: Annotated[
        Path | None, typer.Option("--layers", metavar="LAYERS.csv", help="Write a file to fill in for `fit`.")
    ] = None,
    workers: WorkersOption = 2,
    overwrite: OverwriteOption = False,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Say which quench samples would narrow an answer most, what to measure, and what they should look like.

    Samples may be quenched out of the planned schedule, or annealed at one temperature.

    Example: bronzeward witness starter.toml --for shell_at_first_liquid --keep overfill_at_first_liquid<=0@95
    --figure witness.png --sections look.png --layers layers.csv
    """
    from bronzeward.errors import InputError
    from bronzeward.inputs.case import load_case
    from bronzeward.model.dataset_file import write_dataset
    from bronzeward.plots.picture_file import save
    from bronzeward.plots.witness import draw_looks, plot_witness
    from bronzeward.reports.witness import witness_data, witness_report
    from bronzeward.reports.witness_layers import case_paths, write_layers
    from bronzeward.studies import witness as study
    from bronzeward.studies.ensemble import Spread
    from bronzeward.studies.optimise.limits import parse_limit
    from bronzeward.studies.witness_samples import samples_of

    def listed(text: str, name: str) -> list[float]:
        try:
            return [float(part) for part in text.split(",") if part.strip()]
        except ValueError:
            raise InputError(f"witness: {name} is '{text}'; expected numbers, as in 180,210") from None

    chosen = load_case(case)
    check_targets(
        (output, "netCDF"), (figure, "a picture"), (sections, "a picture"), (layers, "CSV"),
        *((path, "TOML") for path in (case_paths(layers) if layers else ())), overwrite=overwrite,
    )  # fmt: skip
    limits = [parse_limit(text) for text in keep or []]
    anneals = listed(temperatures, "--anneal-at"), listed(hours, "--anneal-for")
    scatters = (reading_scatter / 100.0, study.CORE_SCATTER, model_scatter / 100.0)
    spread = Spread.usual(members, seed)
    with progress(quiet) as watch:
        data = study.witness(
            chosen, answer, limits, *anneals, readings, scatters, spread, workers=workers, progress=watch
        )
    if output is not None:
        write_dataset(data, output, overwrite)
    if figure is not None:
        save(plot_witness(data), figure, overwrite)
    if sections is not None:
        save(draw_looks(study.looks(chosen, data, *anneals)), sections, overwrite)
    written = [] if layers is None else write_layers(chosen, data, samples_of(chosen, *anneals)[1], layers, overwrite)
    if json:
        show_json(witness_data(data))
    elif not quiet:
        show_block(witness_report(data))
        show(f"Case of a sample written to {path}" for path in written[:-1])
        show(f"To be filled in for `fit`: {path}" for path in written[-1:])


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(witness)
