"""The names of the phases, and the order in which they lie from the tin core outwards."""

LIQUID = "liquid"
SOLID_TIN = "(Sn)"

#: Labels used in every result, from the tin side to the copper side.
PHASES: tuple[str, ...] = (
    LIQUID,
    SOLID_TIN,
    "eta",
    "epsilon",
    "zeta",
    "delta",
    "gamma",
    "beta",
    "alpha",
)

#: Greek letter and formula, for figures and sentences.
FORMULAS: dict[str, str] = {
    "liquid": "liquid",
    "(Sn)": "(Sn)",
    "eta_prime": "η′ Cu₆Sn₅",
    "eta": "η Cu₆Sn₅",
    "epsilon": "ε Cu₃Sn",
    "zeta": "ζ Cu₁₀Sn₃",
    "delta": "δ Cu₄₁Sn₁₁",
    "gamma": "γ",
    "beta": "β",
    "alpha": "α (Cu)",
}
