"""The command on counts of leaks, and on the weakest of many sub-elements."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bronzeward.cli.common import JsonOption, QuietOption, SeedOption, WorkersOption, show, show_json
from bronzeward.cli.waiting import progress

if TYPE_CHECKING:
    from bronzeward.studies.ensemble import Spread


def lengths(
    each: Annotated[
        float | None, typer.Option("--each", metavar="METRES", help="How long each tested length is.")
    ] = None,
    tested: Annotated[int | None, typer.Option("--tested", metavar="N", help="Lengths that were tested.")] = None,
    leaks: Annotated[int, typer.Option("--leaks", metavar="K", help="How many of them leaked.")] = 0,
    confidence: Annotated[
        float, typer.Option("--confidence", metavar="PERCENT", help="With which limits hold, one-sided.")
    ] = 95.0,
    metres: Annotated[
        float | None, typer.Option("--metres", metavar="METRES", help="Length of a strand: the chance that none leaks.")
    ] = None,
    strands: Annotated[int, typer.Option("--strands", metavar="N", help="Strands of a cable, each so long.")] = 1,
    rate: Annotated[
        float | None,
        typer.Option("--show", metavar="LEAKS_PER_KM", help="How many lengths must be tight to show this."),
    ] = None,
    against: Annotated[
        tuple[int, int] | None,
        typer.Option("--against", metavar="N K", help="Another count: N tested, K of them leaked."),
    ] = None,
    against_each: Annotated[
        float | None, typer.Option("--against-each", metavar="METRES", help="Its lengths. Default: as long as these.")
    ] = None,
    sub_elements: Annotated[
        int | None, typer.Option("--sub-elements", metavar="N", help="In a strand: how its weakest keeps a limit.")
    ] = None,
    case: Annotated[
        Path | None, typer.Option("--case", metavar="CASE.toml", help="Of a sub-element; needs --sub-elements.")
    ] = None,
    keep: Annotated[
        str | None, typer.Option("--keep", metavar="LIMIT", help="As bore_overfill_at_first_liquid<=1.")
    ] = None,
    core_spread: Annotated[
        float, typer.Option("--core-spread", metavar="PERCENT", help="Of core diameters, one sub-element to another.")
    ] = 0.0,
    eccentricity: Annotated[
        float, typer.Option("--eccentricity", metavar="PERCENT", help="Of the cores' offsets, of the wall.")
    ] = 0.0,
    furnace: Annotated[
        float, typer.Option("--furnace", metavar="KELVIN", help="Of the furnace temperature, one strand to another.")
    ] = 0.0,
    members: Annotated[int, typer.Option("--members", metavar="N", help="Strands drawn.")] = 60,
    seed: SeedOption = 1,
    workers: WorkersOption = 2,
    quiet: QuietOption = False,
    json: JsonOption = False,
) -> None:
    """Say what leak tests on short lengths prove: limits with a stated confidence, and whether two counts differ.

    Example: bronzeward lengths --tested 1500 --each 0.15 --leaks 0 --metres 500 --strands 40

    Or, of the weakest of many sub-elements, each with a core of its own: bronzeward lengths --sub-elements 61
    --case starter.toml --keep bore_overfill_at_first_liquid<=1.5 --core-spread 3 --eccentricity 10
    """
    from bronzeward.errors import InputError

    if sub_elements is not None:
        if tested is not None or rate is not None or case is None or keep is None:
            raise InputError("lengths: --sub-elements needs --case and --keep, and stands alone")
        from bronzeward.studies.ensemble import Spread

        spread = Spread(
            size=members, seed=seed, core_diameter=core_spread / 100.0, eccentricity=eccentricity / 100.0,
            furnace_offset=furnace,
        )  # fmt: skip
        _weakest(case, keep, sub_elements, spread, workers, quiet, json)
        return
    _refuse_without({
        "--case": (case is not None, False), "--keep": (keep is not None, False),
        "--core-spread": (bool(core_spread), False),
    })  # fmt: skip
    if each is None:
        raise InputError("lengths: give --each, how long the tested lengths are, or --sub-elements")
    if tested is None and rate is None:
        raise InputError("lengths: give --tested, for what a test proves, or --show, for how much one must test")
    has_tests = tested is not None
    if strands < 1:
        raise InputError(f"lengths: {strands} strands; there must be 1 or more")
    _refuse_without({
        "--leaks": (leaks != 0, has_tests), "--metres": (metres is not None, has_tests),
        "--strands": (strands > 1, metres is not None), "--against": (against is not None, has_tests),
        "--against-each": (against_each is not None, against is not None),
    })  # fmt: skip
    sure = confidence / 100.0
    data: dict[str, object] = {"schema": "bronzeward/lengths/1", "confidence": sure, "each_m": each}
    lines: list[str] = []
    if tested is not None:
        far = None if metres is None else (metres, strands)
        other = None if against is None else (against[0], each if against_each is None else against_each, against[1])
        lines, proved = _proved((tested, each, leaks), sure, far, other)
        data |= proved
    if rate is not None:
        line, needed = _needed(rate * 1e-3, each, sure)
        lines.append(line)
        data |= needed
    _tell(lines, data, quiet, json)


def _refuse_without(options: dict[str, tuple[bool, bool]]) -> None:
    """Refuse options that are given without what they need; by name (given, there is what it needs)."""
    from bronzeward.errors import InputError

    for name, (given, is_there) in options.items():
        if given and not is_there:
            raise InputError(f"lengths: {name} needs {_NEEDED.get(name, '--sub-elements')}")


def _needed(rate: float, each: float, sure: float) -> tuple[str, dict[str, object]]:
    """Sentence and data on how many lengths must be tight to show a rate [1/m]."""
    from bronzeward.reports.leak_counts import on_needed
    from bronzeward.studies.leak_counts import lengths_needed

    count = lengths_needed(each, rate, sure)
    return on_needed(rate, each, count, sure), {"show_leaks_per_metre": rate, "tested_needed": count}


def _tell(lines: list[str], data: dict[str, object], quiet: bool, json: bool) -> None:
    from bronzeward.reports.leak_counts import CAUTION

    if json:
        show_json({**data, "caution": CAUTION})
    elif not quiet:
        show([*lines, "", CAUTION])


def _proved(
    counted: tuple[int, float, int], sure: float, far: tuple[float, int] | None, other: tuple[int, float, int] | None
) -> tuple[list[str], dict[str, object]]:
    """Sentences and data on one count (tested, each, leaks), for strands of a length, and against another count."""
    from bronzeward.reports import leak_counts as reports
    from bronzeward.studies.leak_counts import Count, chance_of_none, difference, limits

    count = Count(*counted)
    most = limits(count, sure)
    lines = [*reports.sentences(count, most, sure)]
    data: dict[str, object] = {
        "tested": count.tested,
        "leaks": count.leaks,
        "share_leaking_at_most": most.share,
        "leaks_per_metre_at_most": most.per_metre,
        "leaks_per_metre_counted_once_at_most": most.per_metre_counted_once,
    }
    if far is not None:
        metres, strands = far
        one, cable = (chance_of_none(count, sure, length) for length in (metres, metres * strands))
        lines += reports.on_strands(metres, one, strands, cable)
        data |= {"metres": metres, "strands": strands}
        data |= {"strand_without_leak_at_least": one, "cable_without_leak_at_least": cable}
    if other is not None:
        against = Count(*other)
        between = difference(count, against)
        lines += reports.on_difference(count, against, between)
        data |= {
            "against": {"tested": against.tested, "leaks": against.leaks, "each_m": against.each},
            "p_value": between.p_value,
            "p_value_lengths": between.lengths,
            "p_value_metres": between.metres,
        }
    return lines, data


def _weakest(case: Path, keep: str, sub_elements: int, spread: Spread, workers: int, quiet: bool, json: bool) -> None:
    from bronzeward.inputs.case import load_case
    from bronzeward.reports.weakest import CAUTION, weakest_data, weakest_sentences
    from bronzeward.studies.optimise.limits import parse_limit
    from bronzeward.studies.weakest import weakest

    limit = parse_limit(keep)
    with progress(quiet) as watch:
        chances = weakest(load_case(case), limit, sub_elements, spread, workers, watch)
    if json:
        show_json({"schema": "bronzeward/weakest/1", **weakest_data(chances, limit), "caution": CAUTION})
    elif not quiet:
        show([*weakest_sentences(chances, limit), "", CAUTION])


_NEEDED = {
    "--leaks": "--tested",
    "--metres": "--tested",
    "--strands": "--metres, the length of each",
    "--against": "--tested",
    "--against-each": "--against",
}


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(lengths)
