"""How every drawing of the project looks: one colour and one hatch per phase, one font, few sizes.

The colours were searched for, not chosen by eye: any two differ by 20 or more in CIE L*a*b*, also as
seen with each of the three forms of colour blindness, and phases that lie side by side differ in
lightness too, so that a grey print still shows the border. The one pair that a grey print cannot
tell by lightness, liquid and copper, is told by its hatch. `tests/plots/test_style.py` checks this.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NamedTuple

from bronzeward.materials.phases import LIQUID, SOLID_TIN

if TYPE_CHECKING:
    from matplotlib.patheffects import AbstractPathEffect

INK = "#1d2733"
"""Lines and text."""

FAINT = "#66717d"
"""Lines and text of second rank."""

RULE = "#d3d9df"
"""Grid lines and frames."""

WARN = "#a3162a"
"""What a reader must not miss."""

VOID = "#ffffff"
FILAMENT = "#8d949b"
BARRIER = "#3b4046"


class Look(NamedTuple):
    """Colour, hatch, dash pattern of a line, and the name of a phase in a legend."""

    colour: str
    hatch: str
    dash: tuple[float, ...]
    name: str


LOOKS: dict[str, Look] = {
    LIQUID: Look("#ecaa14", "oo", (), "liquid"),
    SOLID_TIN: Look("#ece2e8", "", (), "tin"),
    "eta": Look("#242f70", "////", (), "η Cu₆Sn₅"),
    "epsilon": Look("#7782aa", "\\\\\\\\", (4.0, 1.2), "ε Cu₃Sn"),
    "zeta": Look("#5b2b4b", "++++", (1.0, 1.0), "ζ Cu₁₀Sn₃"),
    "delta": Look("#1f6b44", "xxxx", (3.0, 1.0, 1.0, 1.0), "δ Cu₄₁Sn₁₁"),
    "gamma": Look("#b3ec9c", "...", (6.0, 1.0), "γ bronze"),
    "beta": Look("#9c4dc3", "----", (2.0, 1.0), "β bronze"),
    "alpha": Look("#c3a191", "", (), "α copper"),
}
"""By phase label, in the order of `PHASES`."""

STROKES: tuple[tuple[str, tuple[float, ...], str], ...] = (
    ("#1d2733", (), "o"),
    ("#c2571a", (5.0, 1.4), "s"),
    ("#2f7fb8", (1.2, 1.0), "^"),
    ("#8a8f2a", (5.0, 1.2, 1.2, 1.2), "D"),
    ("#7d4a9c", (2.6, 1.2), "v"),
    ("#4f8f86", (8.0, 1.4), "P"),
)
"""Colour, dash pattern and marker of the first, second, ... result where several are compared."""


def hatch_ink(phase: str) -> str:
    """Colour of a hatch: light on dark fills, dark on light ones."""
    red, green, blue = (int(LOOKS[phase].colour[k : k + 2], 16) for k in (1, 3, 5))
    return "#ffffff" if 0.3 * red + 0.59 * green + 0.11 * blue < 110 else "#4a4038"


def fill(phase: str) -> dict[str, Any]:
    """Keywords that fill an area the way `phase` is filled everywhere."""
    look = LOOKS[phase]
    return {"facecolor": look.colour, "edgecolor": hatch_ink(phase), "hatch": look.hatch, "linewidth": 0.0}


def line(phase: str, width: float = 1.4) -> dict[str, Any]:
    """Keywords that draw a line the way `phase` is drawn everywhere; a dark casing keeps pale colours readable."""
    from matplotlib import patheffects

    look = LOOKS[phase]
    casing = [patheffects.Stroke(linewidth=width + 0.7, foreground=INK), patheffects.Normal()]
    return {
        "color": look.colour,
        "linewidth": width,
        "linestyle": (0, look.dash) if look.dash else "-",
        "dash_capstyle": "butt",
        "path_effects": casing,
    }


def halo(width: float = 1.8) -> list[AbstractPathEffect]:
    """A white rim that keeps a text readable on whatever lies below."""
    from matplotlib import patheffects

    return [patheffects.withStroke(linewidth=width, foreground="white")]


@contextmanager
def settings() -> Iterator[None]:
    """Sizes and fonts of the project, for as long as the block lasts; needed while drawing and while saving."""
    from matplotlib import rc_context

    with rc_context(
        {
            "font.family": "sans-serif",
            "font.sans-serif": ["DejaVu Sans"],
            "font.size": 7.0,
            "axes.labelsize": 7.0,
            "axes.titlesize": 7.5,
            "axes.linewidth": 0.6,
            "axes.edgecolor": INK,
            "axes.labelcolor": INK,
            "axes.axisbelow": True,
            "text.color": INK,
            "text.parse_math": False,  # a dollar sign in a name is a dollar sign
            "xtick.color": INK,
            "ytick.color": INK,
            "xtick.labelsize": 6.5,
            "ytick.labelsize": 6.5,
            "xtick.major.width": 0.6,
            "ytick.major.width": 0.6,
            "xtick.major.size": 2.5,
            "ytick.major.size": 2.5,
            "xtick.major.pad": 2.0,
            "ytick.major.pad": 2.0,
            "axes.labelpad": 2.0,
            "legend.fontsize": 6.5,
            "legend.frameon": False,
            "hatch.linewidth": 0.35,
            "pdf.fonttype": 42,
            "svg.fonttype": "path",
            "svg.hashsalt": "bronzeward",
            "savefig.dpi": 300.0,
            "figure.dpi": 150.0,
        }
    ):
        yield
