"""The table: interpolation, lever rule, liquidus and solidus, boundaries, widths, bad input."""

import numpy as np
import pytest
from scipy.integrate import quad

from bronzeward.errors import InputError
from bronzeward.materials.phases import PHASES
from bronzeward.thermo import equilibrium, load_table, phases_along
from bronzeward.thermo.tie_lines import scan
from bronzeward.units import GAS_CONSTANT
from closeness import close
from thermo_systems import phases, solution, table, written


def test_boundaries_interpolate_to_1e_5():
    """Halfway and at random between tabulated temperatures against tie-lines solved there."""
    diagram, every = table(), list(phases().values())
    labels = [phase.label for phase in every]
    random = np.random.default_rng(7)
    edges = np.unique(np.concatenate([field.temperature for field in diagram.fields]))
    t = np.sort(np.concatenate([0.5 * (edges[:-1] + edges[1:])[::7], random.uniform(251, 1390, 150)]))
    worst = 0.0
    for tk, lines in zip(t, scan(every, t).lines, strict=True):
        k = int(np.searchsorted([r.temperature for r in diagram.invariants], tk))
        assert [labels[line.a] for line in lines] == diagram.regions(k)[:-1]
        for line, index in zip(lines, diagram.stacks[k], strict=True):
            field = diagram.fields[index]
            worst = max(
                worst,
                abs(np.interp(tk, field.temperature, field.x_copper_side) - line.x_a),
                abs(np.interp(tk, field.temperature, field.x_tin_side) - line.x_b),
            )
    assert worst < 1e-5


def test_fields_end_on_reactions():
    """The ends of every field are reactions, or the limits of the table, with their compositions."""
    diagram = table()
    reactions = {r.temperature: r for r in diagram.invariants}
    for field in diagram.fields:
        assert np.all(np.diff(field.temperature) > 0)
        assert np.all(field.x_tin_side >= field.x_copper_side)
        for end in (0, -1):
            t = field.temperature[end]
            if t not in diagram.limits and reactions[t].kind != "polymorphic":
                listed = dict(zip(reactions[t].phases, reactions[t].x_sn, strict=True))
                assert field.x_tin_side[end] == listed[field.tin_side]
                assert field.x_copper_side[end] == listed[field.copper_side]


def test_gamma_lies_on_both_sides_of_epsilon():
    """Between 640 and 677 °C there are two fields of gamma and epsilon, and two ranges of gamma."""
    diagram = table()
    names = [field.name for field in diagram.fields]
    assert names.count("gamma + epsilon") == 1
    assert names.count("epsilon + gamma") == 1
    copper_side, tin_side = (diagram.boundaries_of("gamma", 930.0, side=side) for side in ("copper", "tin"))
    assert copper_side[0] < 0.25 < tin_side[1]


def test_fractions_balance_tin():
    """Amounts add up to one and carry all the tin, everywhere in the table."""
    diagram = table()
    t, x = np.meshgrid(np.linspace(250, 1400, 231), np.linspace(0, 1, 101))
    fraction, tin = diagram.amounts(t, x)
    assert fraction.shape == (*t.shape, len(PHASES))
    assert np.all(fraction >= 0)
    np.testing.assert_allclose(fraction.sum(axis=-1), 1, atol=1e-12)
    np.testing.assert_allclose(np.nansum(fraction * tin, axis=-1), x, atol=1e-12)
    assert np.all(np.isfinite(tin) == (fraction > 0))


def test_a_miscibility_gap_balances_too(tmp_path):
    """Two liquids share one column: the whole amount, at the mean composition."""
    path = written(
        tmp_path, solution("LIQUID", "0", "0", "+25000"), solution("FCC_A1", "-12000+9.6*T", "-6000+6*T", "+60000")
    )
    diagram = load_table(path, cache=False)
    fraction, tin = diagram.amounts(1400.0, 0.4)
    assert fraction[PHASES.index("liquid")] == close(1)
    assert tin[PHASES.index("liquid")] == close(0.4)


def test_lever_rule_by_hand():
    """At 300 °C an alloy of 10 at.% tin is alpha and epsilon."""
    diagram = table()
    tin, _ = diagram.boundaries_of("alpha", 573.15)
    fraction = diagram.fractions(573.15, 0.10)
    assert fraction[PHASES.index("epsilon")] == pytest.approx((0.10 - tin) / (0.25 - tin), abs=1e-12)
    assert fraction[PHASES.index("alpha")] == pytest.approx((0.25 - 0.10) / (0.25 - tin), abs=1e-12)


def test_fractions_equal_exact_solution():
    """The table against equilibrium solved without it; 1e-5 in a boundary over the narrowest field."""
    t, x = np.meshgrid(np.linspace(300, 1350, 40), np.linspace(0.01, 0.99, 50))
    exact = equilibrium.solve(t, x)
    ours = table().fractions(t, x)
    for k, label in enumerate(PHASES):
        expected = exact.fraction(label) + (exact.fraction("eta_prime") if label == "eta" else 0)
        np.testing.assert_allclose(ours[..., k], expected, atol=1e-3)


