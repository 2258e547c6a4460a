"""Changes to TDB files that keep their structure, so that most of them get past the first refusal.

A file is taken apart into its statements; phases, constituents, functions, parameters, ranges and numbers are
changed as such, now and then into something wild. Bundled files are first cut down to a few phases and the
functions these need, since a whole one takes a second.
"""

from __future__ import annotations

import random
import re
from dataclasses import dataclass, field

NUMBER = re.compile(r"(?<![\w#*(])[-+]?(?:\d+\.?\d*|\.\d+)(?:[Ee][-+]?\d+)?(?![\w#(])")
NAME = re.compile(r"[A-Za-z_]\w*")

MILD = (0.5, 0.9, 1.1, 2.0, -1.0, 10.0)
WILD = ("0", "-0.0", "1E-300", "1E300", "-1E300", "1E400", "1E-400", "999999999999", "1", "-1", ".5", "0.1E1", "1E20")
TERMS = (
    "+1000*LN(T)", "-T*LN(T)", "+EXP(T*.001)", "+1E-7*T**3", "+5000*T**(-1)", "-1E25*T**(-9)", "+T**7*1E-18",
    "+LN(T-500)", "+EXP(T)", "+T**.5", "+T**(-.5)", "+(T-300)**2", "+8.314*T*LN(.5)", "+1/T", "+T**0", "-(-(-T))",
    "+0*T", "+LN(LN(T))", "+EXP(EXP(.001*T))", "+T**99", "+(+T)*(-1)", "+P*1E-6", "+R*T", "+T*T*T",
    "+LN(-T)", "+LN(0)", "+1/0", "+(T-T)**(-1)", "+T**T", "+EXP(1E4*T)", "+LN(1E-300*T)", "+SQRT(T)", "+ABS(T)",
)  # fmt: skip
RANGES = ("298.15", "100", "0", "-1", "1000", "1357.77", "505.08", "3000", "6000", "1E4", "1E300", "298.15 ", "299")
SITES = ("0", "1", ".5", "1E-9", "1E9", "-1", "3", "100", ".25", "1E-300")
MODELS = ("MAG -1 .4", "MAG -3 .28", "MAG 0 1", "DIS_PART BCC_A2", "DIS_PART LIQUID", "MAJ 1 CU:VA", "C_S 2 CU:VA")
EXTRA = (
    "ELEMENT NB BCC_A2 92.9 0 0", "ELEMENT CU FCC_A1 63.546 0 0", "SPECIES CU2 CU2", "SPECIES CU+ CU1/+1",
    "SPECIES CUSN CU1SN1", "SPECIES SN-2 SN1/-2", "DEFINE_SYSTEM_DEFAULT ELEMENT 2", "DATABASE_INFO 'A'",
    "LIST_OF_REFERENCES NUMBER SOURCE", "ASSESSED_SYSTEMS CU-SN", "VERSION_DATE 2020", "TEMPERATURE_LIMITS 1 9000",
    "FUNCTION ZERO 298.15 0; 6000 N", "FUNCTION DEEP 1 +DEEPER#; 6000 N", "FUNCTION DEEPER 1 +T; 6000 N",
    "OPTIMIZATION X", "DEFAULT_COMMAND DEFINE_SYSTEM_ELEMENT VA", "TABLE X", "TYPE_DEFINITION Z SEQ *",
)  # fmt: skip


