"""The tin profile inside a phase with real width: finite volumes that move with the layer.

In the atom-counting coordinate m a cell spans n (xi_{k+1} - xi_k) atoms, and its faces move at
v_k = (1 - xi_k) s_in + xi_k s_out. The flow of tin through a face, as the face sees it, is
-(D/V) dN/dS - v N with S the radial resistance; between two cell centres (or an interface and the
first centre) its exact solution for constant coefficients is the exponentially fitted flow of
Scharfetter and Gummel (IEEE Trans. Electron Devices 16 (1969) 64),

    flow = (B(-P) N_left - B(P) N_right) / rho,   P = -v rho,   B(z) = z / (exp(z) - 1),

which becomes central differences for small P and pure transport for large P. So where diffusion is
slower than the interface, copper is consumed at the composition of its first cell.
"""

from __future__ import annotations

from math import exp, expm1, log1p

from bronzeward.growth.geometry import SMALLEST_AREA, path
from bronzeward.growth.problem import Problem, Work

THIN_SKIN = 600.0
"""Peclet number of half the first cell beyond which diffusion into a flat profile is nothing at all."""


def bernoulli(z: float) -> float:
    """B(z) = z / (exp(z) - 1), without cancellation or overflow; to 1e-12 from its series where z is small."""
    square = z * z
    if square < 0.04:
        return 1.0 - 0.5 * z + square * (1.0 / 12.0 - square * (1.0 / 720.0 - square / 30240.0))
    if z > 500.0:
        return 0.0
    if z < -500.0:
        return -z
    return z / expm1(z)


def log_of_rise(rise: float) -> float:
    """log(1 + rise) for a rise that is not negative, to 1e-13: a cell's is small, where the series is quicker."""
    if rise < 0.005:
        return rise * (1.0 - rise * (1.0 / 2.0 - rise * (1.0 / 3.0 - rise * (1.0 / 4.0 - rise * 0.2))))
    return log1p(rise)


def mean_growth(exponent: float, x_left: float, x_right: float) -> float:
    """Mean of exp(exponent N) between two compositions: exact for a steady flow (to 1e-12 where they are close)."""
    z = exponent * (x_right - x_left)
    square = z * z
    if square < 0.1:
        series = 1.0 + square / 24.0 * (1.0 + square / 80.0 * (1.0 + square / 168.0))
        return exp(exponent * 0.5 * (x_left + x_right)) * series
    return exp(exponent * x_left) * expm1(z) / z


def is_flat(p: Problem, w: Work, slot: int) -> bool:
    """Whether nothing has diffused into a profile yet: all cells have one composition, old and new."""
    first = int(p.cell_start[slot])
    x = w.x[first]
    for c in range(first, first + int(p.cells[slot])):
        if w.x[c] != x:
            return False
    return True


def skin_is_thin(p: Problem, w: Work, slot: int, amount: float, area_in: float, s_in: float) -> bool:
    """Whether the tin-rich skin before an advancing interface is far thinner than the first cell."""
    if s_in <= 0.0:
        return False
    first = int(p.cell_start[slot])
    base = first + slot
    x = w.x[first]
    volume = p.volume[slot] + p.volume_slope[slot] * x
    half = 0.5 * amount * (p.edge[base + 1] - p.edge[base]) * volume
    distance = path(p, area_in, half)
    fastest = w.rate[slot] * max(1.0, exp(p.exponent[slot] * w.x_in[slot]))
    return s_in * volume * distance > THIN_SKIN * fastest


