"""The validation as plain text and as data."""

from __future__ import annotations

from collections.abc import Sequence

from bronzeward.validation.outcome import (
    HOLDS,
    INFORMATION,
    MISSES,
    NOT_COMPUTED,
    Outcome,
    by_kind,
    by_topic,
    counts,
    in_bands,
)
from bronzeward.validation.stated_band import GROUPS


def validation_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """What the command prints: topics, misses, what is not computed, the summary."""
    lines = [*topic_lines(outcomes), "", *kind_lines(outcomes), ""]
    for outcome in outcomes:
        check = outcome.check
        if outcome.verdict == MISSES and outcome.computed is not None:
            known = "known miss" if check.known_miss else "UNEXPECTED MISS"
            lines.append(
                f"{known}: {check.id}: {short(outcome.computed)} against {short(check.value)} {check.unit}"
                f" ({check.source or check.grade})"
            )
        elif outcome.verdict == HOLDS and not outcome.expected:
            lines.append(f"UNEXPECTED: {check.id} holds, though its note says that it misses")
    missing = [f"{o.check.id} ({o.remark})" for o in outcomes if o.verdict == NOT_COMPUTED]
    return [
        *lines,
        *(f"not computed: {line}" for line in missing),
        "",
        validation_summary(outcomes),
        band_line(outcomes),
    ]


def topic_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """Topics with how many checks hold and miss."""
    lines = [f"{'topic':<22} {'checks':>6} {'hold':>5} {'miss':>5}  middle deviation over tolerance"]
    for topic in by_topic(outcomes):
        middle = "" if topic.deviation is None else short(topic.deviation)
        lines.append(f"{topic.name:<22} {topic.checks:>6} {topic.holding:>5} {topic.missing:>5}  {middle}")
    return lines


def kind_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """Kinds of checks, with how many hold, miss and were seen in memory only."""
    lines = [f"{'kind':<22} {'checks':>6} {'hold':>5} {'miss':>5}  from memory"]
    lines += [f"{k.name:<22} {k.checks:>6} {k.holding:>5} {k.missing:>5}  {k.remembered}" for k in by_kind(outcomes)]
    return lines


def band_line(outcomes: Sequence[Outcome]) -> str:
    """One line: published values inside the band that the program states for them, all and by what they are of."""
    inside, judged = in_bands(outcomes)
    parts = []
    for group in dict.fromkeys(GROUPS.values()):
        held, all_of_it = in_bands([o for o in outcomes if GROUPS.get(o.check.topic) == group])
        parts += [f"{held} of {all_of_it} {group}"] if all_of_it else []
    apart = f": {', '.join(parts)}" if parts else ""
    return f"{inside} of {judged} published values lie inside the 90 % band stated for what is computed{apart}."


def validation_summary(outcomes: Sequence[Outcome]) -> str:
    """One line."""
    n = counts(outcomes)
    return (
        f"{len(outcomes)} checks: {n[HOLDS]} hold, {n[MISSES]} miss, {n[INFORMATION]} shown for information, "
        f"{n[NOT_COMPUTED]} not computed; {n['unexpected']} not as expected."
    )


def validation_data(outcomes: Sequence[Outcome]) -> dict[str, object]:
    """All outcomes as plain data for other tools."""
    rows = [
        {
            **vars(o.check), "computed": o.computed, "deviation": o.deviation, "deviation_over_tolerance": o.scaled,
            "verdict": o.verdict, "expected": o.expected, "remark": o.remark,
            "band_90_percent": o.band, "in_band": o.in_band,
        }
        for o in outcomes
    ]  # fmt: skip
    kinds = [kind._asdict() for kind in by_kind(outcomes)]
    return {"schema": "bronzeward/validation/1", "counts": counts(outcomes), "kinds": kinds, "checks": rows}


def short(number: float | None) -> str:
    """A number with four figures; nothing where there is none."""
    return "" if number is None else f"{number:.4g}"
