"""The databases: complete, sourced, pinned, and right where they can be recomputed.

Nothing here uses the solver. Molar volumes come again from lattice parameters and Avogadro's number, growth
constants from the tables they were fitted to. Published values are compared in `tests/validation`.
"""

from __future__ import annotations

import csv
import hashlib
import json
import math
import re
from importlib.metadata import metadata, version
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from scipy.constants import N_A, R, e, k

import bronzeward
from bronzeward.materials.literature import bibliography, folder, read_toml
from closeness import close

KELVIN = 273.15
SETS = ["default", "couples", "mei1992", "onishi1975", "dreyer1995"]
PHASES = {"eta", "epsilon", "zeta", "delta", "gamma", "beta", "alpha"}
GRADES = {"measured", "assessed", "estimated"}
CHECK_GRADES = GRADES | {"computed", "handbook", "practice", "standard"}
SEEN = {"read", "abstract", "second-hand", "memory", "derived", "none"}
CHECK_KINDS = {"measurement", "assessed", "standard", "own input", "closed form", "information"}
TOLERANCE_KINDS = {"absolute", "factor", "at_most", "at_least", "information"}
UNITS = {
    "molar_volume": "m3/mol",
    "liquid_density": "kg/m3",
    "linear_expansion": "1/K",
    "yield_strength": "Pa",
    "drawing_porosity": "1",
    "atomic_weight": "kg/mol",
    "composition": "1",
    "eta_limit": "K",
    "elastic_strain": "1",
    "elastic_modulus": "Pa",
}

# Checksums of the numbers (prose left out). They change only together with a value: see `test_pinned`.
PINS = {
    "kinetics/default.toml": "cd97d85cf2d6e5d4",
    "kinetics/couples.toml": "e6053b94046ca359",
    "kinetics/mei1992.toml": "b942fb837d611c95",
    "kinetics/onishi1975.toml": "39f81f873ef94d50",
    "kinetics/dreyer1995.toml": "ad3bd388f56f2411",
    "doubts.toml": "7407dbf4cb24ac6c",
    "properties.toml": "edce73e886d46f71",
    "thermocouples.toml": "a96fc688f3ef05ab",
    "checks.csv": "3d2c766fa87ec013",
}


def kinetics(name: str) -> dict[str, Any]:
    return read_toml(folder() / "kinetics" / f"{name}.toml")


def constant(name: str, phase: str) -> dict[str, Any]:
    return next(row for row in kinetics(name)["constant"] if row["phase"] == phase)


def diffusivity(row: dict[str, Any], kelvin: float) -> float:
    return row["prefactor"] * math.exp(-row["activation_energy_kJ_per_mol"] * 1e3 / (R * kelvin))


def integrated(row: dict[str, Any], kelvin: float) -> float:
    """Integral of D over the homogeneity range [m2/s]."""
    return diffusivity(row, kelvin) * (row["homogeneity_range"] if row["kind"] == "interdiffusion" else 1.0)


def values() -> list[dict[str, Any]]:
    return read_toml(folder() / "properties.toml")["value"]


def value(quantity: str, phase: str) -> dict[str, Any]:
    return next(row for row in values() if row["quantity"] == quantity and row["phase"] == phase)


def checks() -> list[dict[str, str]]:
    with (folder() / "checks.csv").open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def check(name: str) -> dict[str, str]:
    return next(row for row in checks() if row["id"] == name)


def condition(row: dict[str, str]) -> dict[str, str]:
    """`key=value` pairs of a check's condition; text without a key is dropped."""
    return dict(part.strip().split("=", 1) for part in row["condition"].split("; ") if "=" in part)


# --- complete and sourced


@pytest.mark.parametrize("name", SETS)
def test_constants_are_complete(name: str) -> None:
    data = kinetics(name)
    assert data["name"] == name
    assert data["title"]
    assert data["note"]
    assert data.get("inherits") == (None if name == "default" else "default")
    required = {
        "phase", "kind", "prefactor", "activation_energy_kJ_per_mol", "t_min_C", "t_max_C", "factor_1sigma",
        "contact", "grade", "seen", "source", "locator", "note",
    }  # fmt: skip
    optional = {"factor_1sigma_extrapolated", "composition_exponent", "homogeneity_range"}
    for row in data["constant"]:
        assert required <= set(row) <= required | optional, row["phase"]
        assert row["phase"] in PHASES
        assert row["kind"] in {"integrated", "interdiffusion", "tracer"}
        assert row["contact"] in {"any", "liquid"}
        assert row["grade"] in GRADES
        assert row["seen"] in SEEN
        assert 0 < row["prefactor"] < 1e-3
        assert 20 < row["activation_energy_kJ_per_mol"] < 300
        assert row["t_min_C"] < row["t_max_C"]
        assert 1 < row["factor_1sigma"] <= row.get("factor_1sigma_extrapolated", math.inf)
        assert ("homogeneity_range" in row) == (row["kind"] == "interdiffusion" and row["phase"] != "alpha")
        assert row["source"] or row["grade"] == "estimated", f"{row['phase']} is {row['grade']} without a source"


