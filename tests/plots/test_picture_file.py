"""Figures as files: by suffix, the same every time, whole or not at all."""

from __future__ import annotations

import os

import pytest

from bronzeward.errors import InputError
from bronzeward.plots import picture_file
from bronzeward.plots.panels import plot_liquid, plot_wall
from bronzeward.plots.picture_file import encode, save
from drawing_cases import result


@pytest.mark.parametrize(
    ("suffix", "start"), [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".pdf", b"%PDF"), (".PNG", b"\x89PNG")]
)
def test_save_writes_by_suffix(tmp_path, suffix, start):
    figure = plot_wall(result("cold")).figure
    path = save(figure, tmp_path / f"out{suffix}")
    assert path.read_bytes().startswith(start)
    assert list(tmp_path.iterdir()) == [path]


def test_save_is_the_same_every_time():
    for kind in ("png", "svg", "pdf"):
        one, other = (encode(plot_liquid(result("lean")).figure, kind) for _ in range(2))
        assert one == other


def test_the_date_of_a_build_changes_nothing(monkeypatch):
    """Also where it is none."""
    plain = [encode(plot_wall(result("cold")).figure, kind) for kind in ("svg", "pdf")]
    for epoch in ("nonsense", "1e9", "99999999999999999999", "253402300800", "0", ""):
        monkeypatch.setenv("SOURCE_DATE_EPOCH", epoch)
        assert [encode(plot_wall(result("cold")).figure, kind) for kind in ("svg", "pdf")] == plain
        assert os.environ["SOURCE_DATE_EPOCH"] == epoch


def test_save_refuses_and_leaves_nothing(tmp_path, monkeypatch):
    figure = plot_wall(result("cold")).figure
    kept = tmp_path / "kept.png"
    kept.write_bytes(b"mine")
    for path, word in (
        (tmp_path / "a.gif", ".png, .svg, .pdf"),
        (tmp_path / "none" / "a.png", "folder"),
        (kept, "overwrite"),
        (tmp_path / "a", "none of them"),
    ):
        with pytest.raises(InputError, match=word):
            save(figure, path)
    monkeypatch.setattr(picture_file, "encode", lambda *_: (_ for _ in ()).throw(OSError(28, "no space left")))
    with pytest.raises(InputError, match="no space left"):
        save(figure, kept, overwrite=True)
    assert kept.read_bytes() == b"mine"
    assert [path.name for path in tmp_path.iterdir()] == ["kept.png"]
