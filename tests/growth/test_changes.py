"""Every change that happens at once, on made-up layers, against the lever rule and sums of atoms and tin done by hand.

All amounts are below one mole, so that no threshold is passed by chance; all cells have different widths.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from bronzeward.growth import changes
from bronzeward.growth.problem import Problem, new_work
from bronzeward.growth.slots import ALPHA, BETA, CORE, DELTA, EPSILON, ETA, GAMMA, GAMMA_TIN, N_SLOTS, ZETA
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from closeness import close
from growth_cases import problem_of

Pieces = list[tuple[float, float]]
"""Atoms and their composition, from the tin side to the copper side."""

EDGES = {
    GAMMA_TIN: np.array([0.0, 0.1, 0.3, 0.6, 1.0]),
    GAMMA: np.array([0.0, 0.2, 0.5, 0.7, 1.0]),
    BETA: np.array([0.0, 0.15, 0.4, 0.8, 1.0]),
    ALPHA: np.array([0.0, 0.004, 0.1, 0.3, 0.5, 0.7, 1.0]),
}
FIRST = {GAMMA_TIN: 0, GAMMA: 4, BETA: 8, ALPHA: 12}
HERE = {slot: slice(FIRST[slot], FIRST[slot] + len(EDGES[slot]) - 1) for slot in EDGES}

X_IN = np.array([1.0, 0.46, 0.30, 0.26, 0.24, 0.21, 0.19, 0.16, 0.09])
X_OUT = np.array([0.9, 0.45, 0.28, 0.25, 0.23, 0.20, 0.17, 0.14, 0.0])

COLD, WARM, HOT, ALONE = range(4)
STABLE = (
    (CORE, ETA, EPSILON, ALPHA),
    (CORE, EPSILON, DELTA, BETA, ALPHA),
    (CORE, GAMMA_TIN, EPSILON, GAMMA, ALPHA),
    (GAMMA,),
)
LIQUID = (0, 1, 1, 0)

SEED = 2e-3 / 0.1 / np.arange(1, N_SLOTS + 1)
"""Atoms in a seed of each phase: thickness times perimeter by molar volume."""


@pytest.fixture(scope="module")
def p() -> Problem:
    usual = problem_of(Strand.round(24, 44), Schedule.start(200).hold(1), alpha_cells=6, inner_cells=4)
    edge = np.zeros(len(usual.edge))
    for slot, own in EDGES.items():
        assert (usual.cell_start[slot], usual.cells[slot]) == (FIRST[slot], len(own) - 1)
        edge[FIRST[slot] + slot : FIRST[slot] + slot + len(own)] = own
    return usual._replace(
        edge=edge,
        present=[int(slot in stable) for stable in STABLE for slot in range(N_SLOTS)],
        liquid_core=LIQUID,
        volume=0.1 * np.arange(1, N_SLOTS + 1),
        perimeter=2.0,
        seed=1e-3,
        tolerance=1e-3,
    )


@pytest.fixture
def w(p: Problem) -> Any:
    return new_work(p.n_cells, np.zeros)._replace(sequence=[0] * N_SLOTS, x_in=X_IN.copy(), x_out=X_OUT.copy())


def layer(w: Any, slot: int, amount: float, x: Any) -> None:
    """Make a layer of one composition, or of the compositions of its cells."""
    w.n[slot] = amount
    w.tin[slot] = amount * np.sum(x)
    if slot in EDGES:
        w.x[HERE[slot]] = x
        w.u[HERE[slot]] = amount * np.diff(EDGES[slot]) * x
        w.tin[slot] = w.u[HERE[slot]].sum()


def pieces(w: Any, slot: int) -> Pieces:
    """The cells of a profile."""
    return list(zip(w.n[slot] * np.diff(EDGES[slot]), w.x[HERE[slot]], strict=True))


def cut(whole: Pieces, amount: float, copper_side: bool) -> tuple[float, Pieces]:
    """Cut atoms off one end: the tin in them, and what is left."""
    left, tin = whole[::-1] if copper_side else list(whole), 0.0
    while amount > 0.0:
        atoms, x = left.pop(0)
        tin += min(atoms, amount) * x
        if atoms > amount:
            left.insert(0, (atoms - amount, x))
        amount -= atoms
    return tin, left[::-1] if copper_side else left


def laid_out(slot: int, whole: Pieces) -> Pieces:
    """The same atoms in the cells of a profile, each levelled."""
    atoms, x = np.array(whole).T
    ends, tin = np.append(0.0, np.cumsum(atoms)), np.append(0.0, np.cumsum(atoms * x))
    width = ends[-1] * np.diff(EDGES[slot])
    return list(zip(width, np.diff(np.interp(EDGES[slot] * ends[-1], ends, tin)) / width, strict=True))


def check_profile(w: Any, slot: int, whole: Pieces) -> None:
    """Amount, tin and all cells of a profile are those of the pieces laid out."""
    atoms, x = np.array(laid_out(slot, whole)).T
    assert w.n[slot] == close(atoms.sum(), rel=1e-12)
    assert w.tin[slot] == close((atoms * x).sum(), rel=1e-12)
    np.testing.assert_allclose(w.u[HERE[slot]], atoms * x, rtol=1e-10)
    np.testing.assert_allclose(w.x[HERE[slot]], x, rtol=1e-10)


def check_compound(w: Any, slot: int, amount: float, x: float) -> None:
    """Amount and composition of a layer without a profile."""
    assert w.n[slot] == close(amount, rel=1e-12)
    assert w.tin[slot] == close(amount * x, rel=1e-12)


class Kept:
    """Atoms and tin of all layers, to compare with what they are later."""

    def __init__(self, w: Any) -> None:
        self.w, self.atoms, self.tin = w, w.n.sum(), w.tin.sum()

    def check(self) -> None:
        """Nothing was lost, and every profile holds the tin of its cells."""
        assert self.w.n.sum() == close(self.atoms, rel=1e-13)
        assert self.w.tin.sum() == close(self.tin, rel=1e-13)
        for slot, here in HERE.items():
            assert self.w.u[here].sum() == close(self.w.tin[slot], rel=1e-12)


def copied(w: Any) -> list[Any]:
    """Everything that tells of the layers."""
    return [w.n.copy(), w.tin.copy(), w.u.copy(), w.x.copy()]


def check_same(w: Any, before: list[Any]) -> None:
    """No layer changed."""
    for now, then in zip(copied(w), before, strict=True):
        np.testing.assert_array_equal(now, then)


# ends of layers


@pytest.mark.parametrize(("slot", "first", "last"), [(GAMMA_TIN, 0.29, 0.20), (BETA, 0.15, 0.12), (ALPHA, 0.1, 0.01)])
def test_composition_at_the_ends_of_a_profile(p: Problem, w: Any, slot: int, first: float, last: float) -> None:
    layer(w, slot, 0.5, np.linspace(first, last, len(EDGES[slot]) - 1))
    assert changes.composition_at_end(p, w, slot, False) == close(first)
    assert changes.composition_at_end(p, w, slot, True) == close(last)


@pytest.mark.parametrize("copper_side", [False, True])
def test_added_atoms_land_on_their_side_of_a_profile(p: Problem, w: Any, copper_side: bool) -> None:
    layer(w, ALPHA, 0.5, [0.08, 0.06, 0.05, 0.03, 0.02, 0.01])
    old = pieces(w, ALPHA)
    changes.add(p, w, ALPHA, 0.1, 0.3, copper_side)
    check_profile(w, ALPHA, [*old, (0.1, 0.3)] if copper_side else [(0.1, 0.3), *old])


@pytest.mark.parametrize("copper_side", [False, True])
@pytest.mark.parametrize("amount", [0.01, 0.3])
def test_taking_from_a_profile_brings_the_tin_of_its_cells(
    p: Problem, w: Any, amount: float, copper_side: bool
) -> None:
    layer(w, GAMMA, 0.5, [0.19, 0.17, 0.16, 0.12])
    tin, left = cut(pieces(w, GAMMA), amount, copper_side)
    assert changes.take(p, w, GAMMA, amount, copper_side) == close(tin, rel=1e-13)
    check_profile(w, GAMMA, left)


# tin without atoms


@pytest.mark.parametrize(
    ("tin", "copper_side", "after"),
    [
        (0.3, False, [0.31, 0.02, 0.03, 0.04]),
        (0.3, True, [0.01, 0.02, 0.03, 0.34]),
        (-0.004, False, [0.006, 0.02, 0.03, 0.04]),
        (-0.04, False, [0.0, 0.0, 0.02, 0.04]),
        (-0.05, True, [0.01, 0.02, 0.02, 0.0]),
        # more than there is: only the last cell it comes to goes below zero
        (-0.12, False, [0.0, 0.0, 0.0, -0.02]),
        (-0.12, True, [-0.02, 0.0, 0.0, 0.0]),
    ],
)
def test_tin_goes_to_the_end_cell_and_is_drawn_from_as_many_as_needed(
    p: Problem, w: Any, tin: float, copper_side: bool, after: list[float]
) -> None:
    shares = np.diff(EDGES[GAMMA])
    layer(w, GAMMA, 0.5, np.array([0.01, 0.02, 0.03, 0.04]) / (0.5 * shares))
    changes.give_tin(p, w, GAMMA, tin, copper_side)
    np.testing.assert_allclose(w.u[HERE[GAMMA]], after, rtol=0, atol=1e-16)
    np.testing.assert_allclose(w.x[HERE[GAMMA]], after / (0.5 * shares), rtol=0, atol=1e-14)
    assert w.tin[GAMMA] == close(0.1 + tin, rel=1e-13)
    assert w.n[GAMMA] == 0.5


@pytest.mark.parametrize("missing", [0.01, -0.01])
def test_two_compounds_settle_by_exchanging_atoms(p: Problem, w: Any, missing: float) -> None:
    layer(w, ETA, 0.5, 0.45)
    layer(w, EPSILON, 0.4, 0.25)
    changes.settle(p, w, ETA, EPSILON, missing)
    # 0.45 n1 + 0.25 n2 = 0.325 + missing, n1 + n2 = 0.9
    n1, n2 = np.linalg.solve([[0.45, 0.25], [1.0, 1.0]], [0.325 + missing, 0.9])
    check_compound(w, ETA, n1, 0.45)
    check_compound(w, EPSILON, n2, 0.25)


@pytest.mark.parametrize(("inner", "outer"), [(DELTA, GAMMA), (GAMMA, DELTA)])
def test_beside_a_profile_the_compound_takes_the_tin(p: Problem, w: Any, inner: int, outer: int) -> None:
    layer(w, DELTA, 0.5, 0.2)
    layer(w, GAMMA, 0.4, [0.19, 0.17, 0.16, 0.12])
    cells, tin = w.u.copy(), w.tin[GAMMA]
    changes.settle(p, w, inner, outer, 0.01)
    check_compound(w, DELTA, 0.11 / 0.2, 0.2)
    assert w.n[GAMMA] == close(0.4 - 0.01 / 0.2, rel=1e-14)
    assert w.tin[GAMMA] == tin
    np.testing.assert_array_equal(w.u, cells)


@pytest.mark.parametrize(("amounts", "richer"), [((0.5, 0.2), GAMMA), ((0.2, 0.5), BETA)])
def test_of_two_profiles_the_one_with_more_tin_is_raised_evenly(
    p: Problem, w: Any, amounts: tuple[float, float], richer: int
) -> None:
    layer(w, GAMMA, amounts[0], [0.19, 0.17, 0.16, 0.12])
    layer(w, BETA, amounts[1], [0.15, 0.14, 0.13, 0.12])
    u, x, tin, kept = w.u.copy(), w.x.copy(), w.tin.copy(), Kept(w)
    changes.settle(p, w, GAMMA, BETA, 0.01)
    tin[richer] += 0.01
    u[HERE[richer]] *= tin[richer] / (tin[richer] - 0.01)
    x[HERE[richer]] *= tin[richer] / (tin[richer] - 0.01)
    np.testing.assert_allclose(w.u, u, rtol=1e-14)
    np.testing.assert_allclose(w.x, x, rtol=1e-14)
    np.testing.assert_allclose(w.tin, tin, rtol=1e-14)
    kept.tin += 0.01
    kept.check()


# neighbours


# the core


def test_tin_melts_with_copper_of_the_compound_around_it(p: Problem, w: Any) -> None:
    layer(w, CORE, 0.5, 1.0)
    layer(w, ETA, 0.4, 0.45)
    changes.melt_core(p, w)
    # (0.5 + 0.45 a) / (0.5 + a) = 0.9
    taken = 0.5 * (1.0 - 0.9) / (0.9 - 0.45)
    check_compound(w, CORE, 0.5 + taken, 0.9)
    check_compound(w, ETA, 0.4 - taken, 0.45)


def test_melting_eats_a_thin_layer_whole_and_goes_on(p: Problem, w: Any) -> None:
    layer(w, CORE, 0.5, 1.0)
    layer(w, ETA, 0.02, 0.45)
    layer(w, EPSILON, 0.4, 0.25)
    changes.melt_core(p, w)
    assert (w.n[ETA], w.tin[ETA]) == (0.0, 0.0)
    # (0.5 + 0.02 * 0.45 + 0.25 a) / (0.52 + a) = 0.9
    taken = (0.509 - 0.9 * 0.52) / (0.9 - 0.25)
    check_compound(w, CORE, 0.52 + taken, 0.9)
    check_compound(w, EPSILON, 0.4 - taken, 0.25)


def test_melting_leaves_no_sliver_of_a_layer(p: Problem, w: Any) -> None:
    layer(w, CORE, 0.5, 1.0)
    layer(w, ETA, 0.05 / 0.45 * (1.0 + 5e-10), 0.45)
    layer(w, EPSILON, 0.4, 0.25)
    kept = Kept(w)
    changes.melt_core(p, w)
    assert w.n[ETA] == 0.0
    assert w.tin[CORE] / w.n[CORE] == close(0.9, rel=1e-13)
    kept.check()


def test_melting_into_a_profile_is_balanced_to_rounding(p: Problem, w: Any) -> None:
    layer(w, CORE, 5e-7, 1.0)
    layer(w, GAMMA_TIN, 4e-7, [0.3, 0.28, 0.22, 0.2])
    old, kept = pieces(w, GAMMA_TIN), Kept(w)
    changes.melt_core(p, w)
    assert w.tin[CORE] == close(0.9 * w.n[CORE], rel=3e-14)
    tin, left = cut(old, w.n[CORE] - 5e-7, False)
    # in more than one go, of which the last gives back what went too far
    assert w.tin[CORE] - 5e-7 == close(tin, rel=1e-12)
    assert w.n[GAMMA_TIN] == close(sum(atoms for atoms, _ in left), rel=1e-12)
    composition = w.x[HERE[GAMMA_TIN]]
    assert (np.diff(composition) < 0.0).all()
    assert composition.max() <= 0.3
    assert composition.min() >= 0.2 * (1.0 - 1e-12)
    kept.check()


def test_tin_without_copper_melts_as_it_is(p: Problem, w: Any) -> None:
    layer(w, CORE, 0.5, 1.0)
    changes.melt_core(p, w)
    check_compound(w, CORE, 0.5, 1.0)


def test_liquid_freezes_to_tin_and_the_compound_next_to_it(p: Problem, w: Any) -> None:
    w.x_out[CORE] = 0.99
    layer(w, CORE, 0.5, 0.8)
    layer(w, ETA, 0.3, 0.45)
    changes.freeze_core(p, w, COLD)
    # 0.99 n1 + 0.46 n2 = 0.4, n1 + n2 = 0.5
    n1, n2 = np.linalg.solve([[0.99, 0.46], [1.0, 1.0]], [0.4, 0.5])
    check_compound(w, CORE, n1, 0.99)
    assert w.n[ETA] == close(0.3 + n2, rel=1e-13)
    assert w.tin[ETA] == close(0.135 + 0.46 * n2, rel=1e-13)


def test_liquid_freezes_onto_the_tin_side_of_a_profile(p: Problem, w: Any) -> None:
    layer(w, CORE, 0.5, 0.8)
    layer(w, GAMMA_TIN, 0.3, [0.29, 0.28, 0.27, 0.26])
    old = pieces(w, GAMMA_TIN)
    changes.freeze_core(p, w, HOT)
    n1, n2 = np.linalg.solve([[0.9, 0.3], [1.0, 1.0]], [0.4, 0.5])
    check_compound(w, CORE, n1, 0.9)
    check_profile(w, GAMMA_TIN, [(n2, 0.3), *old])


# phases that are no longer stable


@pytest.mark.parametrize(
    ("regime", "slot", "x", "into"),
    [
        (WARM, GAMMA, 0.255, EPSILON),
        (WARM, ETA, 0.25, EPSILON),
        (WARM, ETA, 0.26, EPSILON),
        (COLD, DELTA, 0.95, CORE),
        # a little outside, as rounding leaves it
        (WARM, ETA, 0.26 + 5e-10, EPSILON),
        (WARM, ETA, 0.25 - 5e-10, EPSILON),
        # too rich for any phase, too poor for any
        (ALONE, ETA, 0.45, GAMMA),
        (ALONE, ALPHA, 0.05, GAMMA),
    ],
)
def test_a_phase_within_a_stable_one_joins_it_whole(
    p: Problem, w: Any, regime: int, slot: int, x: float, into: int
) -> None:
    layer(w, slot, 0.3, x)
    changes.decompose(p, w, regime, slot)
    assert np.flatnonzero(w.n).tolist() == np.flatnonzero(w.tin).tolist() == [into]
    assert w.n[into] == close(0.3, rel=1e-15)
    assert w.tin[into] == close(0.3 * x, rel=1e-15)
    if into in HERE:
        check_profile(w, into, [(0.3, x)])


@pytest.mark.parametrize(
    ("regime", "slot", "x", "tin_side", "copper_side"),
    [
        (WARM, ZETA, 0.235, EPSILON, DELTA),
        (WARM, GAMMA_TIN, 0.8, CORE, EPSILON),
        (HOT, ETA, 0.45, CORE, GAMMA_TIN),
        (HOT, DELTA, 0.2, EPSILON, GAMMA),
        (HOT, BETA, 0.15, GAMMA, ALPHA),
    ],
)
def test_a_phase_between_two_stable_ones_splits_by_the_lever_rule(
    p: Problem, w: Any, regime: int, slot: int, x: float, tin_side: int, copper_side: int
) -> None:
    layer(w, slot, 0.3, x)
    richer, leaner = X_OUT[tin_side], X_IN[copper_side]
    parts = np.linalg.solve([[richer, leaner], [1.0, 1.0]], [0.3 * x, 0.3])
    old = {}
    for into in (tin_side, copper_side):
        layer(w, into, 0.4, np.linspace(0.15, 0.12, len(EDGES[into]) - 1) if into in EDGES else 0.5)
        old[into] = pieces(w, into) if into in EDGES else []
    changes.decompose(p, w, regime, slot)
    assert w.n[slot] == w.tin[slot] == 0.0
    for into, part, own in ((tin_side, parts[0], richer), (copper_side, parts[1], leaner)):
        if into in EDGES:
            new = [(part, own)]
            check_profile(w, into, old[into] + new if into == tin_side else new + old[into])
        else:
            assert w.n[into] == close(0.4 + part, rel=1e-13)
            assert w.tin[into] == close(0.2 + part * own, rel=1e-13)


@pytest.mark.parametrize(
    ("x", "rich"),
    [
        ([0.28, 0.265, 0.2, 0.18], 0.5),
        # the first cell that is not richer ends the rich part, be it at the limit or below; what follows stays
        ([0.28, 0.26, 0.2, 0.18], 0.2),
        ([0.28, 0.2, 0.28, 0.18], 0.2),
        ([0.28, 0.27, 0.27, 0.25], 0.7),
    ],
)
def test_gamma_splits_where_it_is_richer_than_epsilon(p: Problem, w: Any, x: list[float], rich: float) -> None:
    layer(w, GAMMA, 0.5, x)
    cells, kept = pieces(w, GAMMA), Kept(w)
    changes.split_gamma(p, w, GAMMA_TIN, EPSILON, GAMMA)
    count = int(np.searchsorted(EDGES[GAMMA], rich))
    check_profile(w, GAMMA_TIN, cells[:count])
    check_profile(w, GAMMA, cells[count:])
    kept.check()


def test_gamma_all_richer_than_epsilon_moves_whole(p: Problem, w: Any) -> None:
    layer(w, GAMMA, 0.5, [0.3, 0.29, 0.28, 0.27])
    cells = pieces(w, GAMMA)
    changes.split_gamma(p, w, GAMMA_TIN, EPSILON, GAMMA)
    check_profile(w, GAMMA_TIN, cells)
    assert w.n[GAMMA] == w.tin[GAMMA] == 0.0
    assert not w.u[HERE[GAMMA]].any()


@pytest.mark.parametrize("x", [[0.2, 0.19, 0.18, 0.17], [0.26, 0.26, 0.26, 0.26], [0.2, 0.3, 0.3, 0.3]])
def test_gamma_not_richer_than_epsilon_at_its_end_stays(p: Problem, w: Any, x: list[float]) -> None:
    layer(w, GAMMA, 0.5, x)
    before = copied(w)
    changes.split_gamma(p, w, GAMMA_TIN, EPSILON, GAMMA)
    check_same(w, before)


# new layers


@pytest.mark.parametrize(
    ("host", "slot", "x", "beyond"),
    [
        # tin side: x above x_in of the host, towards x_out of the other
        (ALPHA, DELTA, [0.12, 0.1, 0.08, 0.12, 0.05, 0.01], [0.03, 0.01]),
        (ALPHA, BETA, [0.12, 0.09, 0.12, 0.12, 0.05, 0.01], [0.03]),
        (ALPHA, BETA, [0.08, 0.12, 0.12, 0.12, 0.05, 0.01], []),
        # copper side: x below x_out of the host, towards x_in of the other
        (GAMMA, BETA, [0.1, 0.18, 0.165, 0.16], [0.005, 0.01]),
        (GAMMA, ALPHA, [0.1, 0.1, 0.17, 0.16], [0.01]),
        (GAMMA, BETA, [0.16, 0.16, 0.16, 0.18], []),
        (GAMMA, ALPHA, [0.15, 0.14, 0.13, 0.12], [0.02, 0.03, 0.04, 0.05]),
    ],
)
def test_surplus_of_a_profile_by_the_lever_rule(
    p: Problem, w: Any, host: int, slot: int, x: list[float], beyond: list[float]
) -> None:
    """`beyond` is how far cells at that end are outside the host's range, in order of position."""
    layer(w, host, 0.5, x)
    share = np.diff(EDGES[host])
    share = share[len(share) - len(beyond) :] if slot > host else share[: len(beyond)]
    gap = X_OUT[host] - X_IN[slot] if slot > host else X_OUT[slot] - X_IN[host]
    expected = 0.5 * float(share @ np.array(beyond)) / gap
    assert changes.surplus(p, w, host, slot) == close(expected, rel=1e-12)


