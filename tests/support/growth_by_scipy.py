"""The engine's equations left to scipy: one call of `solve_ivp(method="BDF")` between any two events.

State, boundaries, constants, cells and flows are the engine's, so both converge to the same numbers; what differs is
who steps. The right-hand side is written with numpy as a user of scipy would, its Jacobian is left to scipy.
Events (melting, seeds, run-outs) are the engine's own functions, called between the calls. Up to 520 °C, where
alpha is the only phase with a profile.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline

from bronzeward.growth import engine
from bronzeward.growth.changes import spent_amount
from bronzeward.growth.problem import EVENT_WIDTH, N_COUNTS, ROW_WIDTH, Problem, Record, new_work
from bronzeward.growth.slots import ALPHA, N_SLOTS
from bronzeward.growth.state import GAS_CONSTANT, find_sequence, set_temperature, touched_by_liquid
from bronzeward.growth.step import close_tin, refresh_cells
from bronzeward.model.problem_builder import as_lists

Array = NDArray[np.float64]

NOTHING = np.zeros((3, N_SLOTS))


class Baseline:
    """One problem, integrated by scipy."""

    def __init__(self, problem: Problem, rtol: float) -> None:
        self.p = as_lists(problem)
        self.rtol = rtol
        first = problem.cell_start[ALPHA]
        self.cells = slice(int(first), int(first + problem.cells[ALPHA]))
        self.edge = problem.edge[first + ALPHA : first + ALPHA + problem.cells[ALPHA] + 1]
        self.width = np.diff(self.edge)
        self.zones = problem.zone_area, problem.zone_offset, problem.zone_factor, problem.zone_shift
        self.volume, self.slope = problem.volume, problem.volume_slope
        self.evaluations = 0
        self.tables: dict[int, tuple[CubicSpline, CubicSpline]] = {}
        self.arrays = problem

    def boundaries(self, regime: int, kelvin: float, moving: bool) -> tuple[Array, Array]:
        """Compositions at both sides and factors of all slots, shape (3, 9), and their slopes with temperature."""
        if regime not in self.tables:
            q, nodes = self.arrays, self.p.nodes
            at = q.table_start[regime] + q.table_step[regime] * np.arange(nodes)
            rows = slice(regime * N_SLOTS * nodes, (regime + 1) * N_SLOTS * nodes)
            values = np.array([c[rows].reshape(N_SLOTS, nodes) for c in (q.x_in, q.x_out, q.factor)])
            spline = CubicSpline(at, values, axis=2)
            self.tables[regime] = spline, spline.derivative()
        value, slope = self.tables[regime]
        return value(kelvin), slope(kelvin) if moving else NOTHING

    def resistance(self, area: Array) -> Array:
        """S(A) of `geometry.resistance`."""
        if self.p.plane:
            return area
        starts, offset, factor, shift = self.zones
        k = np.clip(np.searchsorted(starts, area, side="right") - 1, 0, None)
        return np.asarray(offset[k] + factor[k] * np.log(np.maximum(area + shift[k], 1e-40)))

    def rates(self, time: float, y: Array, piece: tuple[int, float, float], slots: list[int], wet: int) -> Array:
        """Change of amounts and cell tin with time."""
        self.evaluations += 1
        regime, begin, slope = piece
        kelvin = begin + slope * time
        (x_in, x_out, factor), drift = self.boundaries(regime, kelvin, slope != 0.0)
        drift = drift * slope
        p, count, through = self.p, len(slots), 0.0
        n, u = y[:count], y[count:]
        has_alpha = slots[-1] == ALPHA
        x = u / (n[-1] * self.width) if has_alpha else u
        volume = n * self.volume[slots]
        cell = n[-1] * self.width * (self.volume[ALPHA] + self.slope[ALPHA] * x)
        if has_alpha:
            volume[-1] = cell.sum()
        outer = self.p.area - np.concatenate([np.cumsum(volume[::-1])[::-1][1:], [0.0]])
        if p.void_outside:
            outer[: -1 if has_alpha else None] = np.cumsum(volume)[: -1 if has_alpha else None]
        s = np.zeros(count)
        for k in range(count - 1):
            left, right = slots[k], slots[k + 1]
            if k == 0:
                given, by_speed = -n[0] * drift[1, left], -x_out[left]
            else:
                given, by_speed = through - n[k] * drift[0, left], -x_in[left]
            if k + 1 < count - 1:
                ends = self.resistance(np.array([outer[k], outer[k + 1]]))
                rate = self.rate(right, kelvin, right == wet) * (factor[right] if right != wet else 1.0)
                distance = ends[1] - ends[0]
                through = rate / (self.volume[right] * distance)
                through *= (distance * volume[k + 1]) ** (-0.5 * p.slowing[right])
                s[k] = (through - given) / (by_speed + x_in[right])
            elif right != ALPHA:
                s[k] = (n[k + 1] * drift[0, right] - given) / (by_speed + x_in[right])
            else:
                rho = self.faces(x, cell, outer[k], x_in[ALPHA], self.rate(ALPHA, kelvin, False) * factor[ALPHA])
                s[k] = self.front(given, by_speed, rho[0], x_in[ALPHA], x[0], s[k - 1] if k > 0 else 0.0)
        change = np.diff(np.concatenate([[0.0], s[:-1], [0.0]]))
        if not has_alpha:
            return change
        if count == 1:
            rho = self.faces(x, cell, outer[0] - volume[0], x[0], self.rate(ALPHA, kelvin, False) * factor[ALPHA])
        inner = s[-2] if count > 1 else 0.0
        speed = (1.0 - self.edge[1:-1]) * inner
        flow = np.zeros(x.size + 1)
        flow[1:-1] = (bernoulli(-rho[1:] * speed) * x[:-1] - bernoulli(rho[1:] * speed) * x[1:]) / rho[1:]
        if count > 1:
            flow[0] = (b_and_slope(-rho[0] * inner)[0] * x_in[ALPHA] - b_and_slope(rho[0] * inner)[0] * x[0]) / rho[0]
        return np.concatenate([change, flow[:-1] - flow[1:]])

    def rate(self, slot: int, kelvin: float, wet: bool) -> float:
        """Arrhenius constant of a slot."""
        p = self.p
        rate0, energy = (p.rate0_liquid, p.activation_liquid) if wet else (p.rate0, p.activation)
        return float(rate0[slot] * np.exp(-energy[slot] / (GAS_CONSTANT * kelvin)))

    def faces(self, x: Array, cell: Array, area: float, x_front: float, diffusivity: float) -> Array:
        """Resistances of the front and the inner faces of alpha."""
        edges = area + np.concatenate([[0.0], np.cumsum(cell)])
        at = self.resistance(np.concatenate([[area], 0.5 * (edges[1:] + edges[:-1])]))
        value = np.concatenate([[x_front], x])
        z = self.p.exponent[ALPHA] * np.diff(value)
        z = np.where(np.abs(z) < 1e-9, 1e-9, z)
        mean = np.exp(self.p.exponent[ALPHA] * value[:-1]) * np.expm1(z) / z
        middle = 0.5 * (value[1:] + value[:-1])
        return np.asarray((self.volume[ALPHA] + self.slope[ALPHA] * middle) * np.diff(at) / (diffusivity * mean))

    def front(self, given: float, by_speed: float, rho: float, x_in: float, x: float, guess: float) -> float:
        """Speed at which what the compound gives is what alpha takes, by Newton."""
        s = guess
        for _ in range(30):
            up, down = b_and_slope(-rho * s), b_and_slope(rho * s)
            miss = given + by_speed * s - (up[0] * x_in - down[0] * x) / rho
            step = miss / (by_speed + up[1] * x_in + down[1] * x)
            s -= step
            if abs(step) <= 1e-10 * abs(s):
                break
        return s

    def run(self) -> tuple[Array, list[Array]]:
        """Amounts by slot at the end, and at the end of every piece before what happens there."""
        p = self.p
        w = new_work(p.n_cells, lambda size: [0.0] * size)._replace(sequence=[0] * N_SLOTS)
        r = Record([0.0] * (2000 * ROW_WIDTH), [], [0.0] * (400 * EVENT_WIDTH), [0] * N_COUNTS)
        at_knots = []
        for slot in range(N_SLOTS):
            w.n[slot], w.tin[slot] = p.amount[slot], p.tin[slot]
        atoms, tin = float(np.sum(w.n)), float(np.sum(w.tin))
        regime = int(p.regime[0])
        set_temperature(p, w, regime, p.temperature_start[0], -1)
        if p.liquid_core[regime]:
            engine.melt_core(p, w)
        count = engine.fill_gaps(p, w, r, regime, 0.0, p.temperature_start[0], False)
        for k in range(len(p.regime)):
            begin = p.temperature_start[k]
            left = p.time[k + 1] - p.time[k]
            slope = (p.temperature_end[k] - begin) / left
            if int(p.regime[k]) != regime:
                count = engine.change_regime(p, w, r, regime, int(p.regime[k]), 0.0, begin)
                regime = int(p.regime[k])
            while left > 0.0:
                done = self.piece(w, regime, begin, slope, left, count, atoms)
                begin, left = begin + slope * done, left - done
                set_temperature(p, w, regime, begin, -1)
                close_tin(p, w, count, tin)
                refresh_cells(p, w, count)
                spent = engine.spent_edge(p, w, count, atoms)
                while spent >= 0:
                    count = engine.use_up(p, w, r, regime, count, spent, 0.0, begin)
                    spent = engine.spent_edge(p, w, count, atoms)
            at_knots.append(np.array(w.n))
        return np.array(w.n), at_knots

    def piece(self, w: Any, regime: int, begin: float, slope: float, left: float, count: int, atoms: float) -> float:
        """Integrate until the piece ends or the innermost or outermost layer runs out; the time taken."""
        p = self.p
        find_sequence(p, w, regime)
        slots = [int(w.sequence[k]) for k in range(count)]
        wet = touched_by_liquid(p, w, regime, count)
        has_alpha = slots[-1] == ALPHA
        y = np.concatenate([np.array(w.n)[slots], np.array(w.u)[self.cells] if has_alpha else []])

        def spent(_t: float, y: Array, *_rest: Any) -> float:
            if count < 2:
                return 1.0
            return float(min(y[j] - 0.9 * spent_amount(p, slots[j], atoms) for j in (0, count - 1)))

        spent.terminal = True  # type: ignore[attr-defined]
        scale = p.floor * p.perimeter / p.volume[ALPHA]
        atol = self.rtol * np.concatenate([np.full(count, scale), np.full(y.size - count, 1e-2 * scale)])
        found = solve_ivp(
            self.rates, (0.0, left), y, method="BDF", rtol=self.rtol, atol=atol, events=spent, max_step=p.longest_step,
            args=((regime, begin, slope), slots, wet),
        )  # fmt: skip
        if not found.success:
            raise RuntimeError(found.message)
        y, done = found.y[:, -1], float(found.t[-1])
        kelvin = begin + slope * done
        (x_in, x_out, _), _slope = self.boundaries(regime, kelvin, False)
        for j, slot in enumerate(slots):
            w.n[slot] = float(y[j])
            w.tin[slot] = float((x_out if j == 0 else x_in)[slot] * y[j])
        if has_alpha:
            w.u[self.cells] = y[count:].tolist()
            w.tin[ALPHA] = float(y[count:].sum())
        return done if found.status == 1 else left


def bernoulli(z: Any) -> Array:
    """z / (1 - exp(-z)): the weight of the upstream value."""
    z = np.asarray(z, dtype=float)
    small = np.abs(z) < 1e-5
    safe = np.where(small, 1.0, np.clip(z, -500.0, 500.0))
    return np.where(small, 1.0 + 0.5 * z, np.where(z < -500.0, 0.0, np.where(z > 500.0, z, safe / -np.expm1(-safe))))


def b_and_slope(z: float) -> tuple[float, float]:
    """The same weight of one number, and its slope."""
    if abs(z) < 1e-5:
        return 1.0 + 0.5 * z, 0.5 + z / 6.0
    if z > 300.0:
        return z, 1.0
    if z < -300.0:
        return 0.0, 0.0
    down = -np.expm1(-z)
    return z / down, (down - z * np.exp(-z)) / down**2


def before_events(run: Any) -> np.ndarray:
    """Amounts at the end of every piece of the schedule, before what happens there, as shares of all atoms."""
    rows = np.searchsorted(run.time, np.asarray(run.problem.time)[1:] * (1.0 - 1e-12))
    return np.asarray(run.amount[rows] / run.amount[0].sum())