def test_default_set_has_every_phase_once() -> None:
    assert sorted(row["phase"] for row in kinetics("default")["constant"]) == sorted(PHASES)


def test_every_kinetics_file_is_tested() -> None:
    assert sorted(path.stem for path in (folder() / "kinetics").glob("*.toml")) == sorted(SETS)


def test_values_are_complete() -> None:
    required = {
        "quantity", "phase", "value", "unit", "t_min_C", "t_max_C", "grade", "seen", "source", "locator",
        "note",
    }  # fmt: skip
    line = {"intercept_kg_per_m3", "slope_kg_per_m3_K", "reference_K"}
    for row in values():
        label = f"{row['quantity']} {row['phase']}"
        assert set(row) == required | (line if row["quantity"] == "liquid_density" else set()), label
        assert row["unit"] == UNITS[row["quantity"]], label
        assert row["value"] > 0, label
        assert row["t_min_C"] <= row["t_max_C"], label
        assert row["grade"] in GRADES, label
        assert row["seen"] in SEEN, label
        assert row["locator"], label
        assert row["source"] or row["grade"] == "estimated" or row["seen"] == "memory", label


def test_every_phase_has_volume_and_expansion() -> None:
    volumes = {row["phase"] for row in values() if row["quantity"] == "molar_volume"}
    assert volumes == (PHASES - {"alpha"}) | {"(Sn)", "Cu", "alpha 9.1 at% Sn"}
    assert {row["phase"] for row in values() if row["quantity"] == "linear_expansion"} == PHASES | {
        "(Sn)",
        "Cu",
        "Nb",
        "Ta",
        "V",
    }


def test_compositions_are_those_of_the_description() -> None:
    """The site fractions of the bundled TDB file, whose own checksum is kept."""
    text = (folder() / "descriptions" / "cu-sn-shim1996.tdb").read_text(encoding="utf-8")
    for phase, name in (("eta", "CU6SN5"), ("epsilon", "CU3SN"), ("delta", "CU41SN11")):
        copper, tin = re.search(rf"PHASE {name} % 2 (\S+) (\S+) !", text).groups()  # type: ignore[union-attr]
        assert value("composition", phase)["value"] == float(tin) == close(1 - float(copper))


def test_thermocouples_are_complete() -> None:
    rows = read_toml(folder() / "thermocouples.toml")["value"]
    keys = {"class", "types", "least_K", "share", "t_min_C", "t_max_C", "grade", "seen", "source", "locator", "note"}
    for row in rows:
        assert set(row) == keys
        assert (row["grade"], row["source"]) == ("standard", ["iec60584"])
        assert row["seen"] in SEEN
    # a class with a higher number is never better
    assert all(one["least_K"] < other["least_K"] and one["share"] < other["share"] for one, other in pairwise(rows))


def test_checks_are_complete() -> None:
    rows = checks()
    assert len({row["id"] for row in rows}) == len(rows)
    for row in rows:
        assert None not in row, f"{row['id']}: too many columns"
        for column in (
            "id",
            "topic",
            "condition",
            "value",
            "unit",
            "tolerance",
            "tolerance_kind",
            "grade",
            "seen",
        ):
            assert row[column], f"{row['id']} lacks {column}"
        assert math.isfinite(float(row["value"])), row["id"]
        assert float(row["tolerance"]) >= 0, row["id"]
        assert row["tolerance_kind"] in TOLERANCE_KINDS, row["id"]
        assert row["tolerance_reason"] or row["tolerance_kind"] == "information", row["id"]
        assert row["grade"] in CHECK_GRADES, row["id"]
        assert row["kind"] in CHECK_KINDS, row["id"]
        assert (row["kind"] == "information") == (row["tolerance_kind"] == "information"), row["id"]
        assert (row["kind"] == "closed form") == (row["grade"] == "computed"), row["id"]
        assert row["seen"] in SEEN, row["id"]
        assert row["source"] or row["grade"] == "computed", row["id"]
        assert condition(row), row["id"]


def cited() -> set[str]:
    keys = {key for name in SETS for row in kinetics(name)["constant"] for key in row["source"]}
    keys |= {key for row in values() for key in row["source"]}
    keys |= {key for row in read_toml(folder() / "thermocouples.toml")["value"] for key in row["source"]}
    return keys | {row["source"] for row in checks() if row["source"]}


def test_every_source_is_in_the_bibliography() -> None:
    assert cited() <= set(bibliography())