def test_surplus_of_liquid_by_the_lever_rule(p: Problem, w: Any) -> None:
    layer(w, CORE, 0.5, 0.85)
    made = changes.surplus(p, w, CORE, ETA)
    # what is left has the composition of the limit
    assert (0.425 - made * 0.46) / (0.5 - made) == close(0.9, rel=1e-13)
    layer(w, CORE, 0.5, 0.95)
    assert changes.surplus(p, w, CORE, ETA) == 0.0


def check_seed(w: Any, slot: int, amount: float, x: float) -> None:
    """A new layer of one composition, with a profile or without."""
    if slot in HERE:
        check_profile(w, slot, [(amount, x)])
    else:
        check_compound(w, slot, amount, x)


@pytest.mark.parametrize(
    ("n_eta", "n_zeta", "limit"),
    [
        # a seed; a hundredth of eta; a hundredth of zeta
        (0.9, 0.9, "seed"),
        (0.03, 0.9, "inner"),
        (0.9, 0.03, "outer"),
    ],
)
def test_a_seed_between_compounds_takes_from_both_by_the_lever_rule(
    p: Problem, w: Any, n_eta: float, n_zeta: float, limit: str
) -> None:
    layer(w, ETA, n_eta, 0.455)
    layer(w, ZETA, n_zeta, 0.235)
    assert changes.seed_between(p, w, EPSILON)
    # a mole of epsilon with 0.255 of tin from f moles of eta with 0.455 and 1 - f of zeta with 0.235
    from_eta, from_zeta = np.linalg.solve([[0.455, 0.235], [1.0, 1.0]], [0.255, 1.0])
    amount = {"seed": SEED[EPSILON], "inner": 0.01 * n_eta / from_eta, "outer": 0.01 * n_zeta / from_zeta}[limit]
    check_compound(w, EPSILON, amount, 0.255)
    check_compound(w, ETA, n_eta - from_eta * amount, 0.455)
    check_compound(w, ZETA, n_zeta - from_zeta * amount, 0.235)


