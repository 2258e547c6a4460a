"""Values of a case by dotted path, such as `schedule.steps.0.ramp_C_per_h`: read, set, several at a time."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, case_from_data

Value = float | str

TEXTS = (
    "kinetics.set", "kinetics.file", "thermodynamics.description", "thermodynamics.eta_limit",
    "strand.void_place", "couple.void_place", "strand.barrier_metal", "strand.pack_transport",
    "strand.cavity_expansion",
)  # fmt: skip
"""Paths whose values may be names."""


@dataclass(frozen=True)
class Axis:
    """One value, or several that go together, and what it takes on.

    Attributes
    ----------
    paths : tuple of str
        Dotted paths in the case file; counting in lists begins at 0.
    values : tuple of float, or of str for the paths of `TEXTS`
    """

    paths: tuple[str, ...]
    values: tuple[Value, ...]

    def __post_init__(self) -> None:
        if not self.paths or not all(self.paths):
            raise InputError("sweep: a value to vary needs its path, such as strand.core_diameter_um")
        if self.is_text and not set(self.paths) <= set(TEXTS):
            raise InputError(f"sweep: {self.paths[0]} takes numbers; names only {', '.join(TEXTS)}")
        if not self.values or not all(isfinite(v) for v in self.values if not isinstance(v, str)):
            raise InputError(f"sweep: {self.paths[0]} has no values, or some that are not finite")
        if len(set(self.values)) != len(self.values):
            raise InputError(f"sweep: {self.paths[0]} takes a value twice")

    @property
    def is_text(self) -> bool:
        """Whether some values are names."""
        return any(isinstance(value, str) for value in self.values)

    @property
    def name(self) -> str:
        """Name of the dimension, made from the first path."""
        return short_name(self.paths[0])


def short_name(path: str) -> str:
    """A path without the table it begins with, points turned into underscores."""
    parts = path.split(".")
    if path == "kinetics.set":
        return "kinetic_set"
    return "_".join(parts[1:] if parts[0] in ("schedule", "strand", "couple", "kinetics") else parts)


def parse_axis(text: str) -> Axis:
    """An axis from text: PATH=1,2,5 or PATH=FROM:TO:COUNT, or PATH=FROM:TO:COUNT:log; PATH+PATH go together."""
    left, equals, right = text.partition("=")
    if not equals or not right.strip():
        raise InputError(f"sweep: '{text}'; expected PATH=1,2,5 or PATH=FROM:TO:COUNT")
    paths = tuple(part.strip() for part in left.split("+"))
    try:
        if ":" not in right:
            return Axis(paths, tuple(_value(part.strip(), paths) for part in right.split(",")))
        first, last, count, *scale = (part.strip() for part in right.split(":"))
        return Axis(paths, _range(float(first), float(last), int(count), scale))
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"sweep: '{right}' is neither numbers (1,2,5) nor a range (FROM:TO:COUNT)") from None


def _value(text: str, paths: Sequence[str]) -> Value:
    """A number; text where it is none and may stand there."""
    try:
        return float(text)
    except ValueError:
        if text and set(paths) <= set(TEXTS):
            return text
        raise


def _range(first: float, last: float, count: int, scale: Sequence[str]) -> tuple[float, ...]:
    if count < 2 or first == last:
        raise InputError("sweep: a range needs two different ends and a count of 2 or more")
    if list(scale) == ["log"]:
        if first <= 0 or last <= 0:
            raise InputError("sweep: a log range needs ends above 0")
        return tuple(first * (last / first) ** (k / (count - 1)) for k in range(count))
    if scale:
        raise InputError(f"sweep: '{scale[0]}' after a range; allowed: log")
    return tuple(first + (last - first) * k / (count - 1) for k in range(count))


def words(value: Value) -> str:
    """A value as it is shown."""
    return value if isinstance(value, str) else f"{value:g}"


def with_values(inputs: Mapping[str, object], values: Mapping[str, Value]) -> dict[str, Any]:
    """A copy of `inputs` with the values at some paths replaced."""
    changed = copy.deepcopy(dict(inputs))
    for path, value in values.items():
        _set(changed, path, value)
    return changed


def case_with(inputs: Mapping[str, object], values: Mapping[str, Value]) -> Case:
    """The case that `inputs` and some replaced values describe."""
    return case_from_data(with_values(inputs, values), Path())


def varied(case: Case, name: str, axis: Axis) -> dict[str, Case]:
    """The case once for each value of an axis, by `name` and the value; without its title, which may tell another."""
    inputs, last = {**case.to_data(), "title": ""}, axis.paths[0].rpartition(".")[2]
    return {f"{name}, {last} {v:g}": case_with(inputs, dict.fromkeys(axis.paths, v)) for v in axis.values}


def value_at(inputs: Mapping[str, object], path: str) -> float | None:
    """The number at a path; None where there is none."""
    value: Any = inputs
    for part in path.split("."):
        if isinstance(value, Mapping):
            value = value.get(part)
        elif isinstance(value, list) and _is_place(value, part):
            value = value[int(part)]
        else:
            return None
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _set(data: dict[str, Any], path: str, value: Value) -> None:
    *way, last = path.split(".")
    if path in ("kinetics.set", "kinetics.file"):  # in place of whatever constants there are; factors stay
        data["kinetics"] = {key: part for key, part in data.get("kinetics", {}).items() if key == "factors"}
    holder: Any = data
    for part in way:
        holder = holder.setdefault(part, {}) if isinstance(holder, dict) else _item(holder, part, path)
    if isinstance(holder, list):
        holder[_index(holder, last, path)] = value
    elif isinstance(holder, dict):
        if isinstance(holder.get(last), dict | list):
            raise InputError(f"path '{path}': names a table, not a value")
        counts = last.endswith("cells") and isinstance(holder.get(last), int) and not isinstance(value, str)
        holder[last] = int(value) if counts and float(value).is_integer() else value
    else:
        raise InputError(f"path '{path}': nothing to set there")


def _item(holder: object, part: str, path: str) -> object:
    if not isinstance(holder, list):
        raise InputError(f"path '{path}': '{part}' lies inside a plain value")
    return holder[_index(holder, part, path)]


def _is_place(holder: list[Any], part: str) -> bool:
    return part.isdecimal() and len(part) < 10 and int(part) < len(holder)


def _index(holder: list[object], part: str, path: str) -> int:
    if not _is_place(holder, part):
        raise InputError(f"path '{path}': '{part}' must be a number from 0 to {len(holder) - 1}")
    return int(part)
