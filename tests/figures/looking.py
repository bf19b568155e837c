"""What a figure says and where: its texts, their places, and its pixels."""

from __future__ import annotations

import io
import itertools

import numpy as np
from matplotlib.text import Annotation, Text
from PIL import Image

from entrypoint.figures.save import to_bytes
from entrypoint.figures.style import contrast_ratio
from entrypoint.planning.model import CAVEAT

BANNER = "PRACTICE HEAD, NOT A PATIENT"


def texts(figure):
    found = [t for axes in figure.axes for t in axes.texts] + list(figure.texts)
    return [t for t in found if t.get_text()]


def said(figure):
    return " ".join(" ".join(t.get_text() for t in texts(figure)).split())


def lines(axes, gid):
    return [line for line in axes.lines if line.get_gid() == gid]


def xy(line):
    return np.column_stack([line.get_xdata(), line.get_ydata()])


def _boxes(figure):
    renderer = figure.canvas.get_renderer()
    for text in texts(figure):
        if isinstance(text, Annotation):
            text.update_positions(renderer)
        yield text, Text.get_window_extent(text, renderer)


def assert_tidy(figure, *, least_pt=8.9):
    """No text covers another, none is cut by the page's edge, none is tiny."""
    boxes = list(_boxes(figure))
    page = figure.bbox
    for text, box in boxes:
        assert text.get_fontsize() >= least_pt, text.get_text()
        inside = min(box.x0, box.y0, page.x1 - box.x1, page.y1 - box.y1) >= -0.5
        assert inside, f"cut: {text.get_text()!r}"
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        wide = min(a.x1, b.x1) - max(a.x0, b.x0)
        high = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert min(wide, high) < 2.0, f"{one.get_text()!r} covers {other.get_text()!r}"


def assert_carries_what_it_must(figure, *, practice=True):
    words = said(figure)
    assert " ".join(CAVEAT.split()) in words
    assert "Seen from" in words
    assert (BANNER in words) == practice
    for word in ("safe", "clear", "OK", "\N{CHECK MARK}"):
        assert f" {word} " not in words


def pixels(figure, *, dpi=100):
    """(rows, columns, 3) uint8."""
    return np.asarray(Image.open(io.BytesIO(to_bytes(figure, "png", dpi=dpi))).convert("RGB"))


def blob(picture, colour, near, reach=9):
    """Middle of the pixels of a colour near a place, (x, y) from the lower left corner."""
    wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])
    height = picture.shape[0]
    x, y = near
    rows = slice(max(0, int(height - y) - reach), int(height - y) + reach + 1)
    columns = slice(max(0, int(x) - reach), int(x) + reach + 1)
    part = picture[rows, columns].astype(int)
    at = np.argwhere(np.abs(part - wanted).max(axis=2) < 40)
    assert len(at) > 8, "the colour is not there"
    middle = at.mean(axis=0)
    return np.array([columns.start + middle[1] + 0.5, height - (rows.start + middle[0] + 0.5)])


def assert_mark_at(figure, picture, axes, name_colour, at_data, *, dpi=100):
    """A mark's own colour lies within a pixel of where the record puts it."""
    spot = axes.transData.transform(at_data) * dpi / figure.dpi
    found = blob(picture, name_colour, spot)
    # A mark is set on whole pixels: half a pixel of rounding on either side.
    assert np.abs(found - spot).max() < 1.1, (found, spot)


def text_contrast(text, paper):
    from matplotlib.colors import to_hex

    return contrast_ratio(to_hex(text.get_color()), paper)
