"""Gibbs energies of the phases, compiled from pycalphad's models.

Each phase becomes a function of temperature T [K] and tin fraction x: G(T, x) [J per mole of
atoms] and its derivatives. Where a phase has more freedom than its composition (an order between
sublattices), the rest is eliminated at every point: G(T, x) = min over site fractions y of
G(T, y) with x_Sn(y) = x, by Newton on the Lagrangian. Derivatives follow from the implicit
function theorem. Below the lower limit of a TDB function its lowest range is extrapolated.

What pycalphad says of a phase comes through `tdb`; here only symengine compiles it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import symengine

from bronzeward.thermo.diagram_parts import Array
from bronzeward.thermo.hull import lower_hull
from bronzeward.thermo.site_fractions import Constrained, Parts, State

_LEVELS = np.array([1e-9, 1e-6, 1e-4, 1e-3, 0.01, 0.03, 0.07, 0.13, 0.2, 0.3, 0.4, 0.5])
_GUESS_STEP = 50.0
_BELOW_ONE = np.nextafter(1.0, 0.0)


@dataclass(frozen=True)
class Expressions:
    """What pycalphad says of one phase, in its free site fractions.

    `free` are the symbols, `blocks` how many belong to each sublattice, `energy` and `tin` the
    Gibbs energy and the tin fraction.
    """

    name: str
    label: str
    temperature: Any
    free: list[Any]
    blocks: list[int]
    energy: Any
    tin: Any


class Phase:
    """One phase as a function of temperature and composition."""

    def __init__(self, source: Expressions) -> None:
        self.name = source.name
        self.label = source.label
        self._blocks = source.blocks
        self._n = len(source.free)
        self._function, self._size = _compile(source)
        corners = _corners(source.blocks)
        tin = np.round(self._tin(corners), 14)  # the clip in _call leaves 1e-300 of a pure element
        self.x_low, self.x_high = float(tin.min()), float(tin.max())
        self.line = self._n == 0 or self.x_high - self.x_low < 1e-12
        self.stoichiometric = np.unique(np.round(tin, 12))
        self._direct = self._n == 1 and not source.tin.diff(source.free[0]).free_symbols
        self._scale = (tin[0], 1 / (tin[-1] - tin[0])) if self._direct else (0.0, 1.0)
        self._guesses: dict[int, tuple[Array, Array]] = {}

    def energy(self, temperature: Array, x: Array) -> Array:
        """G(T, x) [J/mol] for arrays of one shape (n,)."""
        return self.at(temperature, x).energy

    def at(self, temperature: Array, x: Array, start: Array | None = None, rounds: int = 60) -> State:
        """Gibbs energy and derivatives at temperatures [K] and tin fractions of one shape (n,).

        `start` are site fractions of an earlier state nearby. `rounds` limits the Newton steps of
        the internal equilibrium; the error in G is of second order in what remains.
        """
        t = np.asarray(temperature, dtype=float)
        if self.line:
            return self._at_line(t)
        x = np.asarray(x, dtype=float)
        if self._direct:
            return self._at_direct(t, x)
        return self._at_inner(t, x, self._guess(t, x) if start is None else start.copy(), rounds)

    def _at_line(self, t: Array) -> State:
        v = self._call(t, np.full((t.size, self._n), 0.5))
        nothing = np.full(t.shape, np.nan)
        return State(v[:, 0], nothing, nothing, v[:, 1 + self._n + self._n * self._n], nothing, None)

    def _at_direct(self, t: Array, x: Array) -> State:
        z0, per = self._scale
        v = self._call(t, ((x - z0) * per)[:, None])
        return State(v[:, 0], v[:, 1] * per, v[:, 2] * per * per, v[:, 3], v[:, 4] * per, None)

    def _at_inner(self, t: Array, x: Array, z: Array, rounds: int) -> State:
        active = np.arange(t.size)
        for _ in range(rounds):
            system = Constrained(self._parts(self._call(t[active], z[active])), z[active])
            step = system.step(x[active], t[active])
            z[active], change = _limited(z[active], step, self._blocks)
            active = active[change > 1e-7]  # quadratic: the step after this one would be below 1e-13
            if not active.size:
                break
        return Constrained(self._parts(self._call(t, z)), z).state(z, x)

    def _guess(self, t: Array, x: Array) -> Array:
        """Start site fractions: linear on the hull of a coarse sample at a nearby temperature."""
        z = np.empty((t.size, self._n))
        which = np.round(t / _GUESS_STEP).astype(int)
        for key in np.unique(which):
            if key not in self._guesses:
                self._guesses[key] = self._sample(key * _GUESS_STEP)
            xs, zs = self._guesses[key]
            rows = which == key
            for k in range(self._n):
                z[rows, k] = np.interp(x[rows], xs, zs[:, k])
        return z

    def _sample(self, temperature: float) -> tuple[Array, Array]:
        z = _interior(self._blocks)
        parts = self._parts(self._call(np.full(len(z), temperature), z))
        order = np.lexsort((parts.g, parts.x))
        keep = order[lower_hull(parts.x[order], parts.g[order])]
        return parts.x[keep], z[keep]

    def _tin(self, z: Array) -> Array:
        v = self._call(np.full(len(z), 1000.0), z)
        result: Array = v[:, 2 + 2 * self._n + self._n * self._n]
        return result

    def _call(self, t: Array, z: Array) -> Array:
        arguments = np.empty((t.size, 1 + self._n))
        arguments[:, 0] = t
        np.clip(z, 1e-300, _BELOW_ONE, out=arguments[:, 1:])  # keeps the logarithms finite
        values: Array = np.asarray(self._function(arguments)).reshape(t.size, self._size)
        return values

    def _parts(self, v: Array) -> Parts:
        n, m = self._n, self._n * self._n
        square = (-1, n, n)
        return Parts(
            v[:, 0],
            v[:, 1 : 1 + n],
            v[:, 1 + n : 1 + n + m].reshape(square),
            v[:, 1 + n + m],
            v[:, 2 + n + m : 2 + 2 * n + m],
            v[:, 2 + 2 * n + m],
            v[:, 3 + 2 * n + m : 3 + 3 * n + m],
            v[:, 3 + 3 * n + m :].reshape(square),
        )


def _compile(source: Expressions) -> tuple[Any, int]:
    """One function of (T, z...) returning G, G_z, G_zz, G_T, G_Tz, x, x_z, x_zz."""
    free, t = source.free, source.temperature
    gradient = [source.energy.diff(z) for z in free]
    by_t = source.energy.diff(t)
    tin_gradient = [source.tin.diff(z) for z in free]
    outputs = [
        source.energy,
        *gradient,
        *[g.diff(z) for g in gradient for z in free],
        by_t,
        *[by_t.diff(z) for z in free],
        source.tin,
        *tin_gradient,
        *[g.diff(z) for g in tin_gradient for z in free],
    ]
    # optimised code, and any compiled code where only temperature varies, costs more than it saves
    backend = "llvm" if free else "lambda"
    outputs = [symengine.sympify(output) for output in outputs]
    options = {"opt_level": 0} if free else {}
    return symengine.Lambdify([t, *free], outputs, backend=backend, cse=True, **options), len(outputs)


def _corners(blocks: list[int]) -> Array:
    """Every combination of pure sublattices, shape (k, n)."""
    corners = np.zeros((1, 0))
    for size in blocks:
        corner = np.vstack([np.zeros((1, size)), np.eye(size)])
        corners = np.hstack([np.repeat(corners, len(corner), axis=0), np.tile(corner, (len(corners), 1))])
    return corners


def _interior(blocks: list[int]) -> Array:
    """A coarse sample of site fractions, dense near the pure sublattices, shape (k, n)."""
    sample = np.zeros((1, 0))
    for size in blocks:
        if size == 1:
            levels = np.concatenate([_LEVELS, 1 - _LEVELS[-2::-1]])[:, None]
        else:
            levels = np.random.default_rng(0).dirichlet(np.full(size + 1, 0.5), 40)[:, :size]
            levels = np.clip(levels, 1e-9, 1 - 1e-8)
        sample = np.hstack([np.repeat(sample, len(levels), axis=0), np.tile(levels, (len(sample), 1))])
    return sample


def _limited(z: Array, step: Array, blocks: list[int]) -> tuple[Array, Array]:
    """Site fractions after a step that takes none below a tenth of itself, and the relative move."""
    new = np.clip(z + step, 0.1 * z, 1 - 0.1 * (1 - z))
    start = 0
    for size in blocks:
        if size > 1:
            sublattice = slice(start, start + size)
            room, used = 1 - z[:, sublattice].sum(axis=1), (new[:, sublattice] - z[:, sublattice]).sum(axis=1)
            scale = np.minimum(1.0, 0.9 * room / np.maximum(used, 1e-300))
            new[:, sublattice] = z[:, sublattice] + scale[:, None] * (new[:, sublattice] - z[:, sublattice])
        start += size
    new = np.clip(new, 1e-300, _BELOW_ONE)
    return new, np.max(np.abs(new - z) / np.minimum(z, 1 - z), axis=1)