@pytest.mark.parametrize(("inner", "outer", "slot"), [(EPSILON, ALPHA, DELTA), (GAMMA, ALPHA, BETA)])
def test_a_seed_beside_profiles_keeps_all_atoms_and_tin(p: Problem, w: Any, inner: int, outer: int, slot: int) -> None:
    """It is more than the first cell of alpha holds, so the tin that comes along is not what the end cell tells."""
    layer(w, EPSILON, 0.5, 0.255)
    layer(w, GAMMA, 0.4, [0.19, 0.18, 0.175, 0.17])
    layer(w, ALPHA, 0.6, [0.09, 0.06, 0.05, 0.04, 0.03, 0.02])
    x, leaner = 0.5 * (X_IN[slot] + X_OUT[slot]), 0.09
    richer = {EPSILON: 0.255, GAMMA: 0.17}[inner]
    for other in {EPSILON, GAMMA} - {inner}:
        changes.clear(p, w, other)
    share = (x - leaner) / (richer - leaner)
    amount = min(SEED[slot], 0.01 * w.n[inner] / share, 0.01 * 0.6 / (1.0 - share))
    kept = Kept(w)
    assert changes.seed_between(p, w, slot)
    check_seed(w, slot, amount, x)
    kept.check()
    if inner == EPSILON:
        assert w.tin[EPSILON] / w.n[EPSILON] == close(0.255, rel=1e-14)


