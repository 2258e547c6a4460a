"""Every check computed once for all tests of a process."""

from __future__ import annotations

from functools import cache

from bronzeward.validation import validate
from bronzeward.validation.outcome import Outcome


@cache
def outcomes() -> dict[str, Outcome]:
    """Outcomes by the id of their check."""
    return {outcome.check.id: outcome for outcome in validate.validate()}