def test_every_citation_is_used() -> None:
    """A key stands in a source list, in a note, or beside a description (written elsewhere)."""
    text = "\n".join(
        path.read_text(encoding="utf-8")
        for path in sorted(folder().rglob("*"))
        if path.suffix in {".toml", ".csv", ".tdb"} and path.name != "bibliography.toml"
    )
    elsewhere = {"wagner1969", "shim1996", "dinsdale1991", "nist1999", "ngai1981"}
    assert {key for key in bibliography() if key not in text} <= elsewhere


def test_citations_are_whole() -> None:
    for key, entry in read_toml(folder() / "bibliography.toml").items():
        assert set(entry) <= {"citation", "doi"}, key
        assert len(entry["citation"]) > 10, key
        assert entry.get("doi", "10.x").startswith("10."), key


# --- pinned


def numbers(path: Path) -> str:
    """Checksum of a file without its prose."""
    if path.suffix == ".csv":
        with path.open(newline="", encoding="utf-8") as stream:
            rows: Any = list(csv.DictReader(stream))
        prose = {"tolerance_reason", "locator", "note"}
    else:
        data = read_toml(path)
        rows = data.get("constant") or data.get("value") or [*data["spread"], *data["alternative"]]
        prose = {"locator", "note"}
    kept = [{key: cell for key, cell in row.items() if key not in prose} for row in rows]
    return hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()[:16]


@pytest.mark.parametrize("name", sorted(PINS))
def test_pinned(name: str) -> None:
    found = numbers(folder() / name)
    assert found == PINS[name], (
        f"a value, range, grade or source in databases/{name} changed. If that was meant: look the new value"
        f" up in its source, say in the commit message what was found and where, set PINS[{name!r}] in"
        f" tests/materials/test_literature.py to {found!r}, and run the whole test suite"
    )


def test_doubts_say_where_they_come_from() -> None:
    data = read_toml(folder() / "doubts.toml")
    for row in [*data["spread"], *data["alternative"]]:
        assert row["grade"] in GRADES, row["name"]
        assert row["seen"] in SEEN, row["name"]
        assert row["locator"], row["name"]
        assert set(row["source"]) <= set(bibliography()), row["name"]


# --- how to cite


def test_citation_file() -> None:
    """What the Citation File Format 1.2.0 demands, and the package's own version and licence."""
    data = yaml.safe_load((folder() / "CITATION.cff").read_text(encoding="utf-8"))
    assert data["cff-version"] == "1.2.0"
    assert set(data) <= {
        "cff-version", "message", "title", "authors", "type", "abstract", "version", "license", "keywords",
    }  # fmt: skip
    assert all(isinstance(data[key], str) and data[key].strip() for key in ("message", "title", "abstract"))
    assert data["type"] == "software"
    assert data["authors"] == [{"name": "the bronzeward developers"}]
    assert data["version"] == bronzeward.__version__ == version("bronzeward")
    assert data["license"] == metadata("bronzeward")["License-Expression"]
    assert sorted(data["keywords"]) == sorted(metadata("bronzeward")["Keywords"].split(","))


def test_readme_cites_the_same_version() -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    assert f"bronzeward {bronzeward.__version__}, BSD-3-Clause" in readme


