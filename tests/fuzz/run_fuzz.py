"""Fuzz the readers: python tests/fuzz/run_fuzz.py [TARGET ...] --inputs 10000 --seconds 60

Each target runs in a process of its own, with at most 1 GiB beyond what it needs at the start and 10 s an
input. Seeds are mutated: bytes, lines, numbers, words, and of descriptions the structure. Findings are stored
under tests/fuzz/found, one for each place; once understood and fixed they move to tests/fuzz/corpus, which
`tests/project/test_fuzz_corpus.py` runs.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

SLOWEST = 10
"""Longest processor time one input may take [s]."""

MEMORY = 1 << 30
"""Memory a reader may take beyond what it has at the start [byte]."""

WORDS: dict[str, list[str]] = {
    "case": [
        '[strand]', '[couple]', '[schedule]', '[kinetics]', '[thermodynamics]', '[numerics]', '[[strand.pack]]',
        'core_diameter_um = 24.0', 'sleeve_diameter_um = 44', 'copper_tin_ratio = 5', 'porosity = 0.1',
        'start_C = 20', 'initial_eta_um = 0.1', 'outer_diameter_um = 60', 'copper_fraction = 0.2',
        'log = "thermocouple.csv"', 'longest_gap_h = 2', 'file = "mine.toml"', 'factors = { eta = 2.0 }',
        'set = "mei1992"', 'tolerance = 1e-5', 'seed_nm = 1', 'alpha_cells = 20', 'inner_cells = 5',
        'steps = [{ hold_h = 3 }]', '{ ramp_C_per_h = 5, to_C = 300 }',
        '{ cool_half_time_h = 2, to_C = 60, room_C = 20 }', '{ quench = true }', 'title = "a"',
        'tin_thickness_um = 5', 'copper_thickness_um = 9', 'description = "cu-sn-shim1996"',
        'measured = { time_s = [0, 9], temperature_K = [300, 400] }',
    ],
    "log": [
        'time_h', 'time_s', 'Time (min)', 'temperature_C', 'T [K]', 'T_F', ',', ';', '\t', '\r\n', '\n', '\ufeff',
        '"', '°', '0.5',
    ],
    "kinetics": [
        '[[constant]]', 'inherits = "default"', 'phase = "eta"', 'kind = "tracer"', 'prefactor = 1e-9',
        'contact = "liquid"', 'activation_energy_kJ_per_mol = 60', 't_min_C = 1', 'factor_1sigma = 2',
        'homogeneity_range = 0.02', 'source = ["a"]', 'composition_exponent = 3', '[covariance]', 'name = "a"',
        'grade = "measured"', 'factor_1sigma_extrapolated = 4',
    ],
    "tdb": [
        'ELEMENT CU FCC_A1 63.546 0 0 !', 'PHASE X % 1 1 !', 'CONSTITUENT X :CU,SN: !',
        'PARAMETER G(X,CU;0) 1 9**9**9; 6000 N !', 'FUNCTION A 1 A; 6000 N !', 'FUNCTION B 1 exp(T)**T; 6000 N !',
        'TYPE_DEFINITION % SEQ * !', '+LN(T)', 'T**(-1)', '#', '!',
        "PARAMETER L(FCC_A1,CU,SN;0) 1 __import__('os').system('true'); 6000 N !", '1E400', '; 6000 N !',
        ':CU,SN:VA:', 'FUNCTION C 298 +D#; 3000 Y +C#; 6000 N !', 'DATABASE_INFO', 'SPECIES',
        'TYPE_DEFINITION & GES A_P_D X MAG -3 0.28 !',
    ],
    "stored": [
        '{"strand": ', '"core_diameter_um": 24', '"schedule": {"steps": [{"hold_h": 3}]}', '[', ']', '{', '}',
        'null', 'NaN',
    ],
    "measured": [
        'temperature_C,time_h,layer,mean_um,sd_um,readings', 'case', ',', '\n', 'eta', 'epsilon', 'eta+epsilon',
        'shell', '215', 'case.toml',
    ],
}  # fmt: skip
"""What a mutation may put in, by target."""

NUMBERS = [
    '0', '-0.0', '-1', '1e308', '1e-320', 'inf', '-inf', 'nan', "9" * 400, "0x" + "f" * 5000, 'true', '[]', '{}',
    '""', '1979-05-27T07:32:00Z', '"\\u0000"', '"/dev/zero"', '"/etc/passwd"', '"../../x.toml"', '1_0', "'''",
    '"' + "a" * 300 + '"', "[" * 2000, '99999999999999999999', '1e999', '0.1', '1', '1000', '274', '24',
]  # fmt: skip
"""What a mutation may put behind an equals sign."""


def seeds(target: str, folder: Path) -> list[bytes]:
    """Good files to start from, then what was found before."""
    import json

    from targets import LOG, MINE

    from bronzeward.inputs import starter
    from bronzeward.inputs.case import load_case
    from bronzeward.materials import literature

    text, kinetics = starter.text(), (literature.folder() / "kinetics").glob("*.toml")
    layers = b"temperature_C,time_h,layer,mean_um,sd_um,readings\n215,48,eta,7.2,0.4,12\n215,48,epsilon,2.6,0.3,12\n"
    packed = text.replace("sleeve_diameter_um = 44.0", "pack = [{ outer_diameter_um = 60, copper_fraction = 0.3 }]")
    logged = "[couple]\ntin_thickness_um = 9\ncopper_thickness_um = 9\n"
    logged += '[schedule]\nlog = "thermocouple.csv"\n[kinetics]\nfile = "mine.toml"\n'
    imperial = "Time (min);T [°F]\r\n0;68,5\r\n30;100,0\r\n60;212,1\r\n".encode()
    descriptions = sorted((literature.folder() / "descriptions").glob("*.tdb"))
    good: dict[str, list[bytes]] = {
        "case": [text.encode(), packed.encode(), logged.encode()],
        "stored": [json.dumps(load_case(starter.STARTER).to_data()).encode()],
        "log": [LOG.encode(), imperial, b"elapsed_s\tT_K\n0\t300\n9\t301\n18\t302\n"],
        "kinetics": [MINE.encode(), *(path.read_bytes() for path in sorted(kinetics))],
        "measured": [layers],
        "tdb": [*(path.read_bytes() for path in descriptions), SMALL_TDB.encode(), SMALL_TDB.encode()],
    }
    found = good[target] if target in good else binary_seeds(target, folder)
    corpus = HERE / "corpus" / target
    return found + [p.read_bytes() for p in sorted(corpus.glob("*"))] if corpus.is_dir() else found


SMALL_TDB = """ELEMENT VA VACUUM 0 0 0 !
ELEMENT CU FCC_A1 63.546 0 0 !
ELEMENT SN BCT_A5 118.71 0 0 !
TYPE_DEFINITION % SEQ * !
FUNCTION GA 298.15 -7000+130*T-24*T*LN(T)+52000*T**(-1); 3000 N !
PHASE LIQUID % 1 1.0 !
CONSTITUENT LIQUID :CU,SN: !
PARAMETER G(LIQUID,CU;0) 298.15 +GA#+13000-9.5*T; 3000 N !
PARAMETER G(LIQUID,SN;0) 298.15 +GA#+7000-14*T; 3000 N !
PARAMETER L(LIQUID,CU,SN;0) 298.15 -9000-6*T; 3000 N !
PHASE FCC_A1 % 2 1 1 !
CONSTITUENT FCC_A1 :CU,SN:VA: !
PARAMETER G(FCC_A1,CU:VA;0) 298.15 +GA#; 3000 N !
PARAMETER G(FCC_A1,SN:VA;0) 298.15 +GA#+5000; 3000 N !
"""


def binary_seeds(target: str, folder: Path) -> list[bytes]:
    """Small real files, and the same with whole variables and attributes changed."""
    import netCDF4

    path = folder / "seed.nc"
    if target == "netcdf":
        from bronzeward import Schedule, Strand
        from bronzeward.inputs.case import Case
        from bronzeward.materials.kinetics import load_set
        from bronzeward.model.result import write_netcdf
        from bronzeward.model.simulation import run_case

        plan = Schedule.start(20).ramp(200, to=300)
        write_netcdf(run_case(Case(Strand.round(24, 44), plan, load_set())), path, overwrite=True)
    else:
        from bronzeward.thermo import load_table, table_file

        table_file.write(load_table(), path, overwrite=True)
    found = [path.read_bytes()]
    with netCDF4.Dataset(path) as data:
        names, attributes = list(data.variables), data.ncattrs()
    rng = random.Random(7)
    for k in range(60 if target == "netcdf" else 20):
        found.append(_rewritten(path, folder / "changed.nc", rng, names, attributes, k))
    return found


def _rewritten(
    source: Path, target: Path, rng: random.Random, names: list[str], attributes: list[str], k: int
) -> bytes:
    """The same netCDF file with one variable or attribute dropped, shortened, retyped or made wild."""
    import netCDF4
    import numpy as np

    wild = [np.nan, np.inf, -1.0, 1e300, 0.0]
    chosen, how = rng.choice(names), rng.randrange(7)
    dropped = rng.choice(attributes) if how == 0 else None
    with netCDF4.Dataset(source) as old, netCDF4.Dataset(target, "w") as new:
        for name in old.ncattrs():
            value = old.getncattr(name)
            if name == dropped:
                continue
            if how == 6 and name == attributes[k % len(attributes)]:
                value = rng.choice([5, "", "\u2028", np.arange(3.0), "{"])
            new.setncattr(name, value)
        for name, size in old.dimensions.items():
            new.createDimension(name, len(size))
        new.createDimension("odd", 3)
        for name, own in old.variables.items():
            if how == 1 and name == chosen:
                continue
            kind, dims = own.dtype, own.dimensions
            if how == 2 and name == chosen:
                kind = rng.choice(["f4", "i2", "u1", "S1", str])
            if how == 3 and name == chosen:
                dims = ("odd",) if rng.random() < 0.5 else ()
            column = new.createVariable(name, kind, dims)
            if how in (2, 3) and name == chosen:
                continue
            values = own[...]
            if (
                how in (4, 5)
                and name == chosen
                and getattr(values, "dtype", None) is not None
                and values.dtype.kind in "fi"
            ):
                values = np.ma.filled(values).copy()
                values[rng.randrange(len(values)) if how == 4 else ...] = (
                    int(rng.choice([-5, 10**6])) if values.dtype.kind == "i" else rng.choice(wild)
                )
            column[...] = values
    return target.read_bytes()


def mutated(data: bytes, rng: random.Random, words: list[str], others: list[bytes]) -> bytes:
    """A few changes: of bytes, lines, numbers, words; or a part of another seed."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        at = rng.randrange(len(out) + 1)
        kind = rng.choice((0, 1, 2, 3, 4, 5, 5, 5, 5, 6, 7, 8)) if words else rng.randrange(9)
        if kind == 0 and out:
            out[at % len(out)] = rng.randrange(256)
        elif kind == 1:
            del out[at : at + rng.choice((1, 2, 8, 64, 1024))]
        elif kind == 2:
            out[at:at] = bytes(rng.randrange(256) for _ in range(rng.choice((1, 2, 5))))
        elif kind == 3:
            out[at:at] = out[at : at + rng.choice((2, 16, 256))] * rng.choice((1, 1, 3))
        elif kind == 4 and words:
            out[at:at] = (rng.choice(("", "\n")) + rng.choice(words) + rng.choice(("", "\n", " "))).encode()
        elif kind == 5 and words:
            lines = bytes(out).split(b"\n")
            place = rng.randrange(len(lines))
            head = lines[place].partition(b"=")
            lines[place] = (
                head[0] + head[1] + b" " + rng.choice(NUMBERS).encode() if head[1] else rng.choice(NUMBERS).encode()
            )
            out = bytearray(b"\n".join(lines))
        elif kind == 6:
            lines = bytes(out).split(b"\n")
            rng.shuffle(lines) if rng.random() < 0.1 else lines.pop(rng.randrange(len(lines)))
            out = bytearray(b"\n".join(lines))
        elif kind == 7:
            other = rng.choice(others)
            start = rng.randrange(len(other) + 1)
            out[at:at] = other[start : start + rng.choice((8, 64, 512))]
        elif out:
            out[at % len(out)] ^= 1 << rng.randrange(8)
        if len(out) > 400_000:
            break
    return bytes(out)