@pytest.mark.parametrize(
    ("seeds", "gives"),
    [
        # eta and zeta too thin to give: from the core and delta behind them
        ((1.5, 1.5), (CORE, DELTA)),
        ((3.0, 1.5), (ETA, DELTA)),
        ((1.5, 3.0), (CORE, ZETA)),
    ],
)
def test_a_seed_does_not_live_on_seeds(p: Problem, w: Any, seeds: tuple[float, float], gives: Any) -> None:
    for slot, amount in ((CORE, 0.9), (ETA, seeds[0] * SEED[EPSILON]), (ZETA, seeds[1] * SEED[EPSILON]), (DELTA, 0.8)):
        layer(w, slot, amount, {CORE: 0.95, ETA: 0.455, ZETA: 0.235, DELTA: 0.205}[slot])
    before, kept = w.n.copy(), Kept(w)
    assert changes.seed_between(p, w, EPSILON)
    assert set(np.flatnonzero(w.n < before)) == set(gives)
    assert set(np.flatnonzero(w.n > before)) == {EPSILON}
    kept.check()


@pytest.mark.parametrize(
    "there",
    [
        {ETA: 0.455},
        {DELTA: 0.205},
        {},
        # both richer than a seed would be, both poorer
        {ETA: 0.455, ZETA: 0.256},
        {ETA: 0.255, ZETA: 0.24},
        {ETA: 0.25, ZETA: 0.24},
        {ETA: 0.24, ZETA: 0.46},
    ],
)
def test_no_seed_without_neighbours_on_either_side_of_its_composition(
    p: Problem, w: Any, there: dict[int, float]
) -> None:
    for slot, x in there.items():
        layer(w, slot, 0.5, x)
    before = copied(w)
    assert not changes.seed_between(p, w, EPSILON)
    check_same(w, before)


