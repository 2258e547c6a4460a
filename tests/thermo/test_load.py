"""Where a table comes from: the one that came along, the cache, or built anew. Never a stale or damaged one."""

import os
import shutil
import subprocess
import sys

import numpy as np
import pytest

from bronzeward import files
from bronzeward.materials import literature
from bronzeward.thermo import description, load, load_table, ship, table_file
from bronzeward.thermo.refine import TOLERANCE
from thermo_systems import assert_same, solution, table, written

NAMES = description.names()
SMALL = (solution("LIQUID", "0", "0"), solution("FCC_A1", "-10000+10*T", "-4000+8*T"))


@pytest.fixture
def small(tmp_path, monkeypatch):
    """A small description and an empty cache folder."""
    monkeypatch.setenv("BRONZEWARD_CACHE", str(tmp_path / "cache"))
    return written(tmp_path, *SMALL)


def kept_at(path):
    return load.cache_path(description.find(path))


# --- the tables that come along


@pytest.mark.parametrize("name", NAMES)
def test_shipped_tables_equal_a_fresh_tabulation(name):
    """Reactions within 1e-6 K, where their Newton stops; boundaries within the straight lines of both tables.

    Another version of a library may place points elsewhere. Hash seeds change roundings, by 2e-11 K and 3e-14.
    """
    old, new = load.shipped(description.find(name)), table(name)
    assert old is not None, "stale: run python -m bronzeward.thermo.ship"
    assert old.tdb_sha256 == new.tdb_sha256 == description.find(name).sha256
    assert (old.title, old.references, old.warnings) == (new.title, new.references, new.warnings)
    assert (old.stacks, old.ends) == (new.stacks, new.ends)
    np.testing.assert_allclose(old.limits, new.limits, rtol=0, atol=1e-6)
    for ours, theirs in zip(old.invariants, new.invariants, strict=True):
        assert (ours.kind, ours.reaction, ours.phases) == (theirs.kind, theirs.reaction, theirs.phases)
        assert ours.temperature == pytest.approx(theirs.temperature, abs=1e-6)
        np.testing.assert_allclose(ours.x_sn, theirs.x_sn, rtol=0, atol=1e-8)
    for ours, theirs in zip(old.fields, new.fields, strict=True):
        assert ours.name == theirs.name
        for side in ("x_copper_side", "x_tin_side"):
            curve = np.interp(theirs.temperature, ours.temperature, getattr(ours, side))
            np.testing.assert_allclose(curve, getattr(theirs, side), rtol=0, atol=2 * TOLERANCE)
    for ours, theirs in zip(old.widths, new.widths, strict=True):
        assert (ours.stack, ours.region) == (theirs.stack, theirs.region)
        np.testing.assert_allclose(ours.temperature, theirs.temperature, rtol=0, atol=1e-6)
        np.testing.assert_allclose(ours.value, theirs.value, rtol=1e-6, atol=1e-9)


