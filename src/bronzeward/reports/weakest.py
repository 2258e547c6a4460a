"""The weakest of many sub-elements, in sentences."""

from __future__ import annotations

from math import sqrt
from typing import Any

from bronzeward.model.answers import ANSWERS
from bronzeward.studies.optimise.limits import Limit
from bronzeward.studies.weakest import Weakest

CAUTION = (
    "Sub-elements count as independent in what is their own, as alike in all else, and as each the same all along its "
    "length. What cabling, bending and clamping do to a wound, compacted magnet is not in it."
)


def weakest_sentences(found: Weakest, limit: Limit) -> list[str]:
    """One sub-element, then the weakest of a strand."""
    answer = ANSWERS[limit.answer]

    def of(quantiles: Any) -> str:
        low, middle, high = (answer.number(float(value)) for value in quantiles)
        return f"{middle} {answer.shown_unit}, 5 to 95 % {low} to {high}"

    error = sqrt(max(found.all_kept * (1.0 - found.all_kept), 0.25 / found.strands) / found.strands)
    return [
        f"{limit.bound()} in any one sub-element: kept in {100 * found.any_kept:.1f} of 100. {answer.title}: "
        f"{of(found.any_one)}.",
        f"In the weakest of {found.sub_elements}: kept in {100 * found.all_kept:.1f} of 100 strands (+- "
        f"{100 * error:.1f}, {found.strands} strands drawn). {answer.title}: {of(found.weakest)}.",
        f"In the mean {found.breaking:.2g} of the {found.sub_elements} sub-elements of a strand break it.",
        found.caveat,
    ]


def weakest_data(found: Weakest, limit: Limit) -> dict[str, Any]:
    """The same as plain data, SI units."""
    return {
        "sub_elements": found.sub_elements,
        "strands_drawn": found.strands,
        "limit": limit.bound(),
        "any_one_kept": found.any_kept,
        "weakest_kept": found.all_kept,
        "any_one": found.any_one.tolist(),
        "weakest": found.weakest.tolist(),
        "breaking_in_the_mean": found.breaking,
        "bands_leave_out": found.caveat,
    }