def test_one_number_and_many_agree():
    """Scalars, arrays and broadcasting give the same numbers."""
    diagram = table()
    t, x = np.linspace(300, 1300, 11), np.linspace(0, 1, 7)
    many = diagram.fractions(t[:, None], x)
    for i in range(t.size):
        for j in range(x.size):
            np.testing.assert_array_equal(many[i, j], diagram.fractions(float(t[i]), float(x[j])))
    assert diagram.fractions(500.0, 0.2).shape == (len(PHASES),)
    assert diagram.liquid_fraction(t, 0.5).shape == t.shape


def test_liquidus_and_solidus_bracket_the_liquid():
    """All liquid just above the liquidus, not just below; no liquid below the solidus, some just above."""
    diagram = table()
    x = np.concatenate([np.linspace(0.001, 0.999, 400), [0.25, 0.455, 0.212, 0.231]])
    liquidus, solidus = diagram.liquidus(x), diagram.solidus(x)
    assert np.all(diagram.liquid_fraction(liquidus + 0.01, x) == 1)
    assert np.all(diagram.liquid_fraction(liquidus - 0.01, x) < 1)
    assert np.all(diagram.liquid_fraction(solidus - 0.01, x) == 0)
    assert np.all(diagram.liquid_fraction(solidus + 0.01, x) > 0)


def test_pure_elements_melt_at_one_temperature():
    diagram = table()
    np.testing.assert_allclose(diagram.liquidus([0, 1]), diagram.solidus([0, 1]))


def test_stable_phases_from_tin_to_copper():
    diagram = table()
    assert diagram.stable(420.0) == ("(Sn)", "eta_prime", "epsilon", "alpha")
    assert diagram.stable(550.0) == ("liquid", "eta", "epsilon", "alpha")
    assert diagram.stable(1380.0) == ("liquid",)


@pytest.mark.parametrize(
    ("label", "side", "celsius"),
    [
        ("alpha", "copper", 25),
        ("alpha", "copper", 450),
        ("alpha", "copper", 700),
        ("beta", "copper", 650),
        ("gamma", "copper", 560),
        ("gamma", "copper", 645),
        ("gamma", "tin", 645),
        ("gamma", "copper", 700),
    ],
)
def test_diffusion_width_by_quadrature(label, side, celsius):
    """The thermodynamic factor of the models integrated by scipy; 2e-4 is the table's interpolation."""
    diagram, phase, t = table(), phases()[label], celsius + 273.15
    high, low = (float(x) for x in diagram.boundaries_of(label, t, side))

    def factor(x):
        state = phase.at(np.array([t]), np.array([x]))
        return x * (1 - x) / (GAS_CONSTANT * t) * float(state.curvature[0])

    expected = quad(
        factor, max(low, 1e-12), high, points=[0.25] if low < 0.25 < high else None, limit=400, epsabs=1e-10
    )[0]
    assert float(diagram.diffusion_width(label, t, side)) == pytest.approx(expected, rel=2e-4, abs=1e-7)


def test_diffusion_width_of_lines_and_absent_phases():
    """None for a line compound, NaN where a phase is not stable; the dilute limit of alpha is its range."""
    diagram = table()
    assert float(diagram.diffusion_width("epsilon", 500.0)) == 0
    assert np.isnan(diagram.diffusion_width("gamma", 500.0))
    tin, _ = diagram.boundaries_of("alpha", 255.0)
    assert float(diagram.diffusion_width("alpha", 255.0)) == close(float(tin), rel=0.12)


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda diagram: diagram.fractions(200.0, 0.1), "250"),
        (lambda diagram: diagram.fractions(np.nan, 0.1), "outside"),
        (lambda diagram: diagram.fractions(500.0, 1.2), "between 0 and 1"),
        (lambda diagram: diagram.liquidus(-0.1), "between"),
        (lambda diagram: diagram.fractions(500.0, np.nan), "between"),
        (lambda diagram: diagram.boundaries_of("gamma", 900.0, side="left"), "expected one of"),
        (lambda diagram: phases_along(diagram, [], 0.1), "at least one"),
        (lambda diagram: phases_along(diagram, [300, 9000], 0.1), "outside"),
    ],
)
def test_bad_input_says_what_is_wrong(call, word):
    with pytest.raises(InputError, match=word):
        call(table())


def test_path_finds_every_change():
    """A path from 20 to 700 °C at 15 at.% tin, and back, agrees with a fine walk through the table."""
    diagram = table()
    path = phases_along(diagram, [293.15, 973.15], 0.15)
    assert path[0].from_temperature == 293.15
    assert path[-1].to_temperature == 973.15
    t = np.linspace(293.2, 973.1, 3001)
    walk = diagram.fractions(t, 0.15) > 0
    changes = np.count_nonzero(np.any(walk[1:] != walk[:-1], axis=1))
    assert len(path) == changes + 1
    for stretch in path:
        middle = diagram.fractions(0.5 * (stretch.from_temperature + stretch.to_temperature), 0.15)
        assert {diagram.phases[k] for k in np.flatnonzero(middle)} == set(stretch.phases)
        np.testing.assert_allclose(sum(stretch.start_fraction), 1)
        np.testing.assert_allclose(np.dot(stretch.end_fraction, stretch.end_x_sn), 0.15, atol=1e-9)
    back = phases_along(diagram, [973.15, 293.15], 0.15)
    assert [s.phases for s in back] == [s.phases for s in path[::-1]]


def test_path_at_one_temperature():
    one = phases_along(table(), 500.0, 0.15)
    assert len(one) == 1
    assert one[0].phases == ("epsilon", "alpha")