@pytest.mark.parametrize(
    ("atoms", "n_host", "limit"), [(1.0, 0.9, "seed"), (190.0, 0.99, "worth"), (190.0, 0.1, "host")]
)
@pytest.mark.parametrize(("host", "slot"), [(ALPHA, EPSILON), (ALPHA, BETA), (GAMMA, BETA), (BETA, ALPHA)])
def test_a_seed_at_an_edge_of_a_profile(
    p: Problem, w: Any, host: int, slot: int, atoms: float, n_host: float, limit: str
) -> None:
    """As much as a seed holds, ten used-up layers or a hundredth of the host; the end cell makes up for the tin."""
    copper_side = slot > host
    p = p._replace(all_tin=0.5 * atoms)
    layer(w, host, n_host, np.linspace(0.19, 0.06, len(EDGES[host]) - 1))
    amount = {"seed": SEED[slot], "worth": 10.0 * 0.01 * 1e-3 * 0.5 * atoms, "host": 0.01 * n_host}[limit]
    tin, left = cut(pieces(w, host), amount, copper_side)
    n, x = np.array(laid_out(host, left)).T
    own = X_IN[slot] if copper_side else X_OUT[slot]
    short = amount * own - tin
    kept = Kept(w)
    changes.seed_at_edge(p, w, slot, host, atoms)
    check_seed(w, slot, amount, own)
    u = n * x
    order = range(len(u) - 1, -1, -1) if copper_side else range(len(u))
    for c in order:
        drawn = min(short, u[c])
        u[c] -= drawn
        short -= drawn
    np.testing.assert_allclose(w.u[HERE[host]], u, rtol=1e-11, atol=1e-17)
    assert w.n[host] == close(n_host - amount, rel=1e-13)
    kept.check()


