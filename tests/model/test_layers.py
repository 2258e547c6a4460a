"""What the engine recorded sorted by phase, and the boundary tables it reads, against geometry done by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import pi
from typing import Any

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from bronzeward.errors import InputError
from bronzeward.growth.cell_grid import graded_edges
from bronzeward.growth.slots import (
    ALPHA,
    BETA,
    CORE,
    DELTA,
    EPSILON,
    ETA,
    GAMMA,
    GAMMA_TIN,
    N_SLOTS,
    SLOT_LABELS,
    WIDE,
)  # fmt: skip
from bronzeward.inputs.strand import Ring, Strand
from bronzeward.materials.properties import load_properties
from bronzeward.model.boundary_tables import _merge_close, build_regimes
from bronzeward.model.layers import COLUMN, alpha_profile, by_phase, radius_of_area
from bronzeward.thermo import load_table
from bronzeward.thermo.refine import TOLERANCE
from closeness import close
from growth_cases import regimes

STRAND = Strand(12e-6, (Ring(15e-6, 1.0), Ring(20e-6, 0.4)))
VOLUMES = [1.7e-5, 1.06e-5, 8.2e-6, 8.6e-6, 8.4e-6, 8.3e-6, 8.1e-6, 7.9e-6, 7.1e-6]
SLOPES = [0.0, 0.0, 1e-6, 0.0, 0.0, 0.0, 1e-6, 0.0, 2e-6]


def area_inside(radius: float) -> float:
    """Room for copper and tin inside a radius of `STRAND`: all to 15 um, 40 % of what lies beyond."""
    dense = pi * min(radius, 15e-6) ** 2
    return dense + 0.4 * pi * (max(radius, 15e-6) ** 2 - 15e-6**2)


@pytest.mark.parametrize("radius", [0.0, 5e-6, 12e-6, 14.9e-6, 15.1e-6, 18e-6, 20e-6])
def test_radius_that_holds_an_area(radius: float) -> None:
    assert float(radius_of_area(STRAND, np.array(area_inside(radius)))) == pytest.approx(radius, rel=1e-12, abs=1e-12)


def slots_filling(bounds: dict[int, tuple[float, float]]) -> tuple[Any, Any]:
    """Atoms and tin by slot of layers between two radii each, a quarter of the atoms tin."""
    amount, tin = np.zeros((1, N_SLOTS)), np.zeros((1, N_SLOTS))
    for slot, (inner, outer) in bounds.items():
        n = (area_inside(outer) - area_inside(inner)) / (VOLUMES[slot] + 0.25 * SLOPES[slot])
        amount[0, slot], tin[0, slot] = n, 0.25 * n
    return amount, tin


@pytest.mark.parametrize("liquid", [True, False])
def test_layers_between_their_radii(liquid: bool) -> None:
    bounds = {
        CORE: (0.0, 6e-6), ETA: (6e-6, 9e-6), EPSILON: (9e-6, 13e-6), DELTA: (13e-6, 16e-6), ALPHA: (16e-6, 20e-6)
    }  # fmt: skip
    amount, tin = slots_filling(bounds)
    found = by_phase([(STRAND, slice(None))], amount, tin, np.array([liquid]), VOLUMES, SLOPES)
    absent = set(COLUMN)
    for slot, (inner, outer) in bounds.items():
        phase = ("liquid" if liquid else "(Sn)") if slot == CORE else SLOT_LABELS[slot]
        k = COLUMN[phase]
        absent.remove(phase)
        radii = (found.inner[0, k], found.outer[0, k], found.thickness[0, k])
        assert radii == pytest.approx((inner, outer, outer - inner), abs=1e-14)
        assert (found.amount[0, k], found.tin[0, k]) == (amount[0, slot], tin[0, slot])
    for phase in absent:
        k = COLUMN[phase]
        assert found.amount[0, k] == found.tin[0, k] == found.thickness[0, k] == 0.0
        assert np.isnan([found.inner[0, k], found.outer[0, k]]).all()
    # core and copper are no shell
    assert found.shell[0] == pytest.approx(10e-6, abs=1e-14)


def test_rows_keep_what_the_engine_keeps() -> None:
    """Also where a layer stands below zero by rounding: nothing is cut off."""
    amount, tin = slots_filling({CORE: (0.0, 6e-6), EPSILON: (6e-6, 13e-6), ALPHA: (13e-6, 20e-6)})
    for values in (amount, tin):
        values[0, DELTA], values[0, EPSILON] = -1e-6 * values[0, CORE], values[0, EPSILON] + 1e-6 * values[0, CORE]
    found = by_phase([(STRAND, slice(None))], amount, tin, np.array([True]), VOLUMES, SLOPES)
    # sums of nine numbers, in two orders
    assert (found.amount.sum(), found.tin.sum()) == close((amount.sum(), tin.sum()), 1e-15)
    assert found.thickness[0, COLUMN["delta"]] == 0.0


@pytest.mark.parametrize("both", [True, False])
def test_gamma_at_both_sides_of_epsilon_is_one_phase(both: bool) -> None:
    bounds = {GAMMA_TIN: (4e-6, 6e-6), EPSILON: (6e-6, 7e-6), GAMMA: (7e-6, 12e-6), ALPHA: (12e-6, 20e-6)}
    if not both:
        bounds = {GAMMA_TIN: (4e-6, 6e-6), EPSILON: (6e-6, 7e-6), ALPHA: (7e-6, 20e-6)}
    amount, tin = slots_filling({CORE: (0.0, 4e-6), **bounds})
    found = by_phase([(STRAND, slice(None))], amount, tin, np.array([True]), VOLUMES, SLOPES)
    k = COLUMN["gamma"]
    assert found.thickness[0, k] == pytest.approx(7e-6 if both else 2e-6, abs=1e-14)
    assert found.amount[0, k] == amount[0, GAMMA] + amount[0, GAMMA_TIN]
    assert found.tin[0, k] == tin[0, GAMMA] + tin[0, GAMMA_TIN]
    ends = (7e-6, 12e-6) if both else (4e-6, 6e-6)
    assert (found.inner[0, k], found.outer[0, k]) == pytest.approx(ends, abs=1e-14)
    assert found.shell[0] == pytest.approx(8e-6 if both else 3e-6, abs=1e-14)


def test_profile_of_copper_against_radius() -> None:
    """Cells from the compound outwards to the barrier, each at the radius that halves its area."""
    properties, count = load_properties(), 6
    volume, slope = properties.molar_volume["alpha"], properties.alpha_slope
    shares, x = np.diff(graded_edges(count)), np.array([0.08, 0.05, 0.03, 0.02, 0.01, 0.0])
    room = area_inside(20e-6) - area_inside(13e-6)
    amount = room / (volume + slope * float((shares * x).sum()))
    others = np.full(4, 7.0)
    cells = np.concatenate([others, amount * shares * x])
    stored = np.array([cells, np.zeros_like(cells)])
    radius, found = alpha_profile(STRAND, np.array([amount, 0.0]), stored, properties, count)
    np.testing.assert_allclose(found[0], x, rtol=1e-13, atol=1e-16)
    assert np.isnan(radius[1]).all()
    assert np.isnan(found[1]).all()
    area = area_inside(13e-6)
    for k in range(count):
        own = amount * shares[k] * (volume + slope * x[k])
        assert area_inside(float(radius[0, k])) == close(area + 0.5 * own, rel=1e-9)
        area += own
    assert area == close(area_inside(20e-6), rel=1e-12)


# --- boundary tables


def test_what_the_engine_reads_is_what_the_table_says() -> None:
    """Boundaries at nodes of every regime; the mean thermodynamic factor where, and only where, a phase is wide."""
    table, own = load_table(), regimes()
    compared = set()
    for g, (low, high) in enumerate(pairwise(own.edges)):
        nodes = np.linspace(low, high, own.x_in.shape[2])
        for slot in range(N_SLOTS):
            factor = own.factor[g, slot]
            if not (own.present[g, slot] and WIDE[slot]):
                assert (factor == 1.0).all()
                continue
            side = "tin" if slot == GAMMA_TIN else "copper"
            rich, lean = table.boundaries_of(SLOT_LABELS[slot], nodes, side)
            wide = np.abs(rich - lean) > 1e-3
            integral = table.diffusion_width(SLOT_LABELS[slot], nodes, side)
            wide &= np.isfinite(integral)
            wide[[0, -1]] = False  # where two sequences of phases meet, a phase may have two boundaries
            if wide.any():
                compared.add(slot)
            np.testing.assert_allclose(factor[wide], integral[wide] / np.abs(rich - lean)[wide], rtol=1e-9)
            assert (factor > 0.0).all()
            # straight lines between the table's knots and the engine's smooth curve: each is true within TOLERANCE
            tin_side = np.maximum(rich, lean)
            np.testing.assert_allclose(own.x_in[g, slot][wide], tin_side[wide], rtol=0, atol=2 * TOLERANCE)
    assert compared == {slot for slot in range(N_SLOTS) if WIDE[slot]}
    assert own.factor[own.present[:, BETA] == 1, BETA].min() > 1.5


def test_ends_of_the_sequence() -> None:
    """Solid tin is pure, liquid on its liquidus; the copper end holds no tin; liquid from the eutectic on."""
    table, own = load_table(), regimes()
    eutectic = next(i.temperature for i in table.invariants if {"liquid", "(Sn)", "eta"} <= set(i.phases))
    for g, (low, high) in enumerate(pairwise(own.edges)):
        nodes = np.linspace(low, high, own.x_in.shape[2])
        molten = low >= eutectic - 1e-6
        assert own.liquid_core[g] == molten
        assert (own.x_in[g, CORE] == 1.0).all()
        assert (own.x_out[g, ALPHA] == 0.0).all()
        if not molten:
            assert (own.x_out[g, CORE] == 1.0).all()
            continue
        (field,) = (
            f for f in table.fields if f.tin_side == "liquid" and f.temperature[0] < nodes[200] < f.temperature[-1]
        )
        liquidus = PchipInterpolator(field.temperature, field.x_tin_side)
        inner = (nodes > field.temperature[1]) & (nodes < field.temperature[-2])  # the ends take other slopes
        np.testing.assert_allclose(own.x_out[g, CORE][inner], liquidus(nodes)[inner], rtol=1e-12)
        straight = np.interp(nodes, field.temperature, field.x_tin_side)
        np.testing.assert_allclose(own.x_out[g, CORE], straight, rtol=0, atol=2 * TOLERANCE)
    assert 0 < own.liquid_core.sum() < len(own.liquid_core)


@pytest.mark.parametrize(("coldest", "hottest"), [(100.0, 500.0), (300.0, 5000.0)])
def test_a_range_beyond_the_table_is_refused(coldest: float, hottest: float) -> None:
    with pytest.raises(InputError, match="leaves the thermodynamic table"):
        build_regimes(load_table(), coldest, hottest)


def test_regime_at_an_edge_is_the_one_above() -> None:
    own = regimes()
    for g, edge in enumerate(own.edges[:-1]):
        assert own.at(edge) == g
        assert own.at(edge - 1e-9) == max(g - 1, 0)
    assert own.at(own.edges[-1] + 100.0) == len(own.edges) - 2


def test_a_narrow_range_gets_the_regimes_it_touches() -> None:
    own, edges = load_table(), regimes().edges
    middle = 0.5 * (edges[2] + edges[3])
    found = build_regimes(own, middle, middle + 0.1)
    np.testing.assert_array_equal(found.edges, edges[2:4])
    # one that begins where the range ends is touched by it
    np.testing.assert_array_equal(build_regimes(own, middle, edges[3]).edges, edges[2:5])
    np.testing.assert_array_equal(build_regimes(own, edges[2], middle).edges, edges[2:4])


def test_cuts_that_are_one_but_for_rounding_are_merged() -> None:
    assert _merge_close([500.0, 500.0 + 5e-7, 500.0 + 3e-6, 600.0]) == [500.0, 500.0 + 3e-6, 600.0]


def test_a_void_behind_the_shell_leaves_the_core_full_and_the_copper_where_it_was() -> None:
    """Half the core gone: the void is at the centre, or it parts the copper from the rest."""
    amount, tin = slots_filling({CORE: (0.0, 8e-6), ETA: (8e-6, 9e-6), ALPHA: (13e-6, 20e-6)})
    liquid = np.array([False])
    there, behind = (
        by_phase([(replace(STRAND, void_place=place), slice(None))], amount, tin, liquid, VOLUMES, SLOPES)
        for place in ("core", "between shell and copper")
    )
    assert behind.outer[0, COLUMN["eta"]] == close(9e-6, rel=1e-12)
    assert behind.inner[0, COLUMN["alpha"]] == close(13e-6, rel=1e-12)
    assert behind.outer[0, COLUMN["alpha"]] == close(20e-6, rel=1e-12)
    assert there.outer[0, COLUMN["eta"]] == close(13e-6, rel=1e-12)
    assert behind.thickness[0, COLUMN["eta"]] > there.thickness[0, COLUMN["eta"]]  # the same area round a thinner core