def changed(target: str, start: list[bytes], rng: random.Random) -> bytes:
    """A changed seed; of a description mostly one that keeps the structure of such files."""
    base = rng.choice(start)
    if target == "tdb":
        import tdb_grammar

        if rng.random() < 0.95:
            # those found before are of one kind each, and mostly refused
            return tdb_grammar.mutated(base if rng.random() < 0.1 else rng.choice(start[:4]), rng)
        base = SMALL_TDB.encode()
    return mutated(base, rng, WORDS.get(target, []), start)


class Findings:
    """What went wrong, once for each kind and place."""

    def __init__(self, target: str, folder: Path) -> None:
        self.target, self.folder, self.seen = target, folder, set()
        self.counts = {"read": 0, "refused": 0, "finding": 0}
        self.slowest = 0.0

    def run(self, data: bytes, work: Path) -> None:
        from targets import attempt

        (work / "last").write_bytes(data)
        start = time.monotonic()
        signal.setitimer(signal.ITIMER_PROF, SLOWEST)
        # what hangs in a library never gets back to Python's own handler: the process dies, its parent sees it
        signal.setitimer(signal.ITIMER_VIRTUAL, 2 * SLOWEST)
        try:
            self.counts[attempt(self.target, data, work)] += 1
        except KeyboardInterrupt:
            raise
        except BaseException as error:
            self.counts["finding"] += 1
            self.keep(error, data)
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)
            self.slowest = max(self.slowest, time.monotonic() - start)

    def keep(self, error: BaseException, data: bytes) -> None:
        frames = traceback.extract_tb(error.__traceback__)
        near = [f for f in frames if "bronzeward" in f.filename or "targets" in f.filename]
        place = f"{Path(near[-1].filename).stem}-{near[-1].lineno}" if near else "?"
        kind = f"{type(error).__name__}-{place}"
        known = kind in self.seen or any(self.folder.glob(f"{kind}-*"))
        self.seen.add(kind)
        if not known:
            print(f"FOUND {self.target} {str(error)[:160]!r} -> {keep(self.folder, kind, data)}", flush=True)


