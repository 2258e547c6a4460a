"""Tables on disk: kept, found, verified, rebuilt; read-only folders; two processes at once."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from bronzeward.thermo import cache, description, load_table, place
from thermo_systems import solution, table, written

SMALL = (solution("LIQUID", "0", "0"), solution("FCC_A1", "-10000+10*T", "-4000+8*T"))


@pytest.fixture
def kept(tmp_path, monkeypatch):
    """A cache folder of one's own and a small description."""
    monkeypatch.setenv("BRONZEWARD_CACHE", str(tmp_path / "cache"))
    return written(tmp_path, *SMALL)


def kept_at(path):
    return place.path_of(description.find(path))


def same(one, other):
    assert one.invariants == other.invariants
    assert one.stacks == other.stacks
    assert one.ends == other.ends
    assert one.limits == other.limits
    for a, b in zip(one.fields, other.fields, strict=True):
        assert (a.tin_side, a.copper_side) == (b.tin_side, b.copper_side)
        np.testing.assert_array_equal(a.temperature, b.temperature)
        np.testing.assert_array_equal(a.x_tin_side, b.x_tin_side)
        np.testing.assert_array_equal(a.x_copper_side, b.x_copper_side)
    for a, b in zip(one.widths, other.widths, strict=True):
        np.testing.assert_array_equal(a.value, b.value)


def test_a_kept_table_is_the_table(kept):
    first = load_table(kept)
    assert kept_at(kept).is_file()
    same(first, load_table(kept))
    same(first, load_table(kept, cache=False))


def test_without_cache_nothing_is_kept(kept):
    load_table(kept, cache=False)
    assert not kept_at(kept).exists()


def test_the_whole_description_survives(tmp_path):
    """Every part of the real table, through the disk and back."""
    path = tmp_path / "table.nc"
    assert cache.write(path, table())
    back = cache.read(path)
    same(table(), back)
    assert (back.description, back.tdb_sha256, back.references, back.warnings) == (
        table().description,
        table().tdb_sha256,
        table().references,
        table().warnings,
    )


@pytest.mark.parametrize("damage", ["truncated", "empty", "text", "flipped", "folder"])
def test_a_damaged_table_is_built_anew(kept, damage):
    good = load_table(kept)
    path = kept_at(kept)
    content = bytearray(path.read_bytes())
    if damage == "truncated":
        path.write_bytes(content[: len(content) // 2])
    elif damage == "empty":
        path.write_bytes(b"")
    elif damage == "text":
        path.write_bytes(b"no table at all")
    elif damage == "folder":
        path.unlink()
        path.mkdir()
    else:
        values = np.array([own.temperature[1] for own in good.fields])
        spot = content.find(values[0].tobytes())
        assert spot > 0
        content[spot + 3] ^= 0x10
        path.write_bytes(content)
    assert cache.read(path) is None
    same(good, load_table(kept))
    if damage != "folder":
        same(good, cache.read(path))


def test_the_key_follows_what_the_table_depends_on(kept, monkeypatch):
    """Another TDB content or another pycalphad is another file."""
    first = kept_at(kept)
    kept.write_text(kept.read_text() + "\n$ one more line\n")
    assert kept_at(kept) != first
    second = kept_at(kept)
    monkeypatch.setattr(place, "pycalphad_version", lambda: "0.0")
    assert kept_at(kept) != second


def test_folder_follows_the_environment(monkeypatch, tmp_path):
    monkeypatch.setenv("BRONZEWARD_CACHE", str(tmp_path))
    assert place.folder() == tmp_path
    monkeypatch.delenv("BRONZEWARD_CACHE")
    monkeypatch.setattr(place.sys, "platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "x"))
    assert place.folder() == tmp_path / "x" / "bronzeward"
    monkeypatch.delenv("XDG_CACHE_HOME")
    assert place.folder().parts[-2:] == (".cache", "bronzeward")
    monkeypatch.setattr(place.sys, "platform", "win32")
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "local"))
    assert place.folder() == tmp_path / "local" / "bronzeward"


@pytest.mark.parametrize("unusable", ["/proc/nowhere", "file"])
def test_a_folder_that_cannot_be_written_to(kept, tmp_path, monkeypatch, unusable):
    """A table is still given; /proc refuses even root, a file is no folder."""
    if unusable == "file":
        (tmp_path / "taken").write_text("")
        unusable = str(tmp_path / "taken")
    monkeypatch.setenv("BRONZEWARD_CACHE", unusable)
    same(load_table(kept), load_table(kept, cache=False))


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root writes anywhere")
def test_a_read_only_folder(kept, tmp_path):
    (tmp_path / "cache").mkdir(mode=0o500)
    same(load_table(kept), load_table(kept, cache=False))


def run(code, folder):
    return subprocess.Popen(
        [sys.executable, "-c", code],
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=os.environ | {"BRONZEWARD_CACHE": str(folder)},
    )


def test_two_processes_at_once(kept, tmp_path):
    """Both build the same table at the same time; both answer, one whole file and no litter is left."""
    code = (
        f"from bronzeward.thermo import load_table\n"
        f"t = load_table({str(kept)!r})\nprint(len(t.fields), t.invariants[0].temperature)"
    )
    both = [run(code, tmp_path / "cache") for _ in range(2)]
    # half a minute alone; more where other work has the machine
    answers = [process.communicate(timeout=300) for process in both]
    assert [process.returncode for process in both] == [0, 0], answers
    assert answers[0][0] == answers[1][0]
    assert [own.name for own in (tmp_path / "cache").iterdir()] == [kept_at(kept).name]
    same(cache.read(kept_at(kept)), load_table(kept, cache=False))


def test_a_kept_table_needs_little(tmp_path):
    """Reading it imports neither pycalphad nor anything as heavy, and takes less than 50 ms."""
    folder = tmp_path / "cache"
    folder.mkdir()
    found = description.find()
    os.environ["BRONZEWARD_CACHE"], before = str(folder), os.environ.get("BRONZEWARD_CACHE")
    try:
        assert cache.write(place.path_of(found), table())
    finally:
        os.environ.pop("BRONZEWARD_CACHE")
        if before is not None:
            os.environ["BRONZEWARD_CACHE"] = before
    code = (
        "import sys, time\nfrom bronzeward.thermo import load_table\nimport netCDF4\n"
        "times = []\n"
        "for _ in range(9):\n    start = time.perf_counter()\n    load_table()\n"
        "    times.append(time.perf_counter() - start)\n"
        "print(min(times), *[m for m in ('pycalphad', 'symengine', 'scipy.interpolate', 'xarray', 'pandas',"
        " 'matplotlib') if m in sys.modules])"
    )
    out, errors = run(code, folder).communicate(timeout=60)
    assert errors == ""
    seconds, *heavy = out.split()
    assert heavy == []
    assert float(seconds) < 0.05


def test_no_path_outside_the_package_is_needed():
    assert Path(description.folder()).is_dir()
