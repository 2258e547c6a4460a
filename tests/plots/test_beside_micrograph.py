"""A section beside a micrograph: one scale, and pictures that cannot be meant are refused."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.image import imsave
from matplotlib.patches import Rectangle

from bronzeward.errors import InputError
from bronzeward.plots.axes import PAGE_WIDTH
from bronzeward.plots.beside_micrograph import draw_beside
from closeness import close
from drawing_cases import result
from drawing_checks import check_texts, check_texts_apart


@pytest.fixture
def photo(tmp_path):
    """640 by 480 pixels, the strand's middle at 300, 250."""
    y, x = np.mgrid[:480, :640]
    path = tmp_path / "quenched at three hundred, north side.png"
    imsave(path, (np.hypot(x - 300, y - 250) < 220).astype(float), cmap="gray")
    return path


def inches_per_um(ax):
    """Across and up."""
    box = ax.get_window_extent()
    dpi = ax.figure.dpi
    return box.width / dpi / np.ptp(ax.get_xlim()), box.height / dpi / np.ptp(ax.get_ylim())


@pytest.mark.parametrize("name", ["sleeve", "plane", "lean"])
@pytest.mark.parametrize(("scale", "centre"), [(0.1, None), (0.1, (300.0, 250.0)), (0.02, None), (0.6, None)])
def test_both_are_drawn_to_one_scale(photo, name, scale, centre):
    figure = draw_beside(result(name), photo, scale, "first liquid", centre)
    check_texts(figure)
    check_texts_apart(figure)
    assert figure.get_figwidth() == PAGE_WIDTH
    section, picture, below = figure.axes
    expected = inches_per_um(picture)[0]
    for ax in (section, picture, below):
        for found in inches_per_um(ax):
            assert found == close(expected, rel=0.01)
    bars = [
        next(p.get_width() for p in ax.patches if isinstance(p, Rectangle) and p.get_height() < 3) for ax in (below,)
    ]
    assert bars[0] in {1.0 * 10**k for k in range(4)} | {2.0 * 10**k for k in range(4)} | {
        5.0 * 10**k for k in range(4)
    }
    left, right = picture.get_xlim()
    if centre is None:
        assert right - left == close(640 * scale)


def test_round_the_centre_only_as_much_is_shown_as_the_section_takes(photo):
    section, picture, _ = draw_beside(result("sleeve"), photo, 0.1, "end", (300.0, 250.0)).axes
    assert np.ptp(picture.get_xlim()) == close(np.ptp(section.get_xlim()), rel=0.01)
    shown = np.asarray(picture.images[0].get_array())
    middle = [size // 2 for size in shown.shape[:2]]
    assert shown[middle[0], middle[1], 0] > 0.9  # inside the strand


@pytest.mark.parametrize(
    ("scale", "centre", "word"),
    [(0.0, None, "above 0"), (float("nan"), None, "above 0"), (50.0, None, "check the scale"),
     (1e-5, None, "check the scale"), (0.1, (640.0, 3.0), "lies outside"), (0.1, (-1.0, 3.0), "lies outside")],
)  # fmt: skip
def test_what_cannot_belong_together_is_refused(photo, scale, centre, word):
    with pytest.raises(InputError, match=word):
        draw_beside(result("sleeve"), photo, scale, "end", centre)


@pytest.mark.parametrize("content", [b"", b"\x89PNG\r\n\x1a\n broken", b"not a picture"])
def test_damaged_pictures_are_refused(tmp_path, content):
    path = tmp_path / "photo.png"
    path.write_bytes(content)
    with pytest.raises(InputError, match="cannot be read as a picture"):
        draw_beside(result("sleeve"), path, 0.1)
    with pytest.raises(InputError, match="no such file"):
        draw_beside(result("sleeve"), tmp_path / "none.png", 0.1)
