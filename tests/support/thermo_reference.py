"""The Cu-Sn description written out a second time, by hand and without pycalphad.

Formulas typed from the tables of the assessment (shim1996, elements dinsdale1991, the solid
solution of tin nist1999), with nothing taken from the TDB files or from bronzeward: what the
package computes from the TDB file must agree with it. R = 8.3145 J/(mol K), as pycalphad has it.
"""

from __future__ import annotations

import numpy as np

R = 8.3145
SOLUTIONS = ("liquid", "(Sn)", "gamma", "beta", "alpha")
COMPOUNDS = {"eta_prime": 0.455, "eta": 0.455, "epsilon": 0.25, "zeta": 0.231, "delta": 0.212}
_COMPOUND_VALUES = {
    "delta": (-6323.5, -1.2808),
    "zeta": (-6655.0, -1.4483),
    "epsilon": (-8194.2, -0.2043),
    "eta": (-6869.5, -0.1589),
    "eta_prime": (-7129.7, 0.4059),
}


def cu_fcc(t):
    low = -7770.458 + 130.485235 * t - 24.112392 * t * np.log(t) - 0.00265684 * t**2 + 1.29223e-7 * t**3
    high = -13542.026 + 183.803828 * t - 31.38 * t * np.log(t) + 3.64167e29 * t**-9.0
    return np.where(t < 1357.77, low + 52478 / t, high)


def cu_liquid(t):
    low = 5194.277 + 120.973331 * t - 24.112392 * t * np.log(t) - 0.00265684 * t**2 + 1.29223e-7 * t**3
    high = -46.545 + 173.881484 * t - 31.38 * t * np.log(t)
    return np.where(t < 1357.77, low + 52478 / t - 5.8489e-21 * t**7, high)


def sn_bct(t):
    ranges = [
        -7958.517 + 122.765451 * t - 25.858 * t * np.log(t) + 5.1185e-4 * t**2 - 3.192767e-6 * t**3 + 18440 / t,
        -5855.135 + 65.443315 * t - 15.961 * t * np.log(t) - 0.0188702 * t**2 + 3.121167e-6 * t**3 - 61960 / t,
        2524.724
        + 4.005269 * t
        - 8.2590486 * t * np.log(t)
        - 0.016814429 * t**2
        + 2.623131e-6 * t**3
        - 1081244 / t
        - 1.2307e25 * t**-9.0,
        -8256.959 + 138.99688 * t - 28.4512 * t * np.log(t) - 1.2307e25 * t**-9.0,
    ]
    return np.select([t < 250, t < 505.08, t < 800], ranges[:3], ranges[3])


def sn_liquid(t):
    low = 7103.092 - 14.087767 * t + 1.47031e-18 * t**7
    return sn_bct(t) + np.where(t < 505.08, low, 6971.587 - 13.814382 * t + 1.2307e25 * t**-9.0)


def cu_bcc(t):
    return cu_fcc(t) + 4017 - 1.255 * t


def sn_bcc(t):
    return sn_bct(t) + 4400 - 6 * t


def mixing(x):
    y = np.clip(x, 1e-300, 1)
    z = np.clip(1 - x, 1e-300, 1)
    return y * np.log(y) + z * np.log(z)


def solution(t, x, cu, sn, *interactions):
    excess = sum(value * (1 - 2 * x) ** k for k, value in enumerate(interactions))
    return (1 - x) * cu + x * sn + R * t * mixing(x) + x * (1 - x) * excess


def alpha_nist1999(t, x):
    sn = sn_bct(t) + 5510 - 8.46 * t
    return solution(t, x, cu_fcc(t), sn, -11106.95 + 2.0791 * t, -15718.02 + 5.92467 * t)


def gamma_on_sites(t, y1, y2):
    """DO3 with tin fractions y1 on three quarters and y2 on one quarter of the sites."""
    cu, sn = cu_bcc(t), sn_bcc(t)
    cu_sn = 0.75 * cu + 0.25 * sn - 10029.85 + 0.00285 * t
    sn_cu = 0.75 * sn + 0.25 * cu + 116674.85 + 4.8166 * t
    reference = (1 - y1) * (1 - y2) * cu + y1 * y2 * sn + (1 - y1) * y2 * cu_sn + y1 * (1 - y2) * sn_cu
    ideal = R * t * (0.75 * mixing(y1) + 0.25 * mixing(y2))
    second = (-1857.8 - 2.5311 * t) - 2.9894 * t * (1 - 2 * y2)
    excess = (1 - y1) * (1 - y2) * y2 * second + y1 * (1 - y1) * y2 * (45850 - 42.2191 * t)
    return reference + ideal + excess


