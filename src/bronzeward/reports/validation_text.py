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
        *(f"not counted inside bands: {line}" for line in left_out_lines(outcomes)),
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
    """One line: published values inside the bands that are to hold them, all and by what they are of."""
    held = in_bands(outcomes)
    values, inside = sum(group.values for group in held), sum(group.inside for group in held)
    parts = ", ".join(f"{group.inside} of {group.values} {group.name}" for group in held)
    return (
        f"{inside} of {values} published values lie inside the 90 % band that is to hold them, the spread stated for "
        f"what is computed together with the value's own error{f': {parts}' if parts else ''}. "
        f"Without that error {sum(group.inside_alone for group in held)} do."
    )


def left_out_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """Values that have a band and are not counted among those inside, each with the reason."""
    return [f"{o.check.id}: {o.stated.left_out}" for o in outcomes if o.stated and o.stated.left_out]


def held_rows(outcomes: Sequence[Outcome]) -> list[tuple[str, ...]]:
    """Rows of `HELD_HEAD`: groups of published values, and whether their spreads are right."""
    return [
        (
            held.name, f"{held.values}", f"{held.inside}", f"{held.inside_alone}", f"{held.square:.2f}",
            f"{held.least:.2f} to {held.most:.2f}", f"{held.farthest}, {held.rest:.2f}",
        )
        for held in in_bands(outcomes)
    ]  # fmt: skip


HELD_HEAD = (
    "published values", "counted", "inside", "without own error", "mean square", "by chance",
    "farthest, mean square without it",
)  # fmt: skip


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
            "band_90_percent": o.stated and o.stated.band, "in_band": o.in_band,
            "band_90_percent_alone": o.stated and o.stated.alone, "in_band_alone": o.in_band_alone,
            "score": o.stated and o.stated.score, "not_counted": o.stated.left_out if o.stated else "",
        }
        for o in outcomes
    ]  # fmt: skip
    kinds = [kind._asdict() for kind in by_kind(outcomes)]
    return {"schema": "bronzeward/validation/1", "counts": counts(outcomes), "kinds": kinds, "checks": rows}


def short(number: float | None) -> str:
    """A number with four figures; nothing where there is none."""
    return "" if number is None else f"{number:.4g}"
