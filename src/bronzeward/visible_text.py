"""Text as it may reach a terminal, a page or a picture: what commands these or turns a line round is written out."""

from __future__ import annotations

import re

_UNSEEN = (
    "\x00-\x08\x0b-\x1f\x7f-\x9f"  # control characters but tabs and ends of lines; a terminal takes them as commands
    "\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069"  # marks that turn the direction of writing
    "\u00ad\u180e\u200b\u2060-\u2065\u206a-\u206f\ufeff\ufff9-\ufffb"  # letters without a width
    "\u2028\u2029"  # ends of lines that are none in a file
)
_WITHIN_TEXT, _WITHIN_LINE = re.compile(f"[{_UNSEEN}]"), re.compile(f"[{_UNSEEN}\t\n]")


def visible(text: str) -> str:
    r"""A text with its control characters and unseen marks written out, as \x1b and \u202e; lines and tabs stay."""
    return _WITHIN_TEXT.sub(_escaped, text)


def visible_line(text: str) -> str:
    r"""The same of a text that is one line: also ends of lines and tabs are written out, as \n and \t."""
    return _WITHIN_LINE.sub(_escaped, text)


def one_line(text: object) -> str:
    """A text, of several lines perhaps, as one line to show."""
    return visible_line(" ".join(str(text).split()))


def has_unseen(text: str, line: bool = False) -> bool:
    """Whether a text, or a text that is to be one line, has anything that would be written out."""
    return bool((_WITHIN_LINE if line else _WITHIN_TEXT).search(text))


def json_visible(text: str) -> str:
    r"""A JSON text in which such characters, which stand in strings only, are written as JSON has it, \u001b."""
    return _WITHIN_TEXT.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def _escaped(found: re.Match[str]) -> str:
    return found[0].encode("unicode_escape").decode("ascii")
