"""What is fuzzed: every reader of the program, given bytes in a folder of its own.

A target may refuse its input with `InputError` (the cache: by giving None). Anything else it raises is a
finding, as is what `Watch` sees: a program started, a connection, a file written outside the folder.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

from bronzeward.errors import InputError

MINE = """inherits = "default"
[[constant]]
phase = "eta"
kind = "integrated"
prefactor = 1e-10
activation_energy_kJ_per_mol = 60.0
t_min_C = 100
t_max_C = 231
factor_1sigma = 2.5
"""

LOG = "time_h,temperature_C\n0,20\n1,120\n2,220\n3,220\n"


class Escape(Exception):
    """The reader did something that reading a file does not need."""


class Watch:
    """An audit hook that can be switched on; Python allows no removing."""

    def __init__(self) -> None:
        self.folder: str | None = None
        sys.addaudithook(self)

    def __call__(self, event: str, args: tuple[object, ...]) -> None:
        if self.folder is None:
            return
        if event in ("os.system", "subprocess.Popen", "os.exec", "os.posix_spawn", "os.fork", "socket.connect"):
            raise Escape(f"{event} {args!r:.200}")
        if event == "open":
            path, mode, flags = args
            writes = isinstance(flags, int) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC)
            inside = not isinstance(path, str | bytes) or os.fsdecode(path).startswith((self.folder, "/dev/null"))
            if (writes or (isinstance(mode, str) and set(mode) & set("wax+"))) and not inside:
                raise Escape(f"open {path!r:.200} {mode}")
        if event in ("os.remove", "os.rename", "os.rmdir", "os.mkdir", "shutil.rmtree"):
            if not os.fsdecode(args[0]).startswith(self.folder):  # type: ignore[arg-type]
                raise Escape(f"{event} {args!r:.200}")


WATCH = Watch()


def _folder_with(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def case(data: bytes, folder: Path) -> None:
    """A case file, with a log and a kinetic file beside it; what is read must survive being stored."""
    from bronzeward.inputs.case import case_from_json, load_case
    from bronzeward.thermo.description import find

    if not (folder / "thermocouple.csv").exists():
        (folder / "thermocouple.csv").write_text(LOG)
        (folder / "mine.toml").write_text(MINE)
    own = load_case(_folder_with(folder, "case.toml", data))
    find(own.description)
    again = case_from_json(json.dumps(own.to_data()))
    assert again.strand == own.strand
    assert np.array_equal(again.schedule.time, own.schedule.time)
    assert np.array_equal(again.schedule.temperature, own.schedule.temperature)
    assert again.kinetics.constants == own.kinetics.constants
    assert (again.description, again.numerics, again.title) == (own.description, own.numerics, own.title)
    assert np.isfinite([own.strand.core_area, own.strand.copper_area, own.strand.copper_tin_ratio()]).all()
    assert np.isfinite(own.schedule.time).all()


def stored(data: bytes, folder: Path) -> None:
    """The inputs that a result carries, as JSON."""
    from bronzeward.inputs.case import case_from_json

    case_from_json(data.decode("utf-8", "surrogateescape"))


def log(data: bytes, folder: Path) -> None:
    """A thermocouple log."""
    from bronzeward.inputs.furnace_log import read_log

    time, temperature = read_log(_folder_with(folder, "log.csv", data))
    assert np.isfinite(time).all()
    assert (np.diff(time) > 0).all()
    assert np.isfinite(temperature).all()
    assert time.shape == temperature.shape


def kinetics(data: bytes, folder: Path) -> None:
    """A kinetic file."""
    from bronzeward.materials.kinetics import load_set, plain_set, set_from_data

    own = load_set(_folder_with(folder, "own.toml", data))
    again = set_from_data(json.loads(json.dumps(plain_set(own))), "again")
    assert [(c.phase, c.contact, c.prefactor) for c in again.constants] == [
        (c.phase, c.contact, c.prefactor) for c in own.constants
    ]
    for constant in own.constants:
        assert float(constant.at(500.0)) >= 0
        assert constant.factor >= 1
        assert constant.extrapolated_factor > 0


def measured(data: bytes, folder: Path) -> None:
    """Measured layer thicknesses."""
    from bronzeward.inputs.layer_measurements import read_measurements

    for own in read_measurements(_folder_with(folder, "layers.csv", data)):
        assert own.mean > 0
        assert own.readings > 0
        assert np.isfinite(own.schedule.time).all()


def netcdf(data: bytes, folder: Path) -> None:
    """A result file; what is accepted must answer the questions of a run."""
    from bronzeward.model.result import read_netcdf
    from bronzeward.reports.summary import answers, sentences

    result = read_netcdf(_folder_with(folder, "result.nc", data))
    sentences(result), answers(result)


def cache(data: bytes, folder: Path) -> None:
    """A phase table in the cache; what is accepted must place points."""
    from bronzeward.thermo import table_file

    table = table_file.read(_folder_with(folder, "table.nc", data))
    if table is not None:
        table.fractions(500.0, 0.2)


def tdb(data: bytes, folder: Path) -> None:
    """A thermodynamic description."""
    from bronzeward.thermo import describe

    describe(str(_folder_with(folder, "own.tdb", data)))


TARGETS: dict[str, Callable[[bytes, Path], None]] = {
    "case": case, "stored": stored, "log": log, "kinetics": kinetics,
    "measured": measured, "netcdf": netcdf, "cache": cache, "tdb": tdb,
}  # fmt: skip


def attempt(name: str, data: bytes, folder: Path) -> str:
    """Give one input to a target: "refused" or "read"; a finding is raised."""
    if name == "tdb":
        import bronzeward.thermo.tdb  # noqa: F401  # its libraries make folders of their own when first imported
    WATCH.folder = str(folder)
    try:
        TARGETS[name](data, folder)
    except InputError:
        return "refused"
    finally:
        WATCH.folder = None
    return "read"
