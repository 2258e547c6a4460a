"""Streams that are full, closed, narrow or of another code: said another way, never a traceback."""

from __future__ import annotations

import fcntl
import io
import json
import os
import pty
import signal
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from bronzeward.inputs import starter

COMMANDS = (["--help"], ["run", "--help"], ["example"], ["invariants"], ["run", "case.toml", "--overwrite"])


@pytest.fixture
def case(in_folder: Path) -> Path:
    text = starter.text().replace("Larkfell sub", "Larkfell 鋼 sub")
    (in_folder / "case.toml").write_text(text, encoding="utf-8")
    return in_folder


def with_stream(command, monkeypatch, words, raw, encoding) -> tuple[int, str]:
    """Exit code and errors of a command whose output goes to a binary stream."""
    with monkeypatch.context() as patch:
        patch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding=encoding, write_through=False))
        code, _, errors = command(*words)
        sys.stdout.detach()
    return code, errors


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
@pytest.mark.parametrize("encoding", ["cp1252", "latin-1", "cp437", "ascii"])
def test_letters_that_a_terminal_lacks_are_written_out(command, monkeypatch, case, words, encoding) -> None:
    raw = io.BytesIO()
    assert with_stream(command, monkeypatch, words, raw, encoding) == (0, "")
    text = raw.getvalue().decode("utf-8" if encoding == "ascii" and "--help" in words else encoding)
    assert "?" not in text.replace("? ", "")
    if words[0] == "run" and "--help" not in words:
        assert "The schedule stays below the temperature where" in text
        assert ("eta melts" if encoding != "cp437" else "melts") in text


def test_json_keeps_every_letter(command, monkeypatch, case) -> None:
    raw = io.BytesIO()
    assert with_stream(command, monkeypatch, ["example", "--json"], raw, "latin-1") == (0, "")
    assert json.loads(raw.getvalue().decode("latin-1"))["case"]["title"].startswith("Larkfell")
    raw = io.BytesIO()
    assert with_stream(command, monkeypatch, ["describe", "--json"], raw, "ascii") == (0, "")
    assert "schema" in json.loads(raw.getvalue().decode("ascii"))


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_output_that_is_full(words, case) -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run([sys.executable, "-m", "bronzeward", *words], stdout=full, stderr=subprocess.PIPE)
    said = done.stderr.decode()
    assert (done.returncode, said.count("\n")) == (2, 1), said
    assert "the output cannot be written" in said