def test_a_shipped_table_needs_no_cache_and_little_else(tmp_path):
    """The first command after installation imports neither pycalphad nor anything as heavy, and keeps nothing."""
    heavy = ("pycalphad", "symengine", "scipy.interpolate", "scipy.optimize", "xarray", "pandas", "matplotlib")
    code = (
        "import sys\nfrom bronzeward.thermo import PhaseTable, load_table\n"
        f"for name in {NAMES}:\n    assert isinstance(load_table(name), PhaseTable)\n"
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    out, errors = run(code, tmp_path / "cache").communicate(timeout=300)
    assert (out, errors) == ("[]\n", "")
    assert not (tmp_path / "cache").exists()


def test_ship_writes_what_is_read(tmp_path, monkeypatch):
    monkeypatch.setattr(ship, "build", lambda description: table(description.name))
    paths = ship.ship(tmp_path / "new")
    assert [path.name for path in paths] == [load.shipped_path(description.find(name)).name for name in NAMES]
    for path, name in zip(paths, NAMES, strict=True):
        assert_same(table_file.read(path), table(name))


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """A copy of the descriptions and tables that may be changed."""
    for part in ("descriptions", "tables"):
        shutil.copytree(literature.folder() / part, tmp_path / "databases" / part)
    monkeypatch.setattr(literature, "folder", lambda: tmp_path / "databases")
    return tmp_path / "databases"


def shipped():
    return load.shipped(description.find())


def edited(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.mark.parametrize("what", ["energies", "label", "title", "sources", "method", "layout", "damage", "other table"])
def test_a_stale_shipped_table_is_not_used(installed, monkeypatch, what):
    """TDB, sidecar, method and layout all have to be those of the table."""
    assert shipped() is not None
    sidecar, path = installed / "descriptions" / "cu-sn-shim1996.toml", load.shipped_path(description.find())
    if what == "energies":
        before = description.find().sha256
        edited(sidecar.with_suffix(".tdb"), "-9002.8", "-9002.9")
        edited(sidecar, f'sha256 = "{before}"', "")
    elif what == "label":
        edited(sidecar, 'CU3SN = "epsilon"', 'CU3SN = "eps"')
    elif what == "title":
        edited(sidecar, 'title = "Cu-Sn, ', 'title = "')
    elif what == "sources":
        edited(sidecar, '"nist1999"', '"ngai1981"')
    elif what in ("method", "layout"):
        monkeypatch.setattr(table_file, *{"method": ("METHOD", 10**6), "layout": ("SCHEMA", "other")}[what])
    elif what == "damage":
        path.write_bytes(path.read_bytes()[:-1000])
    else:
        shutil.copy(path.with_name("cu-sn-nist1999-alpha.nc"), path)
    assert shipped() is None


def test_another_pycalphad_may_use_a_shipped_table(installed, monkeypatch):
    """Which one built it stands in the table."""
    monkeypatch.setattr(table_file, "pycalphad_version", lambda: "0.0")
    assert shipped() is not None
    assert shipped().pycalphad_version not in ("0.0", "none", "")


def test_a_copy_of_a_bundled_description_is_a_description_of_its_own(tmp_path):
    shutil.copy(description.find().path, tmp_path)
    assert load.shipped(description.find(tmp_path / "cu-sn-shim1996.tdb")) is None


# --- the cache


def test_a_kept_table_is_the_table(small):
    first = load_table(small)
    assert kept_at(small).is_file()
    assert_same(load.cached(description.find(small)), first)
    assert_same(load_table(small), first)


def test_without_cache_nothing_is_kept(small):
    load_table(small, cache=False)
    assert not kept_at(small).exists()


@pytest.mark.parametrize("damage", ["cut", "empty", "text", "flipped", "other", "folder"])
def test_a_damaged_table_is_built_anew(small, damage):
    good, path = load_table(small), kept_at(small)
    content = path.read_bytes()
    flipped = bytes(byte ^ 0xFF if k > len(content) // 4 and k % 97 == 0 else byte for k, byte in enumerate(content))
    path.unlink()
    if damage == "folder":
        path.mkdir()
    elif damage == "other":
        table_file.write(table(), path)
    else:
        cut = content[: len(content) // 2]
        path.write_bytes({"cut": cut, "empty": b"", "text": b"CDF", "flipped": flipped}[damage])
    assert load.cached(description.find(small)) is None
    assert_same(load_table(small), good)
    assert (load.cached(description.find(small)) is None) == (damage == "folder")


def test_the_key_follows_what_the_table_depends_on(small, monkeypatch):
    """Another content of the TDB file, sidecar, pycalphad, method or layout is another file."""
    paths = [kept_at(small)]
    small.write_text(small.read_text() + "\n$ one more line\n")
    paths.append(kept_at(small))
    small.with_suffix(".toml").write_text('[phases]\nFCC_A1 = "solid"\n')
    paths.append(kept_at(small))
    for name, value in (("pycalphad_version", lambda: "0.0"), ("METHOD", 10**6), ("SCHEMA", "other")):
        monkeypatch.setattr(table_file, name, value)
        paths.append(kept_at(small))
    assert len(set(paths)) == 6


def test_folder_follows_the_environment(monkeypatch, tmp_path):
    monkeypatch.setenv("BRONZEWARD_CACHE", str(tmp_path))
    assert files.cache_folder() == tmp_path
    monkeypatch.delenv("BRONZEWARD_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "x"))
    if sys.platform == "linux":
        assert files.cache_folder() == tmp_path / "x" / "bronzeward"
    assert "bronzeward" in files.cache_folder().parts


@pytest.mark.parametrize("unusable", ["/proc/nowhere", "file"])
def test_a_folder_that_cannot_be_written_to(small, tmp_path, monkeypatch, unusable):
    """A table is still given; /proc refuses even root, a file is no folder."""
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("BRONZEWARD_CACHE", str(tmp_path / unusable))
    assert_same(load_table(small), load_table(small, cache=False))


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root writes anywhere")
def test_a_read_only_folder(small, tmp_path):
    (tmp_path / "cache").mkdir(mode=0o500)
    assert_same(load_table(small), load_table(small, cache=False))


def run(code, folder):
    return subprocess.Popen(
        [sys.executable, "-c", code],
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=os.environ | {"BRONZEWARD_CACHE": str(folder)},
    )


def test_two_processes_at_once(small, tmp_path):
    """Both build the same table at the same time; both answer, one whole file and no litter is left."""
    code = (
        f"from bronzeward.thermo import load_table\n"
        f"t = load_table({str(small)!r})\nprint(len(t.fields), t.invariants[0].temperature)"
    )
    both = [run(code, tmp_path / "cache") for _ in range(2)]
    # half a minute alone; more where other work has the machine
    answers = [process.communicate(timeout=300) for process in both]
    assert [process.returncode for process in both] == [0, 0], answers
    assert answers[0][0] == answers[1][0]
    assert list((tmp_path / "cache").iterdir()) == [kept_at(small)]
    assert_same(load.cached(description.find(small)), load_table(small, cache=False))


def test_the_first_tables_of_a_process_are_asked_for_by_several_threads():
    """netCDF's library serves one thread at a time; it ended the process."""
    code = (
        "from concurrent.futures import ThreadPoolExecutor; from bronzeward.thermo import load_table\n"
        f"with ThreadPoolExecutor(8) as pool: print(len(list(pool.map(load_table, 8 * {NAMES!r}))))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (run.returncode, run.stdout, run.stderr) == (0, f"{8 * len(NAMES)}\n", "")
