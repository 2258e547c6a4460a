"""Tables as instruments and spreadsheets write them: lines, cells, numbers, and units in names of columns."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from pathlib import Path

from bronzeward.errors import InputError
from bronzeward.files import read_bytes
from bronzeward.units import HOUR, ZERO_CELSIUS

TIME_UNITS = {
    "ms": 1e-3, "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0,
    "m": 60.0, "min": 60.0, "mins": 60.0, "minute": 60.0, "minutes": 60.0,
    "h": HOUR, "hr": HOUR, "hrs": HOUR, "hour": HOUR, "hours": HOUR, "d": 86400.0, "days": 86400.0,
}  # fmt: skip
TEMPERATURE_UNITS = {
    "c": ("°C", 1.0, ZERO_CELSIUS), "celsius": ("°C", 1.0, ZERO_CELSIUS),
    "k": ("K", 1.0, 0.0), "kelvin": ("K", 1.0, 0.0),
    "f": ("°F", 5.0 / 9.0, 459.67 * 5.0 / 9.0), "fahrenheit": ("°F", 5.0 / 9.0, 459.67 * 5.0 / 9.0),
}  # fmt: skip

"""Name, scale and shift to K."""

LARGEST = 1e15
"""Numbers in a log at most."""

LONGEST_LINE = 100_000
"""Characters in a line of a log at most."""


def text_lines(path: Path) -> list[tuple[int, str]]:
    """Lines that are not empty, with their numbers from 1, in whichever of the usual codes the file is."""
    raw = read_bytes(path)
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        codes = ["utf-16"]
    else:
        codes = ["utf-8-sig", "cp1252"]
    for code in codes:
        try:
            text = raw.decode(code)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            lines = [(k, line) for k, line in enumerate(text.splitlines(), start=1) if line.strip()]
            for k, line in lines:
                if len(line) > LONGEST_LINE:
                    raise InputError(f"{path}: line {k} has {len(line)} characters; at most {LONGEST_LINE} are read")
            return lines
    raise InputError(f"{path}: not a text file")


def split_line(line: str, separator: str) -> list[str]:
    """Cells of a line; quotes hold separators together."""
    return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True))]


def unit_of(name: str) -> str:
    """The unit at the end of a column name: in brackets, or after _, / or a space."""
    match = re.search(r"(?:[\[(]\s*([^\])]*?)\s*[\])]|(?:_|/|\s|,|°)\s*°?([^_ \[\]()/,°]+))\s*$", name)
    text = name if match is None else (match[1] or match[2] or "")
    return re.sub(r"^(°|º|deg\.?|degrees?|in)\s*", "", text.strip().lower()).strip("°º ")


def cell(cells: Sequence[str], place: int) -> str:
    """Text of a cell; empty beyond the end of the row."""
    return cells[place].strip() if place < len(cells) else ""


def plain_number(text: str) -> float:
    """A number with a decimal point or comma, as written in any country; ValueError where it is none."""
    plain = text.replace("\u2212", "-").replace("\u00a0", "").replace(" ", "")
    comma, point = plain.rfind(","), plain.rfind(".")
    if comma > point:
        plain = plain.replace(".", "").replace(",", ".")
    elif comma >= 0:
        plain = plain.replace(",", "")
    return float(plain)
