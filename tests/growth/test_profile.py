"""The profile in a wide phase: erfc, Crank's series, order in cells and time, and the fitted flow's two ends."""

from __future__ import annotations

from math import expm1, log, pi, sqrt

import numpy as np
import pytest
from scipy.integrate import trapezoid
from scipy.optimize import brentq
from scipy.special import erfc, j0, j1, jn_zeros, y0

from bronzeward.growth.problem import Problem, new_work
from bronzeward.growth.profile import bernoulli, lay_faces, mean_growth, solve_cells
from bronzeward.growth.slots import ALPHA, N_SLOTS
from bronzeward.growth.step import GAMMA, STAGES, WEIGHTS
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from closeness import close
from growth_cases import problem_of

D, VOLUME = 1e-15, 7e-6


class Layer:
    """One wide phase whose two ends stand still, driven through `profile.py` with the engine's own method."""

    def __init__(
        self, edges: np.ndarray, size: float, x_in: float | None, x_out: float | None, hole: float | None = None
    ) -> None:
        # hole: area inside the layer [m2]; None: plane
        cells = len(edges) - 1
        base = problem_of(Strand.couple(10, 10), Schedule.start(20).ramp(10, to=30))
        zones = {"zone_area": [0.0], "zone_offset": [0.0], "zone_factor": [1.0 / (4.0 * pi)], "zone_shift": [0.0]}
        start, edge = [0] * N_SLOTS, [0.0] * ALPHA + list(edges)
        counts = [0] * N_SLOTS
        counts[ALPHA] = cells
        self.problem: Problem = base._replace(
            plane=int(hole is None), **zones, cells=counts, cell_start=start, edge=edge, n_cells=cells,
            volume=[VOLUME] * N_SLOTS, volume_slope=[0.0] * N_SLOTS, exponent=[0.0] * N_SLOTS,
        )  # fmt: skip
        self.work = new_work(cells, lambda count: [0.0] * count)
        self.work.rate[ALPHA] = D
        self.work.reached[ALPHA] = cells
        self.ends, self.hole, self.amount = (x_in is not None, x_out is not None), hole or 0.0, size / VOLUME
        self.work.x_in[ALPHA], self.work.x_out[ALPHA] = x_in or 0.0, x_out or 0.0
        self.atoms = self.amount * np.diff(edges)
        self.size = size

    def run(self, x: np.ndarray, seconds: float, steps: int) -> np.ndarray:
        """Cell compositions after some steps."""
        w, h = self.work, seconds / steps
        table = np.array(WEIGHTS).reshape(STAGES, STAGES)
        u = x * self.atoms
        for _ in range(steps):
            slopes = np.zeros((STAGES, len(u)))
            for stage in range(STAGES):
                known = u + h * table[stage, :stage] @ slopes[:stage]
                w.u_star[:] = list(known)
                w.x[:] = list(known / self.atoms)
                lay_faces(self.problem, w, ALPHA, self.amount, self.hole)
                solve_cells(self.problem, w, ALPHA, self.amount, 1.0, 0.0, 0.0, GAMMA * h, *self.ends)
                new = np.array(w.right[ALPHA : ALPHA + len(u)]) * self.atoms
                slopes[stage] = (new - known) / (GAMMA * h)
            u = new
        return u / self.atoms


def test_plane_against_erfc() -> None:
    """x = x0 erfc(z / 2 sqrt(D t)), semi-infinite: J. Crank, The Mathematics of Diffusion (2nd ed. 1975), eq. 2.45."""
    size, seconds = 10e-6, (1e-6) ** 2 / D
    errors = []
    for cells in (100, 200, 400):
        edges = np.linspace(0.0, 1.0, cells + 1)
        got = Layer(edges, size, 0.05, None).run(np.zeros(cells), seconds, 200)
        z = 0.5 * (edges[1:] + edges[:-1]) * size
        errors.append(np.abs(got - 0.05 * erfc(z / (2.0 * sqrt(D * seconds)))).max())
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    # second order in the cells, seen within a fifth at these sizes
    assert (np.abs(orders - 2.0) < 0.2).all(), (errors, orders)
    assert errors[-1] < 1e-4 * 0.05


def solid_series(r: np.ndarray, a: float, t: float) -> np.ndarray:
    """Cylinder filled through its surface: Crank, eq. 5.22, with surface 1 and inside 0."""
    roots = jn_zeros(0, 60) / a
    terms = np.exp(-D * roots**2 * t) * j0(np.outer(r, roots)) / (roots * j1(a * roots))
    return 1.0 - 2.0 / a * terms.sum(axis=1)


def hollow_series(r: np.ndarray, a: float, b: float, t: float) -> np.ndarray:
    """Hollow cylinder, surface a at 1, surface b and inside at 0: Crank, eq. 5.62."""

    def u(radius: np.ndarray | float, root: np.ndarray | float) -> np.ndarray:
        return j0(radius * root) * y0(b * root) - j0(b * root) * y0(radius * root)

    grid = np.linspace(1e-3, 40.0, 40001) / (b - a)
    values = u(a, grid)
    signs = np.flatnonzero(values[:-1] * values[1:] < 0)
    result = np.log(b / r) / log(b / a)
    for k in signs:
        root = brentq(lambda g: float(u(a, g)), grid[k], grid[k + 1])
        ja, jb = j0(a * root), j0(b * root)
        result = result - pi * (0.0 - jb) * ja * u(r, root) / (ja**2 - jb**2) * np.exp(-D * root**2 * t)
    return result


