"""Who is let in: nobody without the secret, no other host's name, no other origin's socket, nobody from outside."""

from __future__ import annotations

import re
import shutil
import socket
import sys
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.case import load_case
from bronzeward.inputs.starter import STARTER
from bronzeward.live.draft import Draft
from bronzeward.live.saving import save
from bronzeward.model.simulation import run_case


def status(address: str, **headers: str) -> int:
    try:
        with urlopen(Request(address, headers=headers), timeout=30) as answer:
            return answer.status
    except HTTPError as error:
        with error:
            return error.code


def test_the_secret_is_asked_for(address):
    bare = address.split("?")[0]
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+/\?token=[\w-]{32}", address)
    assert status(address) == 200
    script = f"{bare}autoload.js?bokeh-autoload-element=a"
    for wrong in (bare, f"{bare}?token=", f"{bare}?token=wrong", f"{address}x", script):
        assert status(wrong) == 403, wrong


def test_a_name_that_was_made_to_point_here_is_refused(address):
    port = address.split(":")[2].split("/")[0]
    for host in ("example.org", f"example.org:{port}", f"localhost.example.org:{port}"):
        assert status(address, Host=host) == 403


def test_it_listens_on_the_loopback_address_only(address):
    port = int(address.split(":")[2].split("/")[0])
    with socket.socket() as other:  # the same port is free on another address of the loopback network
        other.bind(("127.0.0.2", port))


@pytest.mark.parametrize(("origin", "query", "let_in"), [
    ("http://{host}", True, True), ("http://example.org", True, False), ("http://localhost", True, False),
    ("http://{host}", False, False),
])  # fmt: skip
def test_a_socket_needs_the_secret_the_origin_and_a_signed_session(address, origin, query, let_in):
    host = address.split("/")[2]
    with urlopen(address, timeout=30) as answer:
        page = answer.read().decode()
    token = re.search(r'"token":"([^"]+)"', page)[1]

    def first_byte(session: str) -> int | None:
        """The first byte of the first frame; None where the socket is refused."""
        wanted = f"/ws{'?' + address.split('?')[1] if query else ''}"
        head = [
            f"GET {wanted} HTTP/1.1", f"Host: {host}", f"Origin: {origin.format(host=host)}", "Upgrade: websocket",
            "Connection: Upgrade", "Sec-WebSocket-Version: 13", "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==",
            f"Sec-WebSocket-Protocol: bokeh, {session}", "", "",
        ]  # fmt: skip
        name, port = host.split(":")
        with socket.create_connection((name, int(port)), timeout=30) as other, other.makefile("rb") as said:
            other.sendall("\r\n".join(head).encode())
            code = int(said.readline().split()[1])
            while said.readline().strip():
                pass
            assert code in (101, 403)
            return said.read(1)[0] if code == 101 else None

    text, closing = 0x81, 0x88
    assert first_byte(token) == (text if let_in else None)
    assert first_byte(f"{token}x") == (closing if let_in else None)


def test_bad_options_are_told_in_one_line(command, tmp_path):
    case = tmp_path / "case.toml"
    case.write_bytes(STARTER.read_bytes())
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        for more, word in (
            (["--port", 70000], "port"), (["--members", 3], "members"), (["--keep", "shell>3"], "limit"),
            (["--port", port], "cannot be used"),
        ):  # fmt: skip
            code, _, err = command("live", case, "--no-browser", *more)
            assert (code, word in err, err.count("\n")) == (2, True, 1), err


def test_without_bokeh_it_is_told_what_to_install(command, tmp_path, monkeypatch):
    for name in list(sys.modules):
        if name.split(".")[0] in ("bokeh", "tornado") or name.startswith("bronzeward.live"):
            monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "bokeh", None)  # as Python has what cannot be imported
    told = "bronzeward: live: needs Bokeh; install it with: pip install 'bronzeward[live]'\n"
    assert command("live", STARTER, "--no-browser") == (2, "", told)


@pytest.mark.parametrize("kind", ["case", "furnace table", "report"])
def test_a_folder_that_went_away_is_told_when_saving(kind, tmp_path):
    """A page computes from what it read at first; only saving needs the folder of the case again."""
    folder = tmp_path / "case"
    folder.mkdir()
    shutil.copy(STARTER, folder / "case.toml")
    case = load_case(folder / "case.toml")
    shutil.rmtree(folder)
    draft = Draft(case.to_data(), ())
    with pytest.raises(InputError, match="does not exist"):
        save(kind, draft, run_case(draft.case()), folder, "kept", replace=False)
    assert not folder.exists()


def test_a_case_that_is_not_there_is_told_before_anything_is_served(command, tmp_path):
    code, out, err = command("live", tmp_path / "gone.toml", "--no-browser")
    assert (code, out, err.count("\n"), "no such file" in err) == (2, "", 1, True)