def lay_faces(p: Problem, w: Work, slot: int, amount: float, area_in: float) -> None:
    """Fill `w.face` with rho = V dS / D of every face, from the compositions of the last iterate.

    The mean of exp(exponent N) between two centres is taken exactly where it matters (`mean_growth`).
    Resistances are those of `geometry.path`, the zone followed along since areas only grow.
    """
    first = int(p.cell_start[slot])
    cells = int(w.reached[slot])
    base = first + slot
    edge, composition, face = p.edge, w.x, w.face
    starts, factors, shifts = p.zone_area, p.zone_factor, p.zone_shift
    last = len(starts) - 1
    zone = 0
    volume, slope = p.volume[slot], p.volume_slope[slot]
    diffusivity, exponent = w.rate[slot], p.exponent[slot]
    area = area_in
    half_left = 0.0
    x_left = w.x_in[slot]
    for k in range(cells + 1):
        half = 0.0
        x = w.x_out[slot]
        if k < cells:
            x = min(max(composition[first + k], 0.0), 1.0)
            half = 0.5 * amount * (edge[base + k + 1] - edge[base + k]) * (volume + slope * x)
        # from the centre on the left, at `area`, to the one on the right
        distance = half_left + half
        if not p.plane:
            while zone < last and area >= starts[zone + 1]:
                zone += 1
            if zone < last and area + distance > starts[zone + 1]:
                distance = path(p, area, distance)
            else:
                inside = area + shifts[zone]
                distance = factors[zone] * log_of_rise(distance / (inside if inside > SMALLEST_AREA else SMALLEST_AREA))
        area += half_left + half
        half_left = half
        middle = 0.5 * (x_left + x)
        mean = 1.0
        if exponent != 0.0:
            mean = mean_growth(exponent, x_left, x)
        face[base + k] = (volume + slope * middle) * distance / (diffusivity * mean)
        x_left = x


def solve_cells(
    p: Problem, w: Work, slot: int, amount: float, thin: float, s_in: float, s_out: float,
    gh: float, open_in: bool, open_out: bool,
) -> tuple[float, float]:  # fmt: skip
    """Solve the implicit balance of the cells that tin has reached; the new compositions stand in `w.right`.

    `thin` scales the face resistances. Returns the tin flows into the layer at its tin side and out
    of it at its copper side, as the moving interfaces see them [mol/(m s)].
    """
    first = int(p.cell_start[slot])
    cells = int(w.reached[slot])
    base = first + slot
    edge, face, known_tin = p.edge, w.face, w.u_star
    eliminated, solution = w.diagonal, w.right
    known_atoms = amount - gh * (s_out - s_in)
    reference = w.tin_star[slot] / known_atoms
    beyond = 0.0
    if open_in:
        reference = w.x_in[slot]
        beyond = w.x_out[slot] - reference
    elif open_out:
        reference = w.x_out[slot]
    # the flow through a face is take * (left value - right value) - speed * left value
    first_take = 0.0
    if open_in:
        rho = face[base] * thin
        first_take = bernoulli(-rho * s_in) / rho
    take = first_take
    give = 0.0
    # forward elimination; y_k = solution_k + eliminated_k * y_{k+1}. Pivots are sums of what is positive, nothing
    # cancels: `above` is what is left of the cell before, were it to give its tin to this one
    above = gh * take
    before = 0.0
    for k in range(cells):
        next_give = next_take = 0.0
        if k < cells - 1 or open_out:
            rho = face[base + k + 1] * thin
            position = edge[base + k + 1]
            speed = (1.0 - position) * s_in + position * s_out
            next_take = bernoulli(-rho * speed) / rho
            next_give = next_take - speed
        share = edge[base + k + 1] - edge[base + k]
        own = amount * share + above
        pivot = 1.0 / (own + gh * next_give)
        known = known_tin[first + k] - known_atoms * share * reference + gh * give * before
        if k == cells - 1:
            # no tin flows beyond the last cell that tin has reached, but pure copper passes its moving face
            known += gh * (next_take * beyond - (1.0 - edge[base + k + 1]) * s_in * reference)
        before = known * pivot
        above = gh * next_take * (own * pivot)
        eliminated[base + k] = gh * next_take * pivot
        solution[base + k] = before
        give, take = next_give, next_take
    y = solution[base + cells - 1]
    flow_out = take * (y - beyond) - s_out * (y + reference) if open_out else 0.0
    solution[base + cells - 1] = y + reference
    for k in range(cells - 2, -1, -1):
        y = solution[base + k] + eliminated[base + k] * y
        solution[base + k] = y + reference
    return -first_take * y - s_in * reference if open_in else 0.0, flow_out
