"""Transport between filaments: limits, the published low-order formula, and an own fine grid of one cell."""

from __future__ import annotations

from math import pi, sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import spsolve

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, Numerics, case_from_data
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.model.filament_array import lattice_sum, transverse_conductivity
from bronzeward.model.problem_builder import zone_table
from bronzeward.model.simulation import run_case
from closeness import close


def open_share(
    fixed: np.ndarray, low: np.ndarray, high: np.ndarray, centre: tuple[float, float], a: float
) -> np.ndarray:
    """Share of the faces from `low` to `high`, at `fixed` across, that lies outside a cylinder."""
    half = np.sqrt(np.maximum(a * a - (fixed - centre[0]) ** 2, 0.0))
    covered = np.minimum(high, centre[1] + half) - np.maximum(low, centre[1] - half)
    return 1.0 - np.clip(covered, 0.0, None) / (high - low)


def by_grid(copper: float, n: int = 160) -> float:
    """Finite volumes on a quarter of the rectangle with two cylinders; potential 0 and 1 on opposite sides."""
    width, height = 0.5, sqrt(3) / 2
    ny = round(n * height / width)
    a = sqrt((1 - copper) * height / pi)
    x, y = np.linspace(0, width, n + 1), np.linspace(0, height, ny + 1)
    circles = ((0.0, 0.0), (width, height))
    dx, dy = x[1], y[1]
    east = sum(open_share(x[:, None], y[None, :-1], y[None, 1:], c, a) - 1 for c in circles) + 1
    north = sum(open_share(y[None, :], x[:-1, None], x[1:, None], c[::-1], a) - 1 for c in circles) + 1
    east, north = np.clip(east, 0, 1) * dy / dx, np.clip(north, 0, 1) * dx / dy
    number = np.arange(n * ny).reshape(n, ny)
    rows, columns, values = [], [], []
    for one, other, g in (
        (number[:-1], number[1:], east[1:-1]),
        (number[:, :-1], number[:, 1:], north[:, 1:-1]),
    ):
        for i, j in ((one, other), (other, one)):
            rows += [i.ravel(), i.ravel()]
            columns += [i.ravel(), j.ravel()]
            values += [g.ravel(), -g.ravel()]
    for cells, g in ((number[0], 2 * east[0]), (number[-1], 2 * east[-1])):
        rows, columns, values = [*rows, cells], [*columns, cells], [*values, g]
    rows, columns, values = [*rows, number.ravel()], [*columns, number.ravel()], [*values, np.full(n * ny, 1e-12)]
    shape = (n * ny, n * ny)
    matrix = coo_matrix((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=shape).tocsc()
    right = np.zeros(n * ny)
    right[number[-1]] = 2 * east[-1]
    potential = spsolve(matrix, right)
    return float((2 * east[0] * potential[number[0]]).sum() * width / height)


@pytest.mark.parametrize("copper", [0.15, 0.25, 0.5, 0.8])
def test_one_cell_on_a_fine_grid(copper):
    assert transverse_conductivity(copper) == close(by_grid(copper), rel=0.01)


@pytest.mark.parametrize("copper", [0.4, 0.6, 0.9])
def test_low_order_formula(copper):
    """1 - 2f/(1 + f - 0.075422 f^6/(1 - 1.060283 f^12) - 0.000076 f^12), Perrins et al. 1979, from memory."""
    f = 1 - copper
    published = 1 - 2 * f / (1 + f - 0.075422 * f**6 / (1 - 1.060283 * f**12) - 0.000076 * f**12)
    assert transverse_conductivity(copper) == close(published, rel=1e-5)


def test_limits():
    assert transverse_conductivity(1.0) == 1.0
    assert transverse_conductivity(0.9) == close(0.9 / 1.1, rel=1e-6)
    for copper in (0.12, 0.2, 0.3, 0.5):
        assert transverse_conductivity(copper) < copper / (2 - copper)
    with pytest.raises(InputError, match="touch"):
        transverse_conductivity(0.095)


def test_lattice_sum_of_the_hexagonal_array():
    """S_6 from its rapidly converging form: 2 zeta(6) (1 - 504 sum sigma_5(n) q^n), q = exp(2 pi i tau)."""
    q = -np.exp(-pi * sqrt(3))
    sigma = [sum(d**5 for d in range(1, n + 1) if n % d == 0) for n in range(1, 12)]
    exact = 2 * pi**6 / 945 * (1 - 504 * sum(s * q**n for n, s in enumerate(sigma, start=1)))
    assert lattice_sum(6) == close(exact, rel=1e-6)


def test_a_packs_transport_is_kept_in_a_case():
    strand = Strand.round(24, 30, [(44, 0.5)], pack_transport="parallel channels")
    data = strand.to_data() | {"schedule": {"steps": [{"ramp_C_per_h": 25.0, "to_C": 300.0}]}}
    assert case_from_data(data, Path()).strand == strand
    with pytest.raises(InputError, match="between filaments"):
        Strand.round(24, 30, [(44, 0.5)], pack_transport="sideways")


def tin_taken(strand: Strand) -> float:
    """Tin that has left a bare core after half an hour at 200 C [mol/m]."""
    detail = Numerics(seed_nm=0.1, tolerance=1e-5)
    run = run_case(Case(strand, Schedule.start(200).hold(0.5), load_set("couples"), numerics=detail))
    return float(run["tin_used"][-1] * run["total_tin"][-1])


@pytest.mark.parametrize(("copper", "parallel", "between"), [(0.5, 0.48, 0.36), (0.25, 0.16, 0.09)])
def test_early_growth_from_a_bare_core(copper, parallel, between):
    """Rates of the parabolic law over that in pure copper, amounts squared, as an independent review computed them,

    with the constants that the default set was then.
    """
    pure = tin_taken(Strand.round(24, 60))
    for transport, expected in (("parallel channels", parallel), ("between filaments", between)):
        pack = Strand.round(24, None, [(60, copper)], pack_transport=transport)
        assert (tin_taken(pack) / pure) ** 2 == pytest.approx(expected, abs=0.015)


def test_the_pack_alone_gets_longer_paths():
    between = Strand.round(24, 30, [(44, 0.5)])
    parallel = Strand.round(24, 30, [(44, 0.5)], pack_transport="parallel channels")
    longer = np.array(zone_table(between)["zone_factor"]) / zone_table(parallel)["zone_factor"]
    assert longer == close([1.0, 0.5 / transverse_conductivity(0.5)], rel=1e-12)
    assert zone_table(between)["zone_area"] == zone_table(parallel)["zone_area"]
