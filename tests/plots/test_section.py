"""Ring sections: moments in words, layers without gaps, and a drawing that is to scale."""

from __future__ import annotations

from itertools import pairwise
from math import pi

import numpy as np
import pytest
from matplotlib.collections import EllipseCollection
from matplotlib.patches import Circle, Rectangle, Wedge

from bronzeward.errors import InputError
from bronzeward.materials.phases import PHASES
from bronzeward.model.layers import COLUMN
from bronzeward.model.result import Result, Variable
from bronzeward.plots import section, style
from closeness import close
from drawing_cases import CASES, result
from drawing_checks import check_texts


def test_landmarks():
    run = result("lean")
    liquid = run["liquid_mole_fraction"]
    first = section.find_moment(run, "first liquid")
    assert liquid[first] > 0
    assert (liquid[:first] == 0).all()
    assert section.find_moment(run, " First  LIQUID ") == first
    assert section.find_moment(run, "peak liquid") == int(np.argmax(liquid))
    assert section.find_moment(run, "start") == 0
    assert section.find_moment(run, "end") == len(liquid) - 1
    gone = section.find_moment(result("sleeve"), "liquid gone")
    assert result("sleeve")["liquid_mole_fraction"][gone] == 0
    assert result("sleeve")["liquid_mole_fraction"][gone - 1] > 0


@pytest.mark.parametrize(
    ("text", "hours"),
    [("12.5h", 12.5), ("12,5 h", 12.5), ("750min", 12.5), ("45000 s", 12.5), ("0.5d", 12.0), ("0h", 0.0)],
)
def test_times_give_the_nearest_state(text, hours):
    time = result("sleeve")["time"] / 3600
    row = section.find_moment(result("sleeve"), text)
    assert abs(time[row] - hours) == np.abs(time - hours).min()


@pytest.mark.parametrize(("text", "celsius"), [("300C", 300.0), ("300 °C", 300.0), ("573.15K", 300.0), ("215c", 215.0)])
def test_temperatures_give_the_first_time_there(text, celsius):
    run = result("sleeve")
    row = section.find_moment(run, text)
    assert run["temperature"][row] - 273.15 == pytest.approx(celsius, abs=5.0)  # stored at most 10 K apart
    assert (run["temperature"][: max(row - 1, 0)] - 273.15 <= celsius + 1e-6).all()


def test_cooling_only_temperatures_are_found_on_the_way_down():
    run = result("long")
    late = section.find_moment(run, "60C")
    assert run["time"][late] < 10 * 3600  # the heating passes it first
    hot = int(np.argmax(run["temperature"]))
    cut = Result(
        {k: Variable(v.dims, v.values[hot:]) if v.dims[:1] == ("time",) else v for k, v in run.variables.items()},
        run.attributes,
    )
    row = section.find_moment(cut, "400C")
    assert cut["temperature"][row] - 273.15 == pytest.approx(400.0, abs=10.0)


def test_events_by_name_before_and_by_number():
    run = result("lean")
    after = section.find_moment(run, "eta decomposes")
    assert run["amount"][after, COLUMN["eta"]] == 0
    assert section.find_moment(run, "η decomposes") == after
    before = section.find_moment(run, "before eta decomposes")
    assert run["amount"][before, COLUMN["eta"]] > 0
    assert section.find_moment(run, "eta decomposes 1") == after
    with pytest.raises(InputError, match="no number 2"):
        section.find_moment(run, "eta decomposes 2")


@pytest.mark.parametrize(
    ("name", "text", "word"),
    [
        ("sleeve", "tomorrow", "tin melts"),
        ("sleeve", "", "not understood"),
        ("sleeve", "1000h", "outside the run"),
        ("sleeve", "-1h", "outside the run"),
        ("sleeve", "900C", "never reached"),
        ("cold", "first liquid", "never melts"),
        ("lean", "liquid gone", "liquid is left"),
    ],
)
def test_moments_that_are_not_there(name, text, word):
    with pytest.raises(InputError, match=word):
        section.find_moment(result(name), text)


@pytest.mark.parametrize("name", CASES)
def test_layers_have_no_gaps_and_end_at_the_barrier(name):
    run, strand = result(name), section.strand_of(result(name))
    for row in range(0, len(run["time"]), 7):
        layers = section.layers_at(run, row)
        # melting tin takes copper up and may stand a little above the free surface of a plane couple
        assert layers[0].inner == 0.0 or (strand.plane and -1e-7 < layers[0].inner < 0.0)
        assert layers[-1].outer == close(strand.barrier_radius, rel=1e-9)
        for one, other in pairwise(layers):
            assert other.inner == pytest.approx(one.outer, abs=2e-9)  # seeds below a nanometre are left out
        assert [layer.phase for layer in layers].count(None) <= 1