@dataclass
class File:
    """A TDB file as statements, each a head (keyword and name) and a rest."""

    statements: list[str] = field(default_factory=list)

    @classmethod
    def read(cls, text: str) -> File:
        plain = "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("$"))
        return cls([" ".join(part.split()) for part in plain.split("!") if part.strip()])

    def text(self, rng: random.Random) -> str:
        end = "! " if rng.random() < 0.02 else rng.choice((" !\n", "!\n", " !\r\n", "!\n\n"))
        made = end.join(self.statements) + end
        if rng.random() < 0.1:
            made = made.lower()
        if rng.random() < 0.1:
            made = made.replace(" +", "\n  +").replace(" -", "\n  -")
        return made

    def of(self, *words: str) -> list[int]:
        """Places of statements that begin with one of the words."""
        return [k for k, own in enumerate(self.statements) if own.split(" ")[0].upper() in words]

    def phases(self) -> list[str]:
        return [self.statements[k].split(" ")[1].split(":")[0] for k in self.of("PHASE")]

    def functions(self) -> list[str]:
        return [self.statements[k].split(" ")[1] for k in self.of("FUNCTION")]

    def belongs(self, k: int, phase: str) -> bool:
        """Whether a statement is about a phase."""
        own = self.statements[k]
        return own.startswith(("PHASE", "CONSTITUENT", "PARAMETER")) and phase in NAME.findall(own)

    def drop_phase(self, phase: str) -> None:
        self.statements = [s for k, s in enumerate(self.statements) if not self.belongs(k, phase)]

    def drop_unused(self) -> None:
        """Leave out functions that nothing names."""
        while True:
            kept = [
                s
                for k, s in enumerate(self.statements)
                if not s.startswith("FUNCTION")
                or any(s.split(" ")[1] in NAME.findall(o) for j, o in enumerate(self.statements) if j != k)
            ]
            if len(kept) == len(self.statements):
                return
            self.statements = kept


def mutated(data: bytes, rng: random.Random) -> bytes:
    """One to five structural changes."""
    file = File.read(data.decode("utf-8", "replace"))
    phases = file.phases()
    if len(phases) > 3 and rng.random() < 0.98:
        wanted = set(rng.sample(phases, rng.choice((1, 1, 1, 2, 2, 3))))
        for phase in set(phases) - wanted:
            file.drop_phase(phase)
        file.drop_unused()
    for _ in range(rng.choice((1, 1, 2, 2, 3, 5))):
        change, weight = rng.choice(CHANGES), rng.random()
        try:
            change(file, rng, weight < 0.15)
        except (IndexError, ValueError, StopIteration):
            continue  # the file lacks what this would change
    return file.text(rng).encode("utf-8", "replace")


def _swap(file: File, k: int, match: re.Match[str], new: str) -> None:
    own = file.statements[k]
    file.statements[k] = own[: match.start()] + new + own[match.end() :]


def _expression(file: File, rng: random.Random) -> int:
    return rng.choice(file.of("FUNCTION", "PARAMETER"))


def number(file: File, rng: random.Random, wild: bool) -> None:
    """A coefficient, exponent or limit becomes another."""
    k = _expression(file, rng)
    match = rng.choice(list(NUMBER.finditer(file.statements[k])))
    new = rng.choice(WILD) if wild else f"{float(match[0]) * rng.choice(MILD):.6G}"
    _swap(file, k, match, ("+" if match[0][0] in "+-" and new[0] not in "+-" else "") + new)


def term(file: File, rng: random.Random, wild: bool) -> None:
    """A term more in front of a semicolon."""
    k = _expression(file, rng)
    places = [m.start() for m in re.finditer(";", file.statements[k])][file.statements[k].startswith("PARAMETER") :]
    at = rng.choice(places)
    new = rng.choice(TERMS if wild else TERMS[:7])
    file.statements[k] = file.statements[k][:at] + new + file.statements[k][at:]


def call(file: File, rng: random.Random, wild: bool) -> None:
    """A term with a function, or a function in place of another; loops are possible when wild."""
    k = _expression(file, rng)
    own = file.statements[k]
    names = file.functions()
    if own.startswith("FUNCTION") and not wild:
        names = names[: names.index(own.split(" ")[1])]  # what stands above: no loop
    new = rng.choice(names)
    used = [m for m in NAME.finditer(own) if m[0] in names][own.startswith("FUNCTION") :]
    if used and rng.random() < 0.5:
        _swap(file, k, rng.choice(used), new)
        return
    at = own.index(";", own.index(")") if own.startswith("PARAMETER") else 0)
    file.statements[k] = f"{own[:at]}{rng.choice(('+', '-.5*', '+2*', '+T*'))}{new}{rng.choice(('', '#'))}{own[at:]}"


