"""Internal equilibrium of a phase at fixed composition: min G(z) with x(z) = x.

A Newton step is split into the part along the gradient of x, which meets the composition, and
the part that keeps x, which lowers G:

    step = p a / |a|2 + N s,   a = dx/dz,   N an orthonormal basis of what is normal to a,
    p = x - x(z),   (N' H N) s = -N' (g + H a p / |a|2)

with g = dG/dz and H the Hessian of the Lagrangian. At the minimum dG/dx = a.g / |a|2. Site
fractions are measured in units of sqrt(z (1-z)), in which ideal mixing has the curvature of
one everywhere: a fraction of 1e-20 then counts for what it is worth.
"""

from __future__ import annotations

from functools import cached_property
from typing import NamedTuple

import numpy as np

from bronzeward.thermo.diagram_parts import Array

_FLOOR = 0.5
"""Least curvature of a step, per kelvin [J/(mol K)]; ideal mixing on one sublattice has up to 8.3."""


class State(NamedTuple):
    """A phase at given temperatures and compositions, arrays of shape (n,).

    energy G [J/mol], slope dG/dx, curvature d2G/dx2, energy_t dG/dT [J/(mol K)], slope_t d2G/dxdT;
    inner, the site fractions of the internal equilibrium (None where composition fixes them).
    """

    energy: Array
    slope: Array
    curvature: Array
    energy_t: Array
    slope_t: Array
    inner: Array | None


class Parts(NamedTuple):
    """G and x with their derivatives in the n free site fractions z at k points.

    g, g_t, x of shape (k,); g_z, g_tz, x_z of (k, n); g_zz, x_zz of (k, n, n).
    """

    g: Array
    g_z: Array
    g_zz: Array
    g_t: Array
    g_tz: Array
    x: Array
    x_z: Array
    x_zz: Array


class Constrained:
    """The quadratic model of G around given site fractions z, split along and across composition."""

    def __init__(self, parts: Parts, z: Array) -> None:
        self.parts = parts
        self.unit = np.sqrt(z * (1 - z))
        gradient = parts.x_z * self.unit
        self.force = parts.g_z * self.unit
        self.along = gradient / np.einsum("ki,ki->k", gradient, gradient)[:, None]
        self.slope = np.einsum("ki,ki->k", self.force, self.along)
        plain = parts.g_zz - self.slope[:, None, None] * parts.x_zz
        self.hessian = plain * self.unit[:, :, None] * self.unit[:, None, :]

    @cached_property
    def across(self) -> Array:
        """Orthonormal basis of the directions that keep x, shape (k, n, n-1), by a reflection."""
        if self.along.shape[1] == 2:
            turned = self.along[:, ::-1] * np.array([-1.0, 1.0])
            plane: Array = turned[:, :, None] / np.sqrt(np.einsum("ki,ki->k", turned, turned))[:, None, None]
            return plane
        mirror = self.along / np.linalg.norm(self.along, axis=1)[:, None]
        mirror[:, 0] += np.where(mirror[:, 0] < 0, -1.0, 1.0)
        mirror /= np.linalg.norm(mirror, axis=1)[:, None]
        basis: Array = np.eye(mirror.shape[1]) - 2 * mirror[:, :, None] * mirror[:, None, :]
        across: Array = basis[:, :, 1:]
        return across

    @cached_property
    def reduced(self) -> Array:
        """Hessian across composition, shape (k, n-1, n-1)."""
        return self._project(np.einsum("kij,kjm->kim", self.hessian, self.across))

    def step(self, x: Array, t: Array) -> Array:
        """Newton step of the site fractions towards the minimum at composition x, shape (k, n)."""
        first = (x - self.parts.x)[:, None] * self.along
        force = -self._project(self.force + np.einsum("kij,kj->ki", self.hessian, first))
        second = np.einsum("kim,km->ki", self.across, _solve(self._convex(t), force))
        result: Array = (first + second) * self.unit
        return result

    def state(self, z: Array, x: Array) -> State:
        """The phase at its internal equilibrium z; derivatives by the implicit function theorem.

        What z still misses of the composition x counts to first order in the energy.
        """
        by_t = self.parts.g_tz * self.unit
        bend = np.einsum("kij,kj->ki", self.hessian, self.along)
        inner_x = -np.einsum("kim,km->ki", self.across, _solve(self.reduced, self._project(bend)))
        inner_t = -np.einsum("kim,km->ki", self.across, _solve(self.reduced, self._project(by_t)))
        curvature = np.einsum("ki,ki->k", bend, self.along + inner_x)
        slope_t = np.einsum("ki,ki->k", self.along, by_t) + np.einsum("ki,ki->k", bend, inner_t)
        energy = self.parts.g + self.slope * (x - self.parts.x)
        return State(energy, self.slope, curvature, self.parts.g_t, slope_t, z)

    def _project(self, vector: Array) -> Array:
        result: Array = np.einsum("kim,ki...->km...", self.across, vector)
        return result

    def _convex(self, t: Array) -> Array:
        """The reduced Hessian, shifted along ideal mixing where it would not lead downhill."""
        if self.reduced.shape[1] == 1:
            return np.maximum(self.reduced, _FLOOR * t[:, None, None])
        lowest = np.linalg.eigvalsh(self.reduced)[:, 0]
        shift: Array = np.maximum(0.0, _FLOOR * t - lowest)
        return self.reduced + shift[:, None, None] * np.eye(self.reduced.shape[1])


def _solve(matrix: Array, vector: Array) -> Array:
    """Solutions of k small symmetric systems; matrix (k, m, m), vector (k, m)."""
    if matrix.shape[1] == 1:
        with np.errstate(divide="ignore", invalid="ignore"):
            return vector / matrix[:, :, 0]
    return np.asarray(np.linalg.solve(matrix, vector[..., None])[..., 0], dtype=np.float64)
