"""Every check computed: the rows of `databases/checks.csv`, then the closed forms.

A row that is known to miss says so in its note, and is shown as a miss.
"""

from __future__ import annotations

from bronzeward.validation.check import Check, read_checks
from bronzeward.validation.closed_forms import closed_forms as computed_closed_forms
from bronzeward.validation.laboratory import Laboratory
from bronzeward.validation.outcome import Outcome
from bronzeward.validation.recipes import NEVER_COMPUTED, recipe_for
from bronzeward.validation.stated_band import stated


def validate(description: str = "cu-sn-shim1996", closed_forms: bool = True) -> list[Outcome]:
    """Every check of checks.csv, then the closed forms, computed with a thermodynamic description."""
    laboratory = Laboratory(description)
    outcomes = [compute(check, laboratory) for check in read_checks()]
    if closed_forms:
        outcomes += computed_closed_forms(laboratory)
    return outcomes


def compute(check: Check, laboratory: Laboratory) -> Outcome:
    """What the program gives for one row of checks.csv."""
    if check.id in NEVER_COMPUTED:
        return Outcome(check, None, NEVER_COMPUTED[check.id])
    recipe = recipe_for(check)
    if recipe is None:
        return Outcome(check, None, f"no recipe for the topic {check.topic}")
    try:
        answer = recipe(check, laboratory)
    except LookupError as error:
        return Outcome(check, None, str(error.args[0]) if error.args else "not found")
    value, remark = answer if isinstance(answer, tuple) else (answer, "")
    return Outcome(check, float(value), remark, stated(check, float(value), laboratory))