@pytest.mark.parametrize("words", [["run", "--help"], ["run", "case.toml", "-o", "a.nc"]], ids=" ".join)
@pytest.mark.parametrize("closed", [(1,), (0, 1, 2)])
def test_output_that_is_closed(words, closed, case) -> None:
    """What is opened next takes the number of a stream that is closed: no file may get what is printed."""
    done = subprocess.run(
        [sys.executable, "-m", "bronzeward", *words], preexec_fn=lambda: [os.close(n) for n in closed],
        capture_output=True,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")
    if words[0] == "run" and "--help" not in words:
        assert (case / "a.nc").read_bytes()[:4] == b"\x89HDF"


def on_a_terminal(words: list[str], columns: int) -> list[str]:
    """Lines of a command on a terminal so wide."""
    mine, its = pty.openpty()
    fcntl.ioctl(its, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    environment = {key: value for key, value in os.environ.items() if key != "COLUMNS"}
    with subprocess.Popen([sys.executable, "-m", "bronzeward", *words], stdout=its, env=environment) as process:
        os.close(its)
        text = b""
        try:
            while part := os.read(mine, 4096):
                text += part
        except OSError:  # the other end is closed
            pass
    os.close(mine)
    assert process.returncode == 0
    return text.decode().replace("\r", "").splitlines()


def test_sentences_end_where_the_terminal_does(case) -> None:
    told = on_a_terminal(["run", "case.toml", "--overwrite"], 80)
    assert max(map(len, told)) <= 80
    whole = " ".join(" ".join(told).split())
    assert "so much is missing inside the shell if all voids lie outside it. Liquid peaks at" in whole
    narrow = on_a_terminal(["run", "case.toml", "--overwrite"], 50)
    assert max(map(len, narrow)) <= 50
    assert " ".join(" ".join(narrow).split()) == whole


BAD_WORDS = (["run"], ["run", "--colour"], ["fly"], ["sweep", "case.toml", "--vary", "a=1", "--workers", "x"])


@pytest.mark.parametrize("words", BAD_WORDS, ids=" ".join)
def test_words_that_are_not_understood_get_one_line(command, case, words) -> None:
    code, out, errors = command(*words)
    assert (code, out, errors.count("\n")) == (2, "", 1)
    assert errors.startswith("bronzeward: ")
    assert "--help" in errors


LOST = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
import bronzeward.inputs.case as case
read = case.load_case

class Cleared:
    def __del__(self):
        signal.raise_signal(signal.NAME)
        for _ in range(1000): pass

def load_case(path):
    Cleared()
    import time
    time.sleep(300)  # until it comes again
    return read(path)

case.load_case = load_case
from bronzeward.cli import main
main()
"""


@pytest.mark.parametrize(("name", "code", "said"), [("SIGINT", 130, "bronzeward: interrupted\n"), ("SIGTERM", 143, "")])
def test_a_signal_where_nothing_can_be_raised_comes_again(case, name: str, code: int, said: str) -> None:
    """In a finaliser Python only reports what a signal raises and goes on as if there had been none."""
    lost = LOST.replace("signal.NAME", f"signal.{name}")
    done = subprocess.run([sys.executable, "-c", lost, "run", "case.toml"], capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (code, "", said)
    assert not (case / "case.nc").exists()


@pytest.mark.parametrize("given", [{}, {"COMP_WORDS": "bronzeward"}])
def test_a_completion_without_what_the_shell_gives(given: dict[str, str]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv[0] = 'bronzeward'; from bronzeward.cli import main; main()"],
        capture_output=True, text=True, env={**os.environ, "_BRONZEWARD_COMPLETE": "complete_bash", **given},
    )  # fmt: skip
    missing = "COMP_CWORD" if given else "COMP_WORDS"
    said = f"bronzeward: completion: {missing} is not set; a shell sets it when it asks\n"
    assert (done.returncode, done.stdout, done.stderr) == (2, "", said)


ENDED = """
import os, signal, sys
import bronzeward.files as files
from bronzeward.cli import main
sys.addaudithook(lambda event, _: os.kill(os.getpid(), signal.SIGTERM) if event == "os.rename" else None)
main()
"""


def test_a_job_that_is_ended_leaves_nothing(case) -> None:
    """As a queue ends a job whose time is up, here while a file is written that has not got its name."""
    # -B: no compiled module is renamed before
    done = subprocess.run([sys.executable, "-B", "-c", ENDED, "run", "case.toml"], capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (128 + signal.SIGTERM, "", "")
    assert [path.name for path in case.iterdir()] == ["case.toml"]


@pytest.mark.parametrize("value", ["junk", "-1", "1e400", "9" * 20, "253402300800", "1.5"])
def test_a_clock_that_is_set_to_no_time(command, in_folder, monkeypatch, value) -> None:
    """Libraries would end in a traceback, some as they are imported."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", value)
    code, out, errors = command("diagram", "-o", "a.pdf")
    assert (code, out, errors.count("\n")) == (2, "", 1)
    assert errors.startswith(f"bronzeward: SOURCE_DATE_EPOCH is '{value}'; ")


@pytest.mark.parametrize("value", ["", " ", "0", "253402300799"])
def test_a_clock_that_is_set(command, in_folder, monkeypatch, value) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", value)
    for name in ("a.pdf", "a.svg"):
        assert command("diagram", "-o", name)[0::2] == (0, "")
