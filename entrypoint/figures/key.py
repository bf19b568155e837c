"""The key beside a picture: each kind of line or mark by name, and what an area leaves out."""

from __future__ import annotations

from textwrap import fill
from typing import Any

from entrypoint.figures.page import SMALL_PT, TEXT_PT, Page
from entrypoint.figures.style import KINDS, MARKS
from entrypoint.planning.site_map_model import NOT_IN_IT

__all__ = ["not_in_it", "rows"]

_ROW_IN, _LINE_IN, _SAMPLE_IN = 0.36, 0.19, 0.5


def rows(
    page: Page, names: list[tuple[str, str]], *, left_in: float, top_in: float,
    shapes: dict[str, dict[str, Any]] | None = None, row_in: float = _ROW_IN,
) -> float:  # fmt: skip
    """Write the key.

    Parameters
    ----------
    page : Page
    names : list of (kind of line, of mark or shape, its name)
        ``hatch`` is a hatched field.
    left_in, top_in : float
        Inches from the page's lower left corner.
    row_in : float
        From one name to the next.
    shapes : dict, optional
        Marks that are no kinds of their own: what ``Line2D`` takes.

    Returns
    -------
    float
        Where the key ends, inches from below.
    """
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    w, h = page.size_in
    y = top_in
    for kind, name in names:
        lines = name.count("\n") + 1
        middle = y - 0.075
        x0, x1 = left_in / w, (left_in + _SAMPLE_IN) / w
        common: dict[str, Any] = {"transform": page.figure.transFigure, "gid": f"key-{kind}"}
        if kind == "hatch":
            page.figure.add_artist(Rectangle(
                (x0, (middle - 0.08) / h), x1 - x0, 0.16 / h, fill=False, hatch="////", lw=0.0,
                edgecolor=page.palette.quiet, **common))  # fmt: skip
        elif kind in KINDS:
            look = KINDS[kind]
            page.figure.add_artist(Line2D(
                [x0, x1], [middle / h] * 2, color=getattr(page.palette, look.colour),
                lw=page.pt(look.width_pt), ls=look.dash, **common))  # fmt: skip
        else:
            shape = (shapes or {}).get(kind)
            if shape is None:
                mark = MARKS[kind]
                shape = {"marker": mark.marker, "ms": page.pt(mark.size_pt),
                         "mfc": getattr(page.palette, mark.colour), "mec": page.palette.paper,
                         "mew": page.pt(1.1)}  # fmt: skip
            page.figure.add_artist(Line2D(
                [0.5 * (x0 + x1)], [middle / h], ls="none", **shape, **common))  # fmt: skip
        page.write(left_in + _SAMPLE_IN + 0.14, y, name, va="top", gid="key-name")
        y -= row_in + _LINE_IN * (lines - 1)
    return y


def not_in_it(
    page: Page, *, left_in: float, top_in: float, width_in: float, small: bool = False
) -> None:
    """What the within-margins area says nothing of."""
    size = SMALL_PT if small else TEXT_PT
    letters = int(width_in * 72.0 / (0.53 * size))
    text = "\n".join(
        fill(f"- {item}", letters, subsequent_indent="  ") for item in NOT_IN_IT
    )
    page.write(left_in, top_in, "Not looked at by the within-margins area:",
               va="top", weight="bold", size=size, gid="not-in-it")  # fmt: skip
    page.write(left_in, top_in - 0.27, text, va="top", size=size, gid="not-in-it")
