"""Ring sections: moments in words, layers without gaps, and a drawing that is to scale."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from matplotlib.collections import EllipseCollection
from matplotlib.patches import Circle, Rectangle, Wedge

from bronzeward.errors import InputError
from bronzeward.model.layer_stack import layers_at, strand_of
from bronzeward.model.moments import find_moment
from bronzeward.plots import section, style
from bronzeward.plots.axes import COLUMN_WIDTH, PAGE_WIDTH
from closeness import close
from drawing_cases import CASES, result
from drawing_checks import check_texts, check_texts_apart


def test_section_is_to_scale():
    run = result("lean")
    row = find_moment(run, "first liquid")
    ax = section.plot_section(run, row)
    assert ax.get_aspect() == 1.0
    radii = {round(patch.get_radius(), 6) for patch in ax.patches if isinstance(patch, Circle)}
    radii |= {round(patch.r, 6) for patch in ax.patches if isinstance(patch, Wedge)}
    for layer in layers_at(run, row):
        assert round(layer.outer * 1e6, 6) in radii
    (bar,) = (patch for patch in ax.patches if isinstance(patch, Rectangle))
    (text,) = (text.get_text() for text in ax.texts if text.get_text().endswith("µm") and text.get_text()[0].isdigit())
    assert text == f"{bar.get_width():g} µm"


def test_filaments_cover_what_copper_leaves_of_the_pack():
    run, strand = result("lean"), strand_of(result("lean"))
    ax = section.plot_section(run, 0)
    (dots,) = (c for c in ax.collections if isinstance(c, EllipseCollection))
    radius = float(np.ravel(dots.get_widths())[0]) / 2 if hasattr(dots, "get_widths") else float(dots._widths[0])
    covered = len(dots.get_offsets()) * pi * radius**2
    pack = strand.rings[-1]
    ring = pi * (pack.radius**2 - strand.rings[0].radius ** 2) * 1e12
    assert covered / ring == close(1.0 - pack.copper_fraction, rel=0.06)
    r = np.hypot(*np.asarray(dots.get_offsets()).T)
    assert r.min() - radius > strand.rings[0].radius * 1e6 * 0.999
    assert r.max() + radius < pack.radius * 1e6 * 1.001


@pytest.mark.parametrize("name", CASES)
def test_single_section_keeps_its_texts_inside(name):
    for moment in ("start", "end", "100C"):
        figure = section.draw_section(result(name), moment)
        assert figure.get_figwidth() == close(COLUMN_WIDTH)
        check_texts(figure)


@pytest.mark.parametrize("count", [2, 3, 4, 5, 8, 9])
@pytest.mark.parametrize("name", ["lean", "plane"])
def test_strip_keeps_its_texts_inside(name, count):
    moments = ["start", "first liquid", "end", "250C", "1h", "before tin melts", "peak liquid", "2h", "3h"][:count]
    figure = section.draw_section(result(name), moments)
    assert len(figure.axes) == count
    assert figure.get_figwidth() in (COLUMN_WIDTH, PAGE_WIDTH)
    check_texts(figure)


def test_call_outs_name_every_layer_with_its_thickness():
    run = result("sleeve")
    row = find_moment(run, "first liquid")
    ax = section.plot_section(run, row)
    said = [text.get_text() for text in ax.texts]
    for phase in ("liquid", "eta", "epsilon", "alpha"):
        thickness = sum(layer.thickness for layer in layers_at(run, row) if layer.phase == phase) * 1e6
        line = next(line for line in said if line.startswith(style.LOOKS[phase].name))
        assert float(line.rsplit(" ", 2)[1]) == close(thickness, rel=0.01)
    assert any(line.startswith("void") for line in said)
    assert "barrier" in said


@pytest.mark.parametrize("moment", ["20h", "end"])
def test_a_core_off_the_middle_is_drawn_there_and_leaves_the_copper_of_the_answers_on_its_thin_side(moment):
    """What is left there is the mean thickness less the core's offset, 30 % of the wall."""
    run = result("off centre")
    row = find_moment(run, moment)
    layers, barrier = layers_at(run, row), 11.0
    ax = section.plot_section(run, row)
    shapes = {round(p.get_radius() if isinstance(p, Circle) else p.r, 6): p for p in ax.patches if hasattr(p, "center")}
    shell = shapes[round(layers[-2].outer * 1e6, 6)]
    assert shapes[barrier].center == (0.0, 0.0)
    assert shell.center == close((-0.3 * 5.0, 0.0))
    left = barrier - (shell.get_radius() - shell.center[0])
    assert left == close(layers[-1].thickness * 1e6 - 1.5, rel=1e-6)
    figure = section.draw_section(run, moment)
    check_texts(figure)
    check_texts_apart(figure)
    assert "Core 1.50 µm off centre" in " ".join(figure.texts[-1].get_text().split())


def test_no_moment_is_refused():
    with pytest.raises(InputError, match="at least one"):
        section.draw_section(result("cold"), [])


def test_strip_takes_the_columns_asked_for():
    moments = ["start", "first liquid", "end"]
    assert section.draw_section(result("lean"), moments).get_figwidth() == PAGE_WIDTH
    narrow = section.draw_section(result("lean"), moments, columns=2)
    assert narrow.get_figwidth() == COLUMN_WIDTH
    check_texts(narrow)