def _too_slow(signum: int, frame: object) -> None:
    raise TimeoutError(f"longer than {SLOWEST} s")


def child(target: str, inputs: int, seconds: float, seed: int, found: Path, work: Path) -> None:
    """Fuzz one target in this process."""
    signal.signal(signal.SIGPROF, _too_slow)
    start = seeds(target, work)
    findings = Findings(target, found)
    for data in start:
        findings.run(data, work)
    findings.counts.update(read=0, refused=0)
    status = Path("/proc/self/status").read_text().splitlines()
    size = next(int(line.split()[1]) * 1024 for line in status if line.startswith("VmSize"))
    resource.setrlimit(resource.RLIMIT_AS, (size + MEMORY, size + MEMORY))
    began, rng, done = time.monotonic(), random.Random(f"{target} {seed}"), 0
    while done < inputs and time.monotonic() - began < seconds:
        findings.run(changed(target, start, rng), work)
        done += 1
    counts, most = findings.counts, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(
        f"{target}: {done} inputs in {time.monotonic() - began:.0f} s, {counts['read']} read, "
        f"{counts['refused']} refused, {len(findings.seen)} kinds of finding ({counts['finding']} inputs), "
        f"slowest {findings.slowest:.2f} s, at most {most} MiB",
        flush=True,
    )


