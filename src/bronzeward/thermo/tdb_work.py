"""How much work a TDB file asks for, told from its text before it is begun: made-up files can ask for any amount."""

from __future__ import annotations

import re

MOST_WORDS = 20_000
"""Words of one function or parameter at most when the functions in it are written out; known ones have hundreds."""

MOST_PARAMETERS = 400
"""Parameters of one phase of copper and tin at most."""

MOST_FREE = 4
"""Free site fractions of a phase at most: guesses lie on a grid over all of them."""

_WORD = re.compile(r"[A-Z_][A-Z0-9_.]*|[0-9.]+(?:E[-+]?\d+)?")

_TOWER = re.compile(r"\*\*[\s(]*[-+]?[\s(]*(?:\d{4}|[\w.#]+[\s)]*\*\*)")
"""Powers that take minutes and gigabytes to write out, and that no description needs."""

_DEEPEST = 50
"""Functions within functions at most."""


def too_much(text: str) -> str | None:
    """What of a TDB file would keep a computer busy for ever; None for a reasonable one."""
    if _TOWER.search(text):
        return "a power of a power, or an exponent of more than three digits"
    plain = "\n".join(line for line in text.upper().splitlines() if not line.lstrip().startswith("$"))
    statements = [parts for part in plain.split("!") if len(parts := part.split(None, 2)) == 3]
    sizes = _Sizes({name: body for word, name, body in statements if word.startswith("FUN")})
    for word, name, body in statements:
        if word.startswith(("FUN", "PAR")) and sizes.of(body) > MOST_WORDS:
            what = name if word.startswith("FUN") else f"{name} {body}".split(")")[0] + ")"
            return f"{what[:60]} has more than {MOST_WORDS} words when its functions are written out"
    return None


class _Sizes:
    """Numbers of words with all functions written out."""

    def __init__(self, bodies: dict[str, str]) -> None:
        self.bodies = bodies
        self.known: dict[str, int] = {}

    def of(self, body: str, depth: int = 0) -> int:
        """Words of a text; more than allowed in a circle or beyond `_DEEPEST`."""
        if depth > _DEEPEST:
            return MOST_WORDS + 1
        total = 0
        for word in _WORD.findall(body):
            if word in self.bodies:
                if word not in self.known:
                    self.known[word] = self.of(self.bodies[word], depth + 1)
                total += self.known[word]
            total += 1
        return total