def centres(edges: np.ndarray, size: float, hole: float) -> np.ndarray:
    """Radius that halves the area of each cell."""
    return np.sqrt((hole + 0.5 * (edges[1:] + edges[:-1]) * size) / pi)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.5])
def test_solid_cylinder_against_crank(share: float) -> None:
    a = 5e-6
    seconds, size = share * a**2 / D, pi * a**2
    errors = []
    for cells in (50, 100, 200):
        edges = np.linspace(0.0, 1.0, cells + 1)
        got = Layer(edges, size, None, 0.05, hole=0.0).run(np.zeros(cells), seconds, 100)
        errors.append(np.abs(got / 0.05 - solid_series(centres(edges, size, 0.0), a, seconds)).max())
    # at the axis, where a cell of equal area is wide in radius, the order lies between one and two
    assert errors[1] < 0.6 * errors[0]
    assert errors[2] < 0.6 * errors[1]
    assert errors[2] < 2e-3


@pytest.mark.parametrize("share", [0.05, 0.3, 3.0])
def test_hollow_cylinder_against_crank(share: float) -> None:
    a, b = 3e-6, 8e-6
    seconds, size, hole = share * (b - a) ** 2 / D, pi * (b**2 - a**2), pi * a**2
    errors = []
    for cells in (50, 100, 200):
        edges = np.linspace(0.0, 1.0, cells + 1)
        got = Layer(edges, size, 0.05, 0.0, hole=hole).run(np.zeros(cells), seconds, 100)
        if share < 1.0:
            errors.append(np.abs(got / 0.05 - hollow_series(centres(edges, size, hole), a, b, seconds)).max())
        else:
            # long after: the steady logarithm, which constant flow between centres meets exactly
            errors.append(np.abs(got / 0.05 - np.log(b / centres(edges, size, hole)) / log(b / a)).max())
    if share < 1.0:
        assert abs(np.log2(errors[1] / errors[2]) - 2.0) < 0.25, errors
    assert errors[-1] < 1e-4


def test_order_in_time() -> None:
    """A smooth start that agrees with its ends: the method shows its order four."""
    edges = np.linspace(0.0, 1.0, 41)
    size = 4e-6
    layer = Layer(edges, size, None, None)
    start = 0.03 + 0.02 * np.cos(pi * 0.5 * (edges[1:] + edges[:-1]))
    seconds = size**2 / (pi**2 * D)
    exact = layer.run(start, seconds, 256)
    errors = [np.abs(layer.run(start, seconds, steps) - exact).max() for steps in (1, 2, 4)]
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert (np.abs(orders - 4.0) < 0.4).all(), (errors, orders)


def test_fitted_flow_at_both_ends() -> None:
    """B(z) -> 1 - z/2 + z^2/12 for slow faces (central differences), -z or nothing for fast ones (transport)."""
    for z in (-1e-3, -1e-5, 0.0, 1e-5, 1e-3):
        assert bernoulli(z) == close(1.0 - 0.5 * z + z * z / 12.0, rel=1e-14)  # next term z^4 / 720
    for z in (-30.0, -2.0, 0.5, 3.0, 30.0):
        assert bernoulli(z) == close(z / expm1(z), rel=1e-15)
        assert bernoulli(-z) - bernoulli(z) == close(z, rel=1e-14)
    assert bernoulli(1e4) == 0.0
    assert bernoulli(-1e4) == 1e4
    # across the change of formula
    assert bernoulli(0.99999e-4) == pytest.approx(bernoulli(1.00001e-4), abs=2e-9)


def test_copper_consumed_at_its_bulk_composition_where_the_skin_is_thin() -> None:
    """A fast interface takes the first cell as it is: flow in = -x1 s."""
    edges = np.linspace(0.0, 1.0, 11)
    layer = Layer(edges, 5e-6, 0.08, None)
    w = layer.work
    x = np.full(10, 0.02)
    w.u_star[:], w.x[:] = list(x * layer.atoms), list(x)
    speed = 1e6 * D / (5e-7 * VOLUME)
    lay_faces(layer.problem, w, ALPHA, layer.amount, 0.0)
    flow_in, flow_out = solve_cells(layer.problem, w, ALPHA, layer.amount, 1.0, speed, 0.0, 1e-12, True, False)
    # exp(-Peclet) of the skin reaches the cell: nothing at 5e5
    assert flow_in == close(-0.02 * speed, rel=1e-9)
    assert flow_out == 0.0


def test_mean_growth_is_the_mean_of_the_exponential() -> None:
    for left, right in ((0.0, 0.08), (0.05, 0.02), (0.03, 0.03)):
        points = np.linspace(left, right, 20001)
        # the trapezoid's own error, (28.7 * 0.08)^2 / 12 / 4e8
        mean = trapezoid(np.exp(28.7 * points), dx=1.0 / 20000)
        assert mean_growth(28.7, left, right) == close(mean, rel=1e-8)