def main() -> None:
    from targets import TARGETS

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("targets", nargs="*", default=list(TARGETS))
    parser.add_argument("--inputs", type=int, default=10000)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--found", type=Path, default=HERE / "found")
    parser.add_argument("--batch", type=int, default=1000, help="inputs a process takes")
    parser.add_argument("--work", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.work:
        (target,) = options.targets
        child(target, options.inputs, options.seconds, options.seed, options.found / target, options.work)
        return
    for target in options.targets:
        began, done = time.monotonic(), 0
        while done < options.inputs and (left := options.seconds - (time.monotonic() - began)) > 0:
            inputs = min(options.batch, options.inputs - done)
            batch(options.found, target, options.seed + done, inputs, left)
            done += inputs


def batch(found: Path, target: str, seed: int, inputs: int, seconds: float) -> None:
    """Some inputs in a process of its own; the input that ends it is kept."""
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as work:
        words = [sys.executable, __file__, target, "--work", work, "--found", str(found)]
        words += ["--inputs", str(inputs), "--seconds", str(seconds), "--seed", str(seed)]
        try:
            code = subprocess.run(words, check=False, timeout=seconds + 600).returncode
        except subprocess.TimeoutExpired:
            code = -signal.SIGKILL
        if code:
            name = keep(found / target, f"Died{code}", (Path(work) / "last").read_bytes())
            print(f"FOUND {target}: its process ended with {code} -> {name}", flush=True)


def keep(folder: Path, kind: str, data: bytes) -> str:
    """Write an input down; the name of its file."""
    folder.mkdir(parents=True, exist_ok=True)
    name = f"{kind}-{hashlib.sha256(data).hexdigest()[:8]}"
    (folder / name).write_bytes(data)
    return name


if __name__ == "__main__":
    main()
