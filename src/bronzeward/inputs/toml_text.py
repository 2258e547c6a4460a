"""Plain data written as TOML: what a case file and a kinetic file need, nothing more."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any


def toml_text(data: Mapping[str, Any]) -> str:
    """TOML of a mapping: its values first, then its tables, then its arrays of tables.

    >>> print(toml_text({"title": "a", "strand": {"core_diameter_um": 24.0}}))
    title = "a"
    <BLANKLINE>
    [strand]
    core_diameter_um = 24.0
    <BLANKLINE>
    """
    return "\n".join(_lines(data, ())).lstrip("\n") + "\n"


def _lines(data: Mapping[str, Any], name: tuple[str, ...]) -> list[str]:
    tables = {key: value for key, value in data.items() if isinstance(value, Mapping)}
    arrays = {key: value for key, value in data.items() if _is_rows(value) and key != "steps"}
    plain = _pairs({key: value for key, value in data.items() if key not in tables and key not in arrays})
    head = ["", f"[{'.'.join(map(_key, name))}]"] if name and (plain or not data) else []
    lines = [*head, *plain]
    for key, value in tables.items():
        lines += _lines(value, (*name, key))
    for key, rows in arrays.items():
        for row in rows:
            lines += ["", f"[[{'.'.join(map(_key, (*name, key)))}]]"]
            lines += _pairs(row)
    return lines


def _pairs(data: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in data.items() if value is not None]


def _is_rows(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(isinstance(row, Mapping) for row in value)


def _key(key: str) -> str:
    return key if key.replace("_", "").replace("-", "").isalnum() and key.isascii() else json.dumps(key)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(float(value))
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    if _is_rows(value):
        return "[\n" + "".join(f"    {_value(row)},\n" for row in value) + "]"
    return "[" + ", ".join(_value(item) for item in value) + "]"
