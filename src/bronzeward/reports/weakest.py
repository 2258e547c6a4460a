"""The weakest of many sub-elements, in sentences."""

from __future__ import annotations

from collections.abc import Iterable
from math import sqrt

from bronzeward.model.answers import ANSWERS
from bronzeward.studies.optimise.limits import Limit
from bronzeward.studies.weakest import Weakest

CAUTION = (
    "Sub-elements count as independent in what is their own, as alike in all else, and as each the same all along its "
    "length. What cabling, bending and clamping do to a wound, compacted magnet is not in it."
)


def weakest_sentences(chances: Weakest, limit: Limit) -> list[str]:
    """One sub-element, then the weakest of a strand."""
    answer = ANSWERS[limit.answer]

    def of(quantiles: Iterable[float]) -> str:
        low, middle, high = (answer.number(float(value)) for value in quantiles)
        return f"{middle} {answer.shown_unit}, 5 to 95 % {low} to {high}"

    error = sqrt(max(chances.all_kept * (1.0 - chances.all_kept), 0.25 / chances.strands) / chances.strands)
    return [
        f"{limit.bound()} in any one sub-element: kept in {100 * chances.any_kept:.1f} of 100. {answer.title}: "
        f"{of(chances.any_one)}.",
        f"In the weakest of {chances.sub_elements}: kept in {100 * chances.all_kept:.1f} of 100 strands (+- "
        f"{100 * error:.1f}, {chances.strands} strands drawn). {answer.title}: {of(chances.weakest)}.",
        f"In the mean {chances.breaking:.2g} of the {chances.sub_elements} sub-elements of a strand break it.",
        chances.caveat,
    ]


def weakest_data(chances: Weakest, limit: Limit) -> dict[str, object]:
    """The same as plain data, SI units."""
    return {
        "sub_elements": chances.sub_elements,
        "strands_drawn": chances.strands,
        "limit": limit.bound(),
        "any_one_kept": chances.any_kept,
        "weakest_kept": chances.all_kept,
        "any_one": chances.any_one.tolist(),
        "weakest": chances.weakest.tolist(),
        "breaking_in_the_mean": chances.breaking,
        "bands_leave_out": chances.caveat,
    }