def piece(file: File, rng: random.Random, wild: bool) -> None:
    """Ranges: another limit, a piece more or less, swapped limits, Y for N."""
    k = _expression(file, rng)
    own = file.statements[k]
    kind = rng.randrange(5)
    if kind == 0:
        match = rng.choice(list(re.finditer(r"(?<=; )[-\d.Ee+]+(?= [YN])", own)))
        _swap(file, k, match, rng.choice(RANGES))
    elif kind == 1:
        match = rng.choice(list(re.finditer(r"; ([-\d.Ee+]+) N", own)))
        _swap(file, k, match, f"; {rng.choice(('700', '1000', match[1]))} Y {rng.choice(TERMS[:7])}; {match[1]} N")
    elif kind == 2:
        parts = own.split("Y")
        del parts[rng.randrange(1, len(parts)) if len(parts) > 1 else 0]
        file.statements[k] = "Y".join(parts)
    elif kind == 3 and wild:
        file.statements[k] = own.replace(" Y", " N", 1) if " Y" in own else own[:-1] + "Y"
    else:
        head = re.match(r"(FUNCTION \S+|PARAMETER \S+) ([-\d.Ee+]+)", own)
        if head:
            file.statements[k] = f"{head[1]} {rng.choice(RANGES)}{own[head.end() :]}"


def sites(file: File, rng: random.Random, wild: bool) -> None:
    """Another number of sites."""
    k = rng.choice(file.of("PHASE"))
    words = file.statements[k].split(" ")
    words[rng.randrange(4, len(words))] = rng.choice(SITES if wild else ("1", "2", "3", ".25", ".75", "1.5"))
    file.statements[k] = " ".join(words)


def sublattice(file: File, rng: random.Random, wild: bool) -> None:
    """One more or less, in the phase, its constituents and its parameters; when wild in only some of them."""
    phase = rng.choice(file.phases())
    more, member = rng.random() < 0.6, rng.choice(("VA", "CU", "SN", "CU,SN", "CU,SN,VA"))
    for k, own in enumerate(file.statements):
        if not file.belongs(k, phase) or (wild and rng.random() < 0.3):
            continue
        if own.startswith("PHASE"):
            words = own.split(" ")
            count = int(words[3]) + (1 if more else -1)
            file.statements[k] = " ".join([*words[:3], str(count), *([*words[4:], "1"] if more else words[4:-1])])
        elif own.startswith("CONSTITUENT"):
            head, inner = own.split(":", 1)
            parts = inner.rstrip(": ").split(":")
            parts = [*parts, member] if more else parts[:-1]
            file.statements[k] = f"{head}:{':'.join(parts)}:"
        else:
            head, order = own.split(";", 1)
            last = member.split(",")[0]
            file.statements[k] = f"{head}:{last};{order}" if more else f"{head.rpartition(':')[0] or head};{order}"


def constituent(file: File, rng: random.Random, wild: bool) -> None:
    """A species comes into a sublattice, or leaves it."""
    k = rng.choice(file.of("CONSTITUENT"))
    head, inner = file.statements[k].split(":", 1)
    parts = [part.strip().split(",") for part in inner.rstrip(": ").split(":")]
    part = rng.choice(parts)
    if len(part) > 1 and rng.random() < 0.5:
        part.pop(rng.randrange(len(part)))
    else:
        part.append(rng.choice(("CU", "SN", "VA", "NB", "CU+", "CU2", "%CU", "", "*") if wild else ("CU", "SN", "VA")))
    file.statements[k] = f"{head}:{':'.join(','.join(p) for p in parts)}:"