def gamma(t, x):
    """DO3 at its lowest energy for tin fraction x below 0.6: a golden-section search over ln y1."""
    t, x = np.broadcast_arrays(np.asarray(t, dtype=float), np.asarray(x, dtype=float))
    top = np.minimum(1.0, x / 0.75)
    floor = np.maximum(1e-40, (x - 0.25) / 0.75)
    low, high = np.log(floor), np.log(top)
    ratio = (np.sqrt(5) - 1) / 2

    def value(u):
        y1 = np.exp(u)
        return gamma_on_sites(t, y1, np.clip((x - 0.75 * y1) / 0.25, 0, 1))

    for _ in range(75):
        width = ratio * (high - low)
        left, right = high - width, low + width
        lower = value(left) < value(right)
        high, low = np.where(lower, right, high), np.where(lower, low, left)
    return value(0.5 * (low + high))


def energy(label, t, x):
    """Gibbs energy of a phase [J/mol] at temperature [K] and tin fraction."""
    if label in COMPOUNDS:
        a, b = _COMPOUND_VALUES[label]
        tin = COMPOUNDS[label]
        return (1 - tin) * cu_fcc(t) + tin * sn_bct(t) + a + b * t
    if label == "liquid":
        interactions = -9002.8 - 5.8381 * t, -20100.4 + 3.6366 * t, -10528.4
        return solution(t, x, cu_liquid(t), sn_liquid(t), *interactions)
    if label == "alpha":
        interactions = -10672 - 1.4837 * t, -15331.3 + 6.9539 * t
        return solution(t, x, cu_fcc(t), sn_bct(t) + 4150 - 5.2 * t, *interactions)
    if label == "beta":
        return solution(t, x, cu_bcc(t), sn_bcc(t), -44821.6 + 51.2164 * t, -6876.5 - 56.4271 * t)
    if label == "gamma":
        return gamma(t, x)
    if label == "(Sn)":
        return solution(t, x, cu_fcc(t) + 4184, sn_bct(t), 21000)
    raise KeyError(label)


def hull_of(x, g):
    """Indices of the lower convex hull by scipy, in order of x."""
    from scipy.spatial import ConvexHull

    scale = np.ptp(g) or 1.0
    corners = np.array([[x.min(), g.max() + scale], [x.max(), g.max() + scale]])
    points = np.concatenate([np.column_stack([x, g]), corners])
    points[:, 1] /= scale
    corner = ConvexHull(points).vertices
    corner = corner[corner < x.size]
    return corner[np.argsort(x[corner])]


def sample(t, also=(), step=5e-4, gamma_to=0.45):
    """Every phase sampled at one temperature, at given compositions too: tin fractions, energies, labels."""
    even = np.arange(0, 1 + step / 2, step)
    fine = np.concatenate([even, also, np.geomspace(1e-8, 0.04, 700), 1 - np.geomspace(1e-8, 0.04, 700)])
    grid = np.unique(np.clip(fine, 0, 1))
    parts = []
    for label in SOLUTIONS:
        x = grid[(grid > 0) & (grid < gamma_to)] if label == "gamma" else grid
        parts.append((x, energy(label, t, x), label))
    parts += [(np.array([x]), np.array([float(energy(name, t, x))]), name) for name, x in COMPOUNDS.items()]
    return (
        np.concatenate([x for x, _, _ in parts]),
        np.concatenate([np.broadcast_to(g, x.shape) for x, g, _ in parts]),
        np.concatenate([np.full(x.size, label) for x, _, label in parts]),
    )


def sequence(t):
    """Stable phases at one temperature from the copper side to the tin side."""
    x, g, labels = sample(t)
    met = labels[hull_of(x, g)]
    return [str(label) for k, label in enumerate(met) if k == 0 or label != met[k - 1]]
