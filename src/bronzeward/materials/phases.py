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

#: The letter of each phase, for figures.
LETTERS: dict[str, str] = {
    "liquid": "L",
    "(Sn)": "Sn",
    "eta_prime": "η′",
    "eta": "η",
    "epsilon": "ε",
    "zeta": "ζ",
    "delta": "δ",
    "gamma": "γ",
    "beta": "β",
    "alpha": "α",
}

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