def parameter(file: File, rng: random.Random, wild: bool) -> None:
    """Another order, type, or members of a parameter; a copy of it; none of it."""
    k = rng.choice(file.of("PARAMETER"))
    own = file.statements[k]
    kind = rng.randrange(6)
    if kind == 0:
        order = rng.choice(("0", "1", "2", "3", "4", "9", "99", "-1", "") if wild else ("0", "1", "2", "3"))
        file.statements[k] = re.sub(r";\d+\)", f";{order})", own, count=1)
    elif kind == 1:
        kinds = ("G", "L", "TC", "BMAGN", "V0", "THETA", "XX", "NT") if wild else ("G", "L", "TC", "BMAGN")
        file.statements[k] = re.sub(r"^PARAMETER \w+\(", f"PARAMETER {rng.choice(kinds)}(", own)
    elif kind == 2:
        file.statements.insert(k, own)
    elif kind == 3:
        del file.statements[k]
    else:
        match = rng.choice(list(re.finditer(r"(?<=[,:])(CU|SN|VA)(?=[,:;])", own)))
        _swap(file, k, match, rng.choice(("CU", "SN", "VA", "*", "CU,SN", "NB") if wild else ("CU", "SN", "*")))


def phase(file: File, rng: random.Random, wild: bool) -> None:
    """A phase more (a copy under another name), or less; or another name or type."""
    old = rng.choice(file.phases())
    kind = rng.randrange(4)
    if kind == 0 and len(file.phases()) > 1:
        file.drop_phase(old)
    elif kind == 1:
        new = rng.choice(("OTHER", "LIQUID", "BCC_A2", "A" * 24, "ETA-1", "9X") if wild else ("OTHER", "NEW_ONE"))
        copies = [re.sub(rf"\b{old}\b", new, s) for k, s in enumerate(file.statements) if file.belongs(k, old)]
        file.statements += copies
    elif kind == 2:
        new = rng.choice(("LIQUID:L", "GAS:G", "IONIC_LIQUID:Y", "X:F") if wild else ("RENAMED",))
        file.statements = [re.sub(rf"\b{old}\b", new, s) for s in file.statements]
    else:
        k = next(k for k in file.of("PHASE") if file.statements[k].split(" ")[1] == old)
        words = file.statements[k].split(" ")
        words[2] = "%&"
        file.statements[k] = " ".join(words)
        file.statements.insert(0, f"TYPE_DEFINITION & GES A_P_D {old} {rng.choice(MODELS if wild else MODELS[:2])}")
        if rng.random() < 0.7:
            site = ":".join(p.split(",")[0] for p in _constituents(file, old))
            for kind_of, values in (("TC", ("600", "-600", "T", "0")), ("BMAGN", ("1", "-1", "0"))):
                file.statements.append(f"PARAMETER {kind_of}({old},{site};0) 298.15 {rng.choice(values)}; 6000 N")


def _constituents(file: File, phase: str) -> list[str]:
    k = next(k for k in file.of("CONSTITUENT") if file.belongs(k, phase))
    return [part.strip() for part in file.statements[k].split(":", 1)[1].rstrip(": ").split(":")]


def statement(file: File, rng: random.Random, wild: bool) -> None:
    """A statement twice, elsewhere, away, or a new one."""
    k = rng.randrange(len(file.statements))
    kind = rng.randrange(5)
    if kind == 0:
        file.statements.insert(rng.randrange(len(file.statements)), file.statements[k])
    elif kind == 1 and wild:
        del file.statements[k]
    elif kind == 2:
        file.statements.insert(rng.randrange(len(file.statements)), file.statements.pop(k))
    elif kind == 3 and wild:
        own = file.statements[k]
        at = rng.randrange(len(own) + 1)
        file.statements[k] = own[:at] + rng.choice("!;:,()*#+-. T0\n\t&%$\"'é") + own[at + rng.randrange(2) :]
    else:
        file.statements.insert(rng.randrange(len(file.statements)), rng.choice(EXTRA))


CHANGES = (
    number, number, number, number, term, term, call, piece, piece, sites, sublattice, constituent, parameter,
    parameter, phase, statement,
)  # fmt: skip