def test_layers_hold_the_atoms_of_the_result():
    """Area of each ring, less filaments, over the molar volume gives back the amount."""
    from bronzeward.materials.properties import load_properties

    run, strand = result("lean"), section.strand_of(result("lean"))
    volumes = load_properties().molar_volume
    row = section.find_moment(run, "first liquid")
    for layer in section.layers_at(run, row):
        if layer.phase in ("eta", "epsilon"):
            area, inner = 0.0, 0.0
            for outer, share in strand.zones():
                low, high = max(layer.inner, inner), min(layer.outer, outer)
                area += share * pi * max(high**2 - low**2, 0.0) if high > low else 0.0
                inner = outer
            assert area / volumes[layer.phase] == close(run["amount"][row, COLUMN[layer.phase]], rel=1e-6)


def test_gamma_on_both_sides_of_epsilon_is_drawn_twice():
    nan = np.full(len(PHASES), np.nan)
    inner, outer, thickness = nan.copy(), nan.copy(), np.zeros(len(PHASES))
    for phase, low, high in (
        ("liquid", 2e-6, 5e-6),
        ("epsilon", 6e-6, 8e-6),
        ("gamma", 8e-6, 9e-6),
        ("alpha", 9e-6, 20e-6),
    ):
        k = COLUMN[phase]
        inner[k], outer[k], thickness[k] = low, high, high - low
    thickness[COLUMN["gamma"]] = 2e-6  # one of them between liquid and epsilon
    made = {
        name: Variable(("time", "phase"), row[None, :])
        for name, row in (("inner_radius", inner), ("outer_radius", outer), ("thickness", thickness))
    }
    layers = section.layers_at(Result(made, {}), 0)
    assert [layer.phase for layer in layers] == [None, "liquid", "gamma", "epsilon", "gamma", "alpha"]
    assert (layers[2].inner, layers[2].outer) == close((5e-6, 6e-6))


def test_section_is_to_scale():
    run = result("lean")
    row = section.find_moment(run, "first liquid")
    ax = section.plot_section(run, row)
    assert ax.get_aspect() == 1.0
    radii = {round(patch.get_radius(), 6) for patch in ax.patches if isinstance(patch, Circle)}
    radii |= {round(patch.r, 6) for patch in ax.patches if isinstance(patch, Wedge)}
    for layer in section.layers_at(run, row):
        assert round(layer.outer * 1e6, 6) in radii
    (bar,) = (patch for patch in ax.patches if isinstance(patch, Rectangle))
    (text,) = (text.get_text() for text in ax.texts if text.get_text().endswith("µm") and text.get_text()[0].isdigit())
    assert text == f"{bar.get_width():g} µm"


def test_filaments_cover_what_copper_leaves_of_the_pack():
    run, strand = result("lean"), section.strand_of(result("lean"))
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
        assert figure.get_figwidth() == close(style.COLUMN_WIDTH)
        check_texts(figure)


@pytest.mark.parametrize("count", [2, 3, 4, 5, 8, 9])
@pytest.mark.parametrize("name", ["lean", "plane"])
def test_strip_keeps_its_texts_inside(name, count):
    moments = ["start", "first liquid", "end", "250C", "1h", "before tin melts", "peak liquid", "2h", "3h"][:count]
    figure = section.draw_section(result(name), moments)
    assert len(figure.axes) == count
    assert figure.get_figwidth() in (style.COLUMN_WIDTH, style.PAGE_WIDTH)
    check_texts(figure)


def test_call_outs_name_every_layer_with_its_thickness():
    run = result("sleeve")
    row = section.find_moment(run, "first liquid")
    ax = section.plot_section(run, row)
    said = [text.get_text() for text in ax.texts]
    for phase in ("liquid", "eta", "epsilon", "alpha"):
        thickness = run["thickness"][row, COLUMN[phase]] * 1e6
        line = next(line for line in said if line.startswith(style.LOOKS[phase].name))
        assert float(line.rsplit(" ", 2)[1]) == close(thickness, rel=0.01)
    assert any(line.startswith("void") for line in said)
    assert "barrier" in said


def test_no_moment_is_refused():
    with pytest.raises(InputError, match="at least one"):
        section.draw_section(result("cold"), [])


def test_strip_takes_the_columns_asked_for():
    moments = ["start", "first liquid", "end"]
    assert section.draw_section(result("lean"), moments).get_figwidth() == style.PAGE_WIDTH
    narrow = section.draw_section(result("lean"), moments, columns=2)
    assert narrow.get_figwidth() == style.COLUMN_WIDTH
    check_texts(narrow)