def test_liquid_gives_all_its_surplus_at_once(p: Problem, w: Any) -> None:
    layer(w, CORE, 0.5, 0.85)
    changes.seed_at_edge(p, w, ETA, CORE, 0.5)
    n_core, n_eta = np.linalg.solve([[0.9, 0.46], [1.0, 1.0]], [0.425, 0.5])
    check_compound(w, CORE, n_core, 0.9)
    check_compound(w, ETA, n_eta, 0.46)


# layers that run out


@pytest.mark.parametrize("tin", [0.001, -0.001])
@pytest.mark.parametrize(("slot", "copper_side"), [(DELTA, False), (ALPHA, True)])
def test_a_profile_takes_the_rest_of_its_neighbour(
    p: Problem, w: Any, slot: int, copper_side: bool, tin: float
) -> None:
    layer(w, GAMMA, 0.5, [0.19, 0.18, 0.175, 0.17])
    layer(w, EPSILON, 0.5, 0.25)
    u = w.u.copy()
    changes.absorb(p, w, 0.004, tin, slot, GAMMA, EPSILON)
    u[FIRST[GAMMA] + (3 if copper_side else 0)] += tin
    np.testing.assert_allclose(w.u, u, rtol=1e-14)
    assert w.n[GAMMA] == close(0.504, rel=1e-14)
    check_compound(w, EPSILON, 0.5, 0.25)


@pytest.mark.parametrize(("slot", "edge", "beyond"), [(CORE, ETA, EPSILON), (ZETA, EPSILON, ETA), (ETA, EPSILON, CORE)])
def test_two_compounds_share_the_rest_of_a_third(p: Problem, w: Any, slot: int, edge: int, beyond: int) -> None:
    x = {CORE: 0.95, ETA: 0.45, EPSILON: 0.25}
    layer(w, edge, 0.5, x[edge])
    layer(w, beyond, 0.4, x[beyond])
    tin = w.tin.sum() + 0.003
    changes.absorb(p, w, 0.004, 0.003, slot, edge, beyond)
    n_edge, n_beyond = np.linalg.solve([[x[edge], x[beyond]], [1.0, 1.0]], [tin, 0.904])
    check_compound(w, edge, n_edge, x[edge])
    check_compound(w, beyond, n_beyond, x[beyond])


