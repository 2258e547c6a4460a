"""Doubts: each answer that decides under each alternative the model could have taken, one at a time.

A band says how answers spread with the numbers; this says how they move with what was assumed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from math import isfinite, nan
from typing import Any

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, case_from_json
from bronzeward.inputs.case_values import Value, case_with, value_at
from bronzeward.materials.doubt_data import Alternative, alternatives
from bronzeward.model.answers import DECISIVE
from bronzeward.model.batch import Progress, run_batch
from bronzeward.model.result import Result

LEFT_OUT = (
    "One alternative at a time, with the middle values of all constants. Left out: two alternatives together, and "
    "what no model here has: stress, cracks, incubation, a ternary compound at the niobium."
)

LEAST_SHARE = 1e-3
"""An answer that moves by less than this of its largest move does not move."""


@dataclass(frozen=True)
class Row:
    """An alternative, its answers in SI units by key, and how much it moves them: 1 the most of all, for every one."""

    name: str
    note: str
    answers: dict[str, float]
    moves: float


@dataclass(frozen=True)
class Doubts:
    """Answers of a case as it stands, and of its alternatives from the one that moves most."""

    title: str
    answers: dict[str, float]
    rows: tuple[Row, ...]

    def moving(self) -> list[Row]:
        """The alternatives that move anything."""
        return [row for row in self.rows if row.moves > LEAST_SHARE]

    def ends(self, key: str) -> tuple[float, float]:
        """Least and largest value of an answer over the case and all alternatives; nan where there is none."""
        every = (self.answers, *(row.answers for row in self.rows))
        values = [answers[key] for answers in every if isfinite(answers[key])]
        return (min(values), max(values)) if values else (nan, nan)

    def to_data(self) -> dict[str, object]:
        """As plain data; None where there is no such moment."""
        rows = [{"name": r.name, "note": r.note, "moves": r.moves, "answers": _plain(r.answers)} for r in self.rows]
        return {"title": self.title, "answers": _plain(self.answers), "alternatives": rows, "left_out": LEFT_OUT}


def _plain(answers: dict[str, float]) -> dict[str, float | None]:
    return {key: value if isfinite(value) else None for key, value in answers.items()}


def _numbers(answers: dict[str, float | None]) -> dict[str, float]:
    return {key: nan if value is None else float(value) for key, value in answers.items()}


def doubts_from_data(data: dict[str, Any]) -> Doubts:
    """What `Doubts.to_data` gave."""
    rows = (Row(row["name"], row["note"], _numbers(row["answers"]), row["moves"]) for row in data["alternatives"])
    return Doubts(data["title"], _numbers(data["answers"]), tuple(rows))


def doubts(case: Case, workers: int = 2, progress: Progress | None = None, precision: str = "run") -> Doubts:
    """The answers of `answers.DECISIVE` under each alternative of `databases/doubts.toml` that the case can take."""
    able = [(one, other) for one in alternatives() if (other := taking(case, one)) is not None]
    cases = [case, *(other for _, other in able)]
    answers = run_batch(cases, workers, progress, precision)
    answers_of_cases = [{key: float(answers[key][k]) for key in DECISIVE} for k in range(len(cases))]
    usual, *others = answers_of_cases
    shares = _shares(usual, others)
    rows = [
        Row(one.name, one.note, values, share) for (one, _), values, share in zip(able, others, shares, strict=True)
    ]
    return Doubts(case.title, usual, tuple(sorted(rows, key=lambda row: -row.moves)))


def taking(case: Case, alternative: Alternative) -> Case | None:
    """The case with an alternative; None where that is what it has, or cannot have."""
    inputs, values = case.to_data(), dict[str, Value]()
    for path, value in alternative.values:
        place = path.replace("strand.", "couple.") if case.strand.plane else path
        if path.startswith("kinetics.factors.") and not isinstance(value, str):
            value *= value_at(inputs, place) or 1.0
        values[place] = value
    try:
        other = case_with(inputs, values)
    except InputError:
        return None
    return None if other.to_data() == inputs else other


def _shares(usual: dict[str, float], others: list[dict[str, float]]) -> list[float]:
    """How much each alternative moves the answers: the mean of its move over the largest move of each answer."""
    shares = [0.0] * len(others)
    for key in DECISIVE:
        moves = [_move(usual[key], other[key]) for other in others]
        most = max((move for move in moves if isfinite(move)), default=0.0)
        for k, move in enumerate(moves):
            share = 1.0 if not isfinite(move) else move / most if most > 0.0 else 0.0
            shares[k] += share / len(DECISIVE)
    return shares


def _move(usual: float, other: float) -> float:
    """Infinite where one of two has no such moment."""
    if isfinite(usual) != isfinite(other):
        return float("inf")
    return abs(other - usual) if isfinite(usual) else 0.0


def with_doubts(result: Result, workers: int = 2, progress: Progress | None = None) -> Result:
    """The same result with its doubts, in the attribute `doubts`."""
    answer_doubts = doubts(case_from_json(str(result.attributes["inputs"])), workers, progress, "quick")
    return replace(result, attributes={**result.attributes, "doubts": json.dumps(answer_doubts.to_data())})


def doubts_of(result: Result) -> Doubts | None:
    """The doubts that a result carries."""
    stored = result.attributes.get("doubts")
    if not stored:
        return None
    try:
        return doubts_from_data(json.loads(str(stored)))
    except (ValueError, TypeError, KeyError, AttributeError):
        raise InputError("result: its attribute 'doubts' cannot be read") from None


__all__ = ["LEFT_OUT", "Doubts", "Row", "doubts", "doubts_of", "with_doubts"]
