"""Pages to hand on: a single HTML file each, readable on a phone and on paper.

Nothing is fetched and nothing is run: figures are pictures inside the file, and the page itself forbids
anything else. Layout and words that never change are in `templates`, one style sheet serves all pages.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from jinja2 import Environment, FileSystemLoader, StrictUndefined

import bronzeward
from bronzeward.errors import InputError
from bronzeward.plots.picture_file import encode

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_TEMPLATES = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
)  # fmt: skip


class Table(NamedTuple):
    """Heads and rows of a table; without heads where all of them are empty."""

    columns: Sequence[str]
    rows: Sequence[Sequence[str]]


class Picture(NamedTuple):
    """A picture inside a page: its data as an address, size [px], what it shows in words, caption."""

    source: str
    width: int
    height: int
    alt: str
    caption: str


def picture(drawing: Figure | Axes, alt: str, caption: str) -> Picture:
    """A figure, or that of some axes, as a picture inside a page."""
    data = b64encode(encode(drawing, "svg")).decode("ascii")
    page = drawing.figure.bbox
    width, height = (round(96 / drawing.figure.dpi * side) for side in (page.width, page.height))
    return Picture(f"data:image/svg+xml;base64,{data}", width, height, alt, caption)


def rendered(template: str, **values: Any) -> str:
    """A page from its template; every value is escaped."""
    return _TEMPLATES.get_template(template).render(version=bronzeward.__version__, **values)


def page_target(path: str | Path, what: str) -> Path:
    """The name of a page.

    Raises
    ------
    InputError
        When it does not end in .html.
    """
    target = Path(path)
    if target.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"{target}: a {what} ends in .html")
    return target