@pytest.mark.parametrize(("slot", "edge", "beyond"), [(EPSILON, DELTA, GAMMA), (ALPHA, DELTA, GAMMA_TIN)])
def test_a_compound_before_a_profile_takes_all_the_tin(p: Problem, w: Any, slot: int, edge: int, beyond: int) -> None:
    layer(w, edge, 0.5, 0.2)
    layer(w, beyond, 0.4, [0.19, 0.18, 0.175, 0.17])
    u = w.u.copy()
    changes.absorb(p, w, 0.004, 0.003, slot, edge, beyond)
    check_compound(w, edge, 0.5 + 0.003 / 0.2, 0.2)
    assert w.n[beyond] == close(0.4 + 0.004 - 0.003 / 0.2, rel=1e-14)
    np.testing.assert_array_equal(w.u, u)


# ends of profiles too far from equilibrium


def relieved(host: int, cells: Pieces, atoms: float, limit: float, x_new: float, copper_side: bool) -> Any:
    """Split an end of a profile by the lever rule: atoms of the neighbour, and the cells that are left."""
    tin, left = cut(cells, atoms, copper_side)
    left = laid_out(host, left)
    part = (tin - limit * atoms) / (x_new - limit)
    back = (atoms - part, limit)
    return part, [*left, back] if copper_side else [back, *left]


@pytest.mark.parametrize("beyond", [-1, ETA, ALPHA])
def test_relief_of_the_tin_side(p: Problem, w: Any, beyond: int) -> None:
    # beta up to 0.16 beside delta of 0.2: the first cell is nine tenths of the way, the second a half
    layer(w, BETA, 0.5, [0.196, 0.18, 0.15, 0.2])
    layer(w, DELTA, 0.3, 0.2)
    for other in (ETA, ALPHA):
        layer(w, other, 0.2, 0.05)
    part, left = relieved(BETA, pieces(w, BETA), 0.5 * 0.4, 0.16, 0.2, False)
    kept = Kept(w)
    assert changes.relieve(p, w, BETA, DELTA, beyond)
    check_compound(w, DELTA, 0.3 + part, 0.2)
    check_profile(w, BETA, left)
    kept.check()


@pytest.mark.parametrize(("host", "x", "copper_side"), [(GAMMA, 0.17, True), (ALPHA, 0.09, False)])
def test_relief_onto_a_profile_lands_on_its_near_side(
    p: Problem, w: Any, host: int, x: float, copper_side: bool
) -> None:
    x_new = X_IN[BETA] if copper_side else X_OUT[BETA]
    cells = np.full(len(EDGES[host]) - 1, 0.18 if copper_side else 0.02)
    cells[-1 if copper_side else 0] = x + 0.9 * (x_new - x)
    layer(w, host, 0.5, cells)
    layer(w, BETA, 0.3, [0.158, 0.15, 0.145, 0.142])
    old, kept = pieces(w, BETA), Kept(w)
    end = 0.5 * np.diff(EDGES[host])[-1 if copper_side else 0]
    part, left = relieved(host, pieces(w, host), end, x, x_new, copper_side)
    assert part == close(0.9 * end)
    assert changes.relieve(p, w, host, BETA, -1)
    check_profile(w, BETA, [(part, x_new), *old] if copper_side else [*old, (part, x_new)])
    check_profile(w, host, left)
    kept.check()


@pytest.mark.parametrize("beyond", [-1, CORE, EPSILON])
def test_atoms_richer_than_the_compound_become_compound(p: Problem, w: Any, beyond: int) -> None:
    layer(w, BETA, 0.5, [0.23, 0.15, 0.14, 0.14])
    layer(w, DELTA, 0.3, 0.2)
    richest = max(beyond, CORE)
    x = {CORE: 0.95, EPSILON: 0.25}[richest]
    layer(w, richest, 0.2, x)
    left, kept = pieces(w, BETA)[1:], Kept(w)
    assert changes.relieve(p, w, BETA, DELTA, beyond)
    check_profile(w, BETA, left)
    # 0.075 atoms with 0.23: delta, and what is too much for it goes to the layer beyond or is booked with delta
    if beyond < 0:
        assert w.n[DELTA] == close(0.375, rel=1e-14)
        assert w.tin[DELTA] == close(0.06 + 0.075 * 0.23, rel=1e-13)
        check_compound(w, richest, 0.2, x)
    else:
        more, n_delta = np.linalg.solve([[x, 0.2], [1.0, 1.0]], [0.075 * 0.23, 0.075])
        check_compound(w, DELTA, 0.3 + n_delta, 0.2)
        check_compound(w, richest, 0.2 + more, x)
    kept.check()


GAMMA_FINE, GAMMA_RICH, GAMMA_POOR = [0.18] * 4, [0.199, 0.18, 0.18, 0.18], [0.18, 0.18, 0.18, 0.161]


