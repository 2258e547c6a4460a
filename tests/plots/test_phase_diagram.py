"""The drawn phase diagram: what is on it, that nothing overlaps, that colours can be told apart."""

import itertools
import subprocess
import sys

import numpy as np
import pytest
from matplotlib.text import Text

from bronzeward.errors import InputError
from bronzeward.materials.phases import FORMULAS
from bronzeward.plots import phase_diagram
from bronzeward.thermo import load_table
from closeness import close
from colour_sight import MACHADO, distance
from thermo_systems import compound, solution, table, written

VIEWS = [None, "tin", "copper"]


def texts(ax):
    return [text.get_text() for text in ax.texts]


@pytest.mark.parametrize("zoom", VIEWS)
def test_labels_do_not_overlap(zoom):
    """Rendered at one column width, no two texts on the drawing touch, and none leaves the axes."""
    ax = phase_diagram.draw_diagram(table(), zoom=zoom)
    ax.figure.canvas.draw()
    renderer = ax.figure.canvas.get_renderer()
    boxes = [text.get_window_extent(renderer) for text in ax.texts]
    letters = [Text.get_window_extent(text, renderer) for text in ax.texts]  # without leaders
    frame = ax.get_window_extent(renderer)
    for box in boxes:
        assert box.x0 >= frame.x0
        assert box.x1 <= frame.x1
        assert box.y0 >= frame.y0
        assert box.y1 <= frame.y1
    for (one, a), (other, b) in itertools.combinations(zip(ax.texts, letters, strict=True), 2):
        assert not a.padded(-1).overlaps(b.padded(-1)), (one.get_text(), other.get_text())


def test_every_phase_is_named():
    """Greek letters and formulas: between them the views name all phases."""
    seen = set()
    for zoom in VIEWS:
        seen.update(texts(phase_diagram.draw_diagram(table(), zoom=zoom)))
    for label in ("eta", "eta_prime", "epsilon", "zeta", "delta", "gamma", "beta", "alpha", "liquid"):
        assert FORMULAS[label] in seen
    assert "(Sn)" in seen
    assert {"α + L", "ε + L", "η + L", "η + (Sn)", "α + ε", "α + δ"} <= seen


def test_axes_say_what_they_show():
    ax = phase_diagram.draw_diagram(table())
    assert ax.get_xlabel() == "tin, at.%"
    assert "°C" in ax.get_ylabel()
    top = ax.child_axes[0]
    assert top.get_xlabel() == "tin, wt.%"
    np.testing.assert_allclose(phase_diagram._to_atoms(phase_diagram._to_mass(25.0)), 25.0)
    assert phase_diagram._to_mass(25.0) == pytest.approx(38.37, abs=0.01)


def test_readable_at_column_width():
    """85 mm wide, no letter below 5 points."""
    ax = phase_diagram.draw_diagram(table())
    assert ax.figure.get_size_inches()[0] == close(85 / 25.4)
    sizes = [text.get_fontsize() for text in ax.texts] + [
        tick.get_fontsize() for tick in (*ax.get_xticklabels(), *ax.get_yticklabels())
    ]
    assert min(sizes) >= 5


@pytest.mark.parametrize("sight", MACHADO)
def test_neighbouring_colours_differ(sight):
    """Phases that touch or nearly touch on the drawing stay apart for every form of colour blindness."""
    neighbours = [
        ("alpha", "beta"),
        ("beta", "gamma"),
        ("gamma", "liquid"),
        ("alpha", "liquid"),
        ("beta", "liquid"),
        ("gamma", "epsilon"),
        ("delta", "epsilon"),
        ("zeta", "gamma"),
    ]
    for one, other in neighbours:
        drawn = [phase_diagram._tint(label, line=label in ("epsilon", "delta", "zeta")) for label in (one, other)]
        assert distance(*drawn, sight) > 15, (one, other)  # regions are washed out; six times just noticeable


def test_points_and_path_are_drawn():
    ax = phase_diagram.draw_diagram(
        table(), points=[(0.1, 700.0), (0.3, 900.0)], path=(0.2, [293.15, 480.0, 480.0, 900.0])
    )
    marks = next(line for line in ax.lines if line.get_marker() == "o")
    np.testing.assert_allclose(marks.get_xydata(), [[10, 426.85], [30, 626.85]])
    arrow = next(line for line in ax.lines if line.get_marker() == "^")
    np.testing.assert_allclose(arrow.get_xydata(), [[20, 626.85]])
    holds = next(line for line in ax.lines if line.get_marker() == "_")
    np.testing.assert_allclose(holds.get_xydata(), [[20, 206.85]])


def test_draws_on_given_axes():
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    assert phase_diagram.draw_diagram(table(), ax=ax) is ax


@pytest.mark.parametrize(
    ("keywords", "word"),
    [
        ({"zoom": "left"}, "expected 'tin'"),
        ({"points": [1.0, 2.0, 3.0]}, "pairs"),
        ({"points": [(1.5, 300.0)]}, "between 0 and 1"),
        ({"path": 0.2}, "a path is"),
        ({"path": (0.2, [np.nan])}, "finite"),
        ({"path": (2.0, [300.0])}, "between 0 and 1"),
    ],
)
def test_bad_input(keywords, word):
    with pytest.raises(InputError, match=word):
        phase_diagram.draw_diagram(table(), **keywords)


def test_touches_no_global_state():
    """Importing draws nothing in, and drawing leaves pyplot alone."""
    code = (
        "import sys, bronzeward.plots.phase_diagram as d\nassert 'matplotlib' not in sys.modules\n"
        "from bronzeward.thermo import load_table\nd.draw_diagram(load_table(cache=False))\n"
        "import matplotlib._pylab_helpers as h\nassert not h.Gcf.figs"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_other_descriptions_can_be_drawn(tmp_path):
    """Unknown phases, gaps, no reactions at all."""
    liquid = solution("LIQUID", "0", "0", "+25000")
    own = load_table(
        written(
            tmp_path,
            liquid,
            solution("FCC_A1", "-12000+9.6*T", "-6000+6*T", "+60000"),
            compound("CUSN", 0.5, 0.5, "-7500+5*T"),
        ),
        cache=False,
    )
    assert "cusn" in texts(phase_diagram.draw_diagram(own))
    one = load_table(written(tmp_path, solution("LIQUID", "0", "0")), cache=False)
    assert texts(phase_diagram.draw_diagram(one)) == ["liquid"]
