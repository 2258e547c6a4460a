"""Letters that command a terminal, turn a line round or are not seen: written out, wherever names come from."""

from __future__ import annotations

import json
import re
import warnings
import xml.dom.minidom
from base64 import b64decode
from pathlib import Path

import pytest

from bronzeward.inputs import starter
from bronzeward.materials import literature
from bronzeward.visible_text import has_unseen, json_visible, one_line, visible, visible_line

EVIL = "Lark\x1b[31m\x1b]0;owned\x07fell\u202egnp.\u2066 $\\frac{ $x_$ \x9b2J\x7f<b>&\"' 鋼\u200b"
"""Colours, the title of the window, one more code of C1, deletion, turned text, broken mathematics, markup."""


def escaped(text: str) -> str:
    """As a TOML string has it."""
    return json.dumps(text).replace("\x7f", "\\u007f")


@pytest.fixture
def folder(in_folder: Path) -> Path:
    text = re.sub(r'(?m)^title = ".*"', lambda _: f"title = {escaped(EVIL + chr(10) + 'second')}", starter.text())
    (in_folder / "case.toml").write_text(text, encoding="utf-8")
    log = f"time_h,zone {EVIL}_C,other_C\n0,20,20\n1,45,45\n2,70.5,70.5\n3,95,95\n"
    (in_folder / "log.csv").write_text(log, encoding="utf-8")
    layers = starter.text(starter.STARTER_LAYERS).replace("W1", EVIL.replace('"', ""))
    (in_folder / "layers.csv").write_text(layers, encoding="utf-8")
    tdb = (literature.folder() / "descriptions" / "cu-sn-shim1996.tdb").read_text(encoding="utf-8")
    (in_folder / "evil.tdb").write_text(tdb.replace("ETA", "ET\x1b[31mA"), encoding="utf-8")
    (in_folder / "plain.tdb").write_text(tdb, encoding="utf-8")
    (in_folder / "plain.toml").write_text(f"sources = [{escaped(EVIL)}]\nnote = {escaped(EVIL)}\n", encoding="utf-8")
    kinetic = f'name = {escaped(EVIL)}\ntitle = {escaped(EVIL)}\ninherits = "default"\n'
    (in_folder / "kin.toml").write_text(kinetic, encoding="utf-8")
    (in_folder / f"na{EVIL.replace('/', '')}\nme.toml").write_text(text, encoding="utf-8")
    return in_folder


COMMANDS = {
    "run": ("run", "case.toml"),
    "run json": ("run", "case.toml", "--json", "-o", "b.nc"),
    "named": ("run", f"na{EVIL}\nme.toml"),
    "missing": ("run", f"none{EVIL}.toml"),
    "log": ("log", "log.csv"),
    "log json": ("log", "log.csv", "--json", "--channel", "1"),
    "channel": ("log", "log.csv", "--channel", EVIL),
    "fit": ("fit", "layers.csv", "--case", "case.toml"),
    "fit from": ("fit", "layers.csv", "--case", "case.toml", "--base", "kin.toml", "-o", "b.toml"),
    "describe": ("describe", "evil.tdb"),
    "describe with words": ("describe", "plain.tdb"),
    "sweep": ("sweep", "case.toml", "--vary", f"strand.{EVIL}=1,2"),
    "answer": ("band", "case.toml", "--answer", EVIL),
    "option": ("run", f"--{EVIL}"),
    "command": (EVIL,),
    "constants": ("compare", "case.toml", "--keep", "shell_at_first_liquid>=3@60", "--members", "2", "--constants",
                  "kin.toml"),
}  # fmt: skip


@pytest.mark.parametrize("words", COMMANDS.values(), ids=COMMANDS)
def test_nothing_unseen_reaches_the_terminal(command, folder, words) -> None:
    code, out, errors = command(*words)
    assert code in (0, 2)
    assert not has_unseen(out)
    assert not has_unseen(errors)
    assert errors.count("\n") == (code == 2)
    if "--json" in words:
        json.loads(out)


def test_nothing_unseen_reaches_pages_and_pictures(command, folder) -> None:
    assert command("run", "case.toml", "-q") == (0, "", "")
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # as of letters that the font lacks
        for words in (
            ("report", "case.nc"), ("plot", "case.nc", "-o", "a.svg"), ("section", "case.nc", "-o", "b.svg"),
            ("plot", "case.nc", "-o", "a.pdf"), ("compare", "case.nc", "case.nc", "-o", "c.svg"),
        ):  # fmt: skip
            code, out, errors = command(*words)
            assert (code, errors, has_unseen(out)) == (0, "", False)
    assert "second\n" not in command("compare", "case.nc", "case.nc")[1]
    page = (folder / "case.html").read_text(encoding="utf-8")
    assert not has_unseen(page)
    assert "<b>" not in page
    assert visible(EVIL)[:12] in page
    pictures = [b64decode(text) for text in re.findall(r"svg\+xml;base64,([^\"]+)", page)]
    assert len(pictures) > 2
    for picture in (*pictures, *((folder / name).read_bytes() for name in ("a.svg", "b.svg", "c.svg"))):
        xml.dom.minidom.parseString(picture)


def test_what_is_written_out() -> None:
    assert visible("a\tb\nc µm η – …") == "a\tb\nc µm η – …"
    assert visible_line("a\tb\nc\r\x1b\u202e") == "a\\tb\\nc\\r\\x1b\\u202e"
    assert one_line(" a\n b\x00 ") == "a b\\x00"
    assert json.loads(json_visible(json.dumps([EVIL], ensure_ascii=False))) == [EVIL]