@pytest.mark.parametrize(
    ("gamma", "grown"),
    [
        (GAMMA_FINE, set()),
        (GAMMA_RICH, {DELTA}),
        (GAMMA_POOR, {BETA}),
        ([0.199, 0.18, 0.18, 0.161], {DELTA, BETA}),
    ],
)
@pytest.mark.parametrize("there", [(DELTA, GAMMA, BETA), (CORE, EPSILON, DELTA, GAMMA, BETA, ALPHA)])
def test_both_ends_of_every_profile_are_relieved(
    p: Problem, w: Any, there: tuple[int, ...], gamma: list[float], grown: set[int]
) -> None:
    for k, slot in enumerate(there):
        w.sequence[k] = slot
        layer(w, slot, 0.5, gamma if slot == GAMMA else 0.5 * (X_IN[slot] + X_OUT[slot]))
    before, kept = w.n.copy(), Kept(w)
    assert changes.relieve_all(p, w, len(there)) is bool(grown)
    assert set(np.flatnonzero(w.n > before + 1e-6)) == grown
    kept.check()


# phases at the centre and at the barrier

WORTH = 10.0 * 0.01 * 1e-3
"""Surplus that starts a layer, as a share of the tin, of which there is less than copper: ten used-up layers."""


@pytest.mark.parametrize("share", [0.5, 1.01, 30.0])
@pytest.mark.parametrize(
    ("regime", "there", "host", "slot"),
    [
        (COLD, (ALPHA,), ALPHA, EPSILON),
        (WARM, (BETA, ALPHA), BETA, DELTA),
        (HOT, (GAMMA_TIN, EPSILON), GAMMA_TIN, CORE),
        (HOT, (ETA, GAMMA), GAMMA, ALPHA),
        (WARM, (DELTA, BETA), BETA, ALPHA),
        (HOT, (CORE,), CORE, GAMMA_TIN),
    ],
)
def test_how_far_a_phase_is_due_at_an_edge(
    p: Problem, w: Any, regime: int, there: tuple[int, ...], host: int, slot: int, share: float
) -> None:
    for k, own in enumerate(there):
        w.sequence[k] = own
        layer(w, own, 0.5, 0.5 * (X_IN[own] + X_OUT[own]))
    atoms = 0.7
    surplus = share * WORTH * 0.3
    if host == CORE:
        # core at its limit and the surplus of the new phase
        w.tin[CORE] = (0.5 - surplus) * X_OUT[CORE] + surplus * X_IN[slot]
    else:
        end = -1 if slot > host else 0
        limit, x_new = (X_OUT[host], X_IN[slot]) if slot > host else (X_IN[host], X_OUT[slot])
        width = 0.5 * np.diff(EDGES[host])[end]
        w.x[HERE[host]][end] = limit + surplus / width * (x_new - limit)
    p = p._replace(all_tin=0.3)
    found, due = changes.supersaturation(p, w, regime, len(there), atoms)
    assert found == slot
    assert due == close(share, rel=1e-6)


@pytest.mark.parametrize("slot", [ETA, GAMMA])
def test_adding_nothing_changes_nothing(p: Problem, w: Any, slot: int) -> None:
    before = copied(w)
    changes.add(p, w, slot, 0.0, 0.2, True)
    check_same(w, before)


def test_relief_of_a_whole_profile_leaves_it_at_its_limit(p: Problem, w: Any) -> None:
    layer(w, BETA, 0.5, 0.196)
    layer(w, DELTA, 0.3, 0.2)
    changes.relieve(p, w, BETA, DELTA, -1)
    n_beta, n_delta = np.linalg.solve([[0.16, 0.2], [1.0, 1.0]], [0.5 * 0.196, 0.5])
    # all but a millionth of its atoms
    assert w.n[BETA] == close(n_beta, rel=2e-5)
    assert w.n[DELTA] == close(0.3 + n_delta, rel=2e-6)
    np.testing.assert_allclose(w.x[HERE[BETA]], 0.16, rtol=5e-5, atol=0)


@pytest.mark.parametrize("beyond", [-1, EPSILON])
def test_atoms_richer_than_a_profile_join_it_as_they_are(p: Problem, w: Any, beyond: int) -> None:
    layer(w, ALPHA, 0.5, [0.2, 0.18, 0.05, 0.03, 0.02, 0.01])
    layer(w, BETA, 0.3, [0.158, 0.15, 0.145, 0.142])
    layer(w, EPSILON, 0.2, 0.25)
    cells, old, kept = pieces(w, ALPHA), pieces(w, BETA), Kept(w)
    assert changes.relieve(p, w, ALPHA, BETA, beyond)
    mean = (cells[0][0] * 0.2 + cells[1][0] * 0.18) / 0.05
    check_profile(w, BETA, [*old, (0.05, mean)])
    check_profile(w, ALPHA, cells[2:])
    check_compound(w, EPSILON, 0.2, 0.25)
    kept.check()


def test_relief_names_the_neighbour_and_the_layer_beyond_it(
    p: Problem, w: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both ends of every profile, with the layer two places on, or -1 where there is none."""
    there = (EPSILON, GAMMA, BETA, ALPHA)
    w.n[list(there)], w.sequence[:4] = 1.0, there
    asked: list[tuple[int, ...]] = []
    monkeypatch.setattr(changes, "relieve", lambda p, w, *slots: asked.append(slots))
    changes.relieve_all(p, w, 4)
    assert asked == [
        (GAMMA, EPSILON, -1), (GAMMA, BETA, ALPHA), (BETA, GAMMA, EPSILON), (BETA, ALPHA, -1), (ALPHA, BETA, GAMMA),
    ]  # fmt: skip
