"""Pages to hand on: a single HTML file each, readable on a phone and on paper.

Nothing is fetched: figures are pictures inside the file, the one script a page may have lies in it too, and the page
itself forbids anything else. Layout and words that never change are in `templates`, one style sheet serves all pages.
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from jinja2 import Environment, FileSystemLoader, StrictUndefined

import bronzeward
from bronzeward.errors import InputError
from bronzeward.plots import style
from bronzeward.plots.picture_file import encode
from bronzeward.visible_text import visible

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

TEMPLATES = Path(__file__).parent / "templates"


def _finalized(value: object) -> object:
    return visible(value) if type(value) is str else value


_TEMPLATES = Environment(
    loader=FileSystemLoader(TEMPLATES),
    autoescape=True, finalize=_finalized, undefined=StrictUndefined,
    trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
)  # fmt: skip
_TEMPLATES.globals["style"] = style


class Table(NamedTuple):
    """Heads and rows of a table; without heads where all of them are empty."""

    columns: Sequence[str]
    rows: Sequence[Sequence[str]]


class Span(NamedTuple):
    """Where time runs across a picture: its hours at the left and right end, and the ends in % of width and height."""

    first: float
    last: float
    left: float
    right: float
    top: float
    bottom: float


class Picture(NamedTuple):
    """A picture inside a page: its data as an address, size [px], what it shows in words, caption, its times."""

    source: str
    width: int
    height: int
    alt: str
    caption: str
    span: Span | None = None


class Script(NamedTuple):
    """A script of a page, and the digest by which the page allows it."""

    text: str
    digest: str


def script(name: str) -> Script:
    """A script from `templates`."""
    text = (TEMPLATES / name).read_text(encoding="utf-8")
    return Script(text, f"sha256-{b64encode(sha256(text.encode()).digest()).decode('ascii')}")


def picture(drawing: Figure | Axes, alt: str, caption: str, over_time: bool = False) -> Picture:
    """A figure, or that of some axes, as a picture inside a page."""
    data = b64encode(_rounded(encode(drawing, "svg"))).decode("ascii")
    page = drawing.figure.bbox
    width, height = (round(96 / drawing.figure.dpi * side) for side in (page.width, page.height))
    span = None
    if over_time:
        places = [ax.get_position() for ax in drawing.figure.axes if ax.axison]
        upper = places[0]
        lower = [place for place in places if (place.x0, place.x1) == (upper.x0, upper.x1)][-1]  # small ones are below
        edges = (upper.x0, upper.x1, 1.0 - upper.y1, lower.y0)
        span = Span(*drawing.figure.axes[0].get_xlim(), *(100.0 * edge for edge in edges))
    return Picture(f"data:image/svg+xml;base64,{data}", width, height, alt, caption, span)


def _rounded(svg: bytes) -> bytes:
    """The same with paths to a hundredth of a point, which is half as long and looks the same."""
    return re.sub(rb'(?<= d=")[^"]*', lambda path: re.sub(rb"(\.\d\d)\d+", rb"\1", path[0]), svg)


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
