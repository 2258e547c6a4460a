"""The terminal: streams that are there, letters that it can show, lines as wide as it is."""

from __future__ import annotations

import codecs
import os
import shutil
import sys
import textwrap
from collections.abc import Iterable

_PLAIN = {
    "α": "alpha", "β": "beta", "γ": "gamma", "δ": "delta", "ε": "epsilon", "ζ": "zeta", "η": "eta", "σ": "sigma",
    "τ": "tau", "µ": "u", "μ": "u", "°": "", "−": "-", "–": "-", "→": "->", "≤": "<=", "≥": ">=", "×": "x", "±": "+-",
    "½": "1/2", "²": "2", "³": "3", "′": "'", "…": "...", "\u00a0": " ",
    **{chr(0x2080 + digit): str(digit) for digit in range(10)},
}  # fmt: skip
"""How letters are written where a terminal does not have them; all others as \\x..."""


def _readable(error: UnicodeError) -> tuple[str, int]:
    """What stands in place of letters that cannot be shown: a handler of errors for codecs."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    letters = error.object[error.start : error.end]
    return "".join(_PLAIN.get(letter) or _escaped(letter) for letter in letters), error.end


def _escaped(letter: str) -> str:
    if letter in _PLAIN:
        return ""
    byte = ord(letter) - 0xDC00
    # a byte of a file name that is no text in the system's code
    return f"\\x{byte:02x}" if 0x80 <= byte <= 0xFF else letter.encode("ascii", "backslashreplace").decode()


def prepare_streams() -> None:
    """Open the streams that are closed to nowhere, and let none stumble over a letter."""
    codecs.register_error("bronzeward-readable", _readable)
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest number that is free: this one
        if getattr(sys, name) is None:
            setattr(sys, name, open(number, "r+" if number else "r", encoding="utf-8", closefd=False))
        if number and hasattr(stream := getattr(sys, name), "reconfigure"):
            stream.reconfigure(errors="bronzeward-readable")


def silence(stream_name: str) -> None:
    """Send what is still to be written to a stream nowhere: nobody can read it any more."""
    stream = getattr(sys, stream_name)
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    except (OSError, ValueError):  # not a stream of the system
        setattr(sys, stream_name, open(os.devnull, "w", encoding="utf-8"))


def can_show(text: str) -> bool:
    """Whether standard output has all letters of a text."""
    try:
        text.encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def broken(lines: Iterable[str], stream_name: str = "stdout") -> list[str]:
    """Lines broken to the width of a terminal; where a stream goes to a file or a pipe, as they are."""
    if not getattr(sys, stream_name).isatty():
        return list(lines)
    width = max(20, shutil.get_terminal_size().columns)
    return [part for line in lines for part in _broken(line, width)]


def _broken(line: str, width: int) -> list[str]:
    if len(line) <= width:
        return [line]
    indent = " " * min(len(line) - len(line.lstrip()) + 2, width // 2)
    return textwrap.wrap(line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False) or [""]
