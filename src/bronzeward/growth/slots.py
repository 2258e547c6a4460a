"""The places a layer can take, from the tin side to the copper side.

gamma has two places: between about 640 and 676 C it borders epsilon on both sides.
"""

CORE, ETA, GAMMA_TIN, EPSILON, ZETA, DELTA, GAMMA, BETA, ALPHA = range(9)

N_SLOTS = 9

#: Phase label of each place; the core is liquid or solid tin, whichever is stable.
SLOT_LABELS: tuple[str, ...] = (
    "core",
    "eta",
    "gamma",
    "epsilon",
    "zeta",
    "delta",
    "gamma",
    "beta",
    "alpha",
)

#: Phases with real width, which carry a profile in finite-volume cells.
WIDE: tuple[bool, ...] = tuple(label in ("gamma", "beta", "alpha") for label in SLOT_LABELS)
