"""Files that are no files, too large, of another code, closed to the user or badly named: one line, nothing written."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from bronzeward.inputs import starter
from bronzeward.inputs.case import load_case
from bronzeward.materials import literature
from bronzeward.model.answers import numbers
from bronzeward.model.result import read_netcdf, write_netcdf
from bronzeward.model.simulation import run_case
from little_rights import run_with_little_rights

TDB = literature.folder() / "descriptions" / "cu-sn-shim1996.tdb"


@pytest.fixture(scope="module")
def stored(tmp_path_factory) -> Path:
    return write_netcdf(run_case(load_case(starter.STARTER)), tmp_path_factory.mktemp("stored") / "starter.nc")


READERS = {
    "run": ("run", "{}", "-o", "made.nc"),
    "sweep": ("sweep", "{}", "--vary", "strand.core_diameter_um=20,24"),
    "plot": ("plot", "{}", "-o", "made.png"),
    "report": ("report", "{}", "-o", "made.html"),
    "compare": ("compare", "{}", "{}"),
    "log": ("log", "{}"),
    "fit": ("fit", "{}"),
    "base": ("fit", "layers.csv", "--base", "{}.toml"),
    "tdb": ("invariants", "-d", "{}"),
    "describe": ("describe", "{}"),
    "case of a log": ("log", "log.csv", "--case", "{}"),
}
"""Commands with a file to read; {} is its name."""


def make(kind: str, path: Path) -> str:
    """Make a bad file of a kind; its name."""
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "endless":
        path.symlink_to("/dev/zero")
    elif kind == "folder":
        path.mkdir()
    elif kind == "circle":
        path.symlink_to(path.name)
    elif kind == "noise":
        path.write_bytes(bytes(range(256)) * 8)
    elif kind == "huge":
        with path.open("wb") as file:
            file.truncate(300 * 2**20)
    elif kind == "long name":
        return "x" * 300
    elif kind == "long path":
        return "/".join(["y" * 200] * 30)
    return path.name


@pytest.mark.parametrize("words", READERS.values(), ids=READERS)
@pytest.mark.parametrize("kind", ["pipe", "endless", "folder", "circle", "noise", "huge", "long name", "long path"])
def test_what_is_no_file_is_refused_at_once(command, in_folder, kind, words) -> None:
    (in_folder / "layers.csv").write_text(starter.text(starter.STARTER_LAYERS), encoding="utf-8")
    (in_folder / "log.csv").write_text("time_h,temperature_C\n0,20\n1,45\n2,70.5\n3,95\n", encoding="utf-8")
    name = make(kind, in_folder / ("bad.toml" if "{}.toml" in words else "bad"))
    before = sorted(in_folder.iterdir())
    code, _, errors = command(*(word.format(name.removesuffix(".toml")) for word in words))
    assert (code, errors.count("\n")) == (2, 1), errors
    assert sorted(in_folder.iterdir()) == before


@pytest.mark.parametrize(
    ("made", "words"),
    [
        ("n.nc", ("run", "case.toml", "-o")), ("n.png", ("plot", "starter.nc", "-o")),
        ("n.html", ("report", "starter.nc", "-o")), ("n.toml", ("example", "-o")),
        ("n.nc", ("boundaries", "-o")), ("n.png", ("diagram", "-o")),
    ],
)  # fmt: skip
@pytest.mark.parametrize("before", ["z" * 300, "z/" * 2100, "pipe"])
def test_names_that_no_file_can_have(command, in_folder, stored, made, words, before) -> None:
    shutil.copy(starter.STARTER, "case.toml")
    shutil.copy(stored, "starter.nc")
    os.mkfifo(made)
    name = made if before == "pipe" else before + made
    code, _, errors = command(*words, name, "--overwrite")
    assert (code, errors.count("\n")) == (2, 1), errors
    assert sorted(os.listdir()) == sorted(["case.toml", "starter.nc", made])


def test_a_stream_is_not_replaced_by_a_result(command, in_folder) -> None:
    """Its name leads to the file that the output goes to, which would be lost."""
    with open("log.txt", "w") as stream:
        for name in (f"/dev/fd/{stream.fileno()}", f"/proc/self/fd/{stream.fileno()}", "/dev/stdout", "/dev/null"):
            code, _, errors = command("run", starter.STARTER, "-o", name, "--overwrite", "-q")
            assert (code, errors.count("\n")) == (2, 1), errors
    assert [(path.name, path.stat().st_size) for path in in_folder.iterdir()] == [("log.txt", 0)]


def test_names_that_are_no_text(command, in_folder, stored) -> None:
    """Names of a system with another code: used where they can be, and shown byte by byte."""
    case = os.fsdecode(b"f\xfcr.toml")
    shutil.copy(starter.STARTER, case)
    code, out, errors = command("run", case, "-o", os.fsdecode(b"f\xfcr.nc"))
    assert (code, errors) == (0, "")
    assert "f\\xfcr.nc" in out
    assert read_netcdf(os.fsdecode(b"f\xfcr.nc"))["time"].size
    os.mkdir(os.fsdecode(b"\xe4"))
    code, _, errors = command("run", case, "-o", os.fsdecode(b"\xe4/f\xfcr.nc"))
    assert code in (0, 2)
    assert errors.count("\n") == (code == 2)
    code, out, errors = command("plot", "nothing\udcff.nc")
    assert (code, out, errors) == (2, "", "bronzeward: nothing\\xff.nc: no such file\n")


def test_a_name_as_long_as_the_system_allows(command, in_folder) -> None:
    name = "n" * 252 + ".nc"
    assert command("run", starter.STARTER, "-o", name, "-q") == (0, "", "")
    assert os.listdir() == [name]


def test_cases_as_windows_writes_them(command, in_folder) -> None:
    text = starter.text().replace("\n", "\r\n")
    (in_folder / "a.toml").write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert command("run", "a.toml", "-q") == (0, "", "")
    (in_folder / "b.toml").write_bytes(text.encode("cp1252", "replace"))
    code, _, errors = command("run", "b.toml", "-q")
    assert code == 2
    assert "not a text in UTF-8" in errors


def test_a_result_or_what_is_printed_is_a_case(command, in_folder, stored) -> None:
    """The inputs stored in a result give it again, by the result itself or saved as JSON."""
    result = read_netcdf(stored)
    (in_folder / "stored.json").write_text(str(result.attributes["inputs"]), encoding="utf-8")
    (in_folder / "printed.json").write_text(command("example", "--json")[1], encoding="utf-8")
    shutil.copy(stored, "starter.nc")
    made_of = {"starter.nc": "starter_again.nc", "stored.json": "stored.nc", "printed.json": "printed.nc"}
    for name, made in made_of.items():
        assert command("run", name, "-q") == (0, "", "")
        assert numbers(read_netcdf(made)) == pytest.approx(numbers(result), rel=0, abs=0, nan_ok=True)


def test_a_case_beside_a_tdb_file_is_no_sidecar(command, in_folder) -> None:
    shutil.copy(TDB, "mine.tdb")
    shutil.copy(starter.STARTER, "mine.toml")
    code, out, errors = command("describe", "mine.tdb")
    assert (code, errors) == (0, "")
    assert "Larkfell" not in out
    for text, word in (('sources = ["a"]\nphase = 3\n', "unknown key 'phase'"), ("phases = 3\n", "must be a table")):
        (in_folder / "mine.toml").write_text(text)
        code, _, errors = command("describe", "mine.tdb")
        assert (code, errors.count("\n")) == (2, 1)
        assert word in errors


CLOSED = {
    "case": ("run", "closed/case.toml"),
    "case itself": ("run", "secret.toml"),
    "output": ("run", "case.toml", "-o", "closed/a.nc"),
    "read only": ("sweep", "case.toml", "--vary", "strand.core_diameter_um=20,24", "-o", "shut/a.nc"),
    "example": ("example", "-o", "closed/a.toml"),
    "compare": ("compare", "closed/a.nc", "starter.nc"),
    "validate": ("validate", "-o", "closed/a.html"),
    "description": ("invariants", "-d", "closed/a.tdb"),
}


@pytest.mark.parametrize("words", CLOSED.values(), ids=CLOSED)
def test_what_is_closed_to_a_user(tmp_path, stored, words) -> None:
    prepare_closed(tmp_path, stored)
    code, out, errors = run_with_little_rights(list(words), tmp_path)
    assert (code, out, errors.count("\n")) == (2, "", 1), errors
    assert sorted(os.listdir(tmp_path)) == ["case.toml", "closed", "secret.toml", "shut", "starter.nc"]
    open_again(tmp_path)


@pytest.mark.parametrize("cache", ["closed/cache", "shut", "d/" * 2100])
def test_a_cache_that_is_closed_is_done_without(tmp_path, stored, cache) -> None:
    prepare_closed(tmp_path, stored)
    shutil.copy(TDB, tmp_path / "mine.tdb")
    words = ["phases", "400", "--at", "20", "-d", "mine.tdb", "--json"]
    home = str(tmp_path / "closed")
    found = run_with_little_rights(words, tmp_path, BRONZEWARD_CACHE=str(tmp_path / cache), HOME=home)
    assert (found[0], found[2]) == (0, "")
    open_again(tmp_path)


def prepare_closed(folder: Path, stored: Path) -> None:
    for name in ("closed", "shut"):
        (folder / name).mkdir()
    for name in ("case.toml", "secret.toml", "closed/case.toml"):
        shutil.copy(starter.STARTER, folder / name)
    shutil.copy(stored, folder / "starter.nc")
    (folder / "secret.toml").chmod(0)
    (folder / "closed").chmod(0)
    (folder / "shut").chmod(0o555)


def open_again(folder: Path) -> None:
    for name in ("closed", "shut"):
        (folder / name).chmod(0o755)