def test_every_file_has_its_row() -> None:
    rows = re.findall(r"^\| `([^`]+)` \|", (folder() / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    there = {p.relative_to(folder()).as_posix() for p in folder().rglob("*") if p.is_file()}
    whole = ("descriptions/", "tables/")  # folders with one row for all their files
    there = {next((part for part in whole if name.startswith(part)), name) for name in there} - {"README.md"}
    assert there <= set(rows)


# --- recomputed: molar volumes and densities

LATTICE = re.compile(
    r"lattice: (cubic|tetragonal|hexagonal|orthorhombic)"
    r" a=([\d.]+)(?: b=([\d.]+))?(?: c=([\d.]+))? A, ([\d.]+) atoms"
)


def lattice_volume(locator: str) -> float:
    """Molar volume per mole of atoms [m3/mol] from cell edges in angstrom."""
    match = LATTICE.fullmatch(locator)
    assert match, locator
    a, b, c = (float(edge) if edge else None for edge in match.group(2, 3, 4))
    assert a is not None
    shape = math.sqrt(3) / 2 if match[1] == "hexagonal" else 1.0
    return a * (b or a) * (c or a) * shape * 1e-30 * N_A / float(match[5])


def test_molar_volumes_follow_from_lattices() -> None:
    """0.1 percent: the volumes are rounded to three or four figures."""
    rows = [row for row in values() if row["locator"].startswith("lattice:")]
    assert {row["phase"] for row in rows} >= {"Cu", "alpha 9.1 at% Sn", "(Sn)", "eta", "epsilon", "delta"}
    for row in rows:
        assert row["value"] == close(lattice_volume(row["locator"]), rel=1e-3), row["phase"]


@pytest.mark.parametrize(
    ("phase", "x", "low", "x_low", "high", "x_high"),
    [
        ("zeta", 0.231, "delta", 0.212, "epsilon", 0.25),
        ("gamma", 0.19, "alpha 9.1 at% Sn", 0.091, "epsilon", 0.25),
        ("beta", 0.145, "alpha 9.1 at% Sn", 0.091, "epsilon", 0.25),
    ],
)
def test_estimated_volumes_are_interpolated(
    phase: str, x: float, low: str, x_low: float, high: str, x_high: float
) -> None:
    ends = [value("molar_volume", low)["value"], value("molar_volume", high)["value"]]
    assert value("molar_volume", phase)["grade"] == "estimated"
    assert value("molar_volume", phase)["value"] == close(np.interp(x, [x_low, x_high], ends), rel=1e-3)


def liquid_density(phase: str, kelvin: float) -> float:
    row = value("liquid_density", phase)
    return row["intercept_kg_per_m3"] + row["slope_kg_per_m3_K"] * (kelvin - row["reference_K"])


@pytest.mark.parametrize(("phase", "element"), [("liquid", "sn"), ("liquid Cu", "cu")])
def test_assael2010_refers_to_the_melting_point(phase: str, element: str) -> None:
    """The reference temperature is the ITS-90 freezing point, where the correlation gives its constant."""
    melting = float(check(f"melting_{element}")["value"]) + KELVIN
    row = value("liquid_density", phase)
    assert row["reference_K"] == pytest.approx(melting, abs=0.01)
    assert row["value"] == row["intercept_kg_per_m3"]
    assert liquid_density(phase, melting) == close(row["value"], rel=1e-5)


def test_tin_expands_on_melting_by_a_few_percent() -> None:
    """Two independent sources, X-ray cell and liquid density, must leave a plausible step."""
    melting = 505.08
    growth = (1 + value("linear_expansion", "(Sn)")["value"] * (melting - 298.15)) ** 3
    solid = value("molar_volume", "(Sn)")["value"] * growth
    liquid = value("atomic_weight", "Sn")["value"] / liquid_density("liquid", melting)
    assert 0.02 < liquid / solid - 1 < 0.035


# --- recomputed: growth constants


@pytest.mark.parametrize("phase", ["eta", "epsilon"])
@pytest.mark.parametrize("celsius", [100, 150, 190, 210, 231, 415])
def test_couples_are_the_log_mean_of_mei1992_and_onishi1975(phase: str, celsius: float) -> None:
    """It holds at every temperature, the mean of two Arrhenius lines being one; 2 percent for rounding."""
    kelvin = celsius + KELVIN
    mean = math.sqrt(math.prod(integrated(constant(name, phase), kelvin) for name in ("mei1992", "onishi1975")))
    assert integrated(constant("couples", phase), kelvin) == close(mean, rel=0.02)


def test_dreyer1995_in_si() -> None:
    """0.032 cm2/s and 0.87 eV in its abstract."""
    row = constant("dreyer1995", "epsilon")
    assert row["prefactor"] == close(0.032e-4)
    assert row["activation_energy_kJ_per_mol"] == pytest.approx(0.87 * e * N_A / 1e3, abs=0.05)
    assert close(R) == k * N_A


def test_gamma_is_the_fit_of_ddf28986() -> None:
    """Least squares on the six published values; the constants are rounded to three and four figures."""
    rows = [row for row in checks() if row["id"].startswith("tracer_gamma_")]
    kelvin = np.array([float(condition(row)["temperature_C"]) + KELVIN for row in rows])
    slope, intercept = np.polyfit(1 / kelvin, np.log([float(row["value"]) for row in rows]), 1)
    for phase in ("gamma", "beta"):
        assert constant("default", phase)["prefactor"] == close(math.exp(intercept), rel=3e-3)
        assert constant("default", phase)["activation_energy_kJ_per_mol"] == pytest.approx(-slope * R / 1e3, abs=0.05)


def test_alpha_exponent_is_the_fit_of_ddf28992() -> None:
    """Twelve values with at most 2.1 at% Zn; the intercept, 0.77 of the constant, is inside its factor."""
    rows = [row for row in checks() if row["id"].startswith("alpha_1073k_")]
    assert len(rows) == 12
    x = [float(condition(row)["x_sn"]) for row in rows]
    slope, intercept = np.polyfit(x, np.log([float(row["value"]) for row in rows]), 1)
    row = constant("default", "alpha")
    assert row["composition_exponent"] == pytest.approx(slope, abs=0.05)
    assert math.exp(intercept) / diffusivity(row, 1073.0) == pytest.approx(0.77, abs=0.01)
