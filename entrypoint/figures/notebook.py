"""What a notebook shows: pictures, charts, tables, sources, and a head that turns.

Each thing says by itself how it is shown (``_repr_png_``, ``_repr_html_``), so that nothing of
Jupyter is imported here, and all of it can be printed as well.
"""

from __future__ import annotations

import dataclasses
import html
import os
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MissingExtra
from entrypoint.figures.head import (
    head_bodies,
    head_scene,
    head_view,
    head_with_tapes,
    tapes_on_skin,
)
from entrypoint.figures.readme import small_png
from entrypoint.figures.style import BANNER_INK, BANNER_PAPER, LIGHT, Style
from entrypoint.figures.tape import tape_picture
from entrypoint.planning.model import CAVEAT, Plan, Side
from entrypoint.reference import Mark, row
from entrypoint.report.wording import PRACTICE_BANNER, SIDE_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from entrypoint.figures.view import View
    from entrypoint.volume.volume import Volume

__all__ = ["Shown", "Table", "chart", "head_in_3d", "shown", "sources", "turns_here"]

# Where libraries that draw into a cell of a notebook make themselves known to pyvista.
_WIDGETS = "pyvista.jupyter_backends"
_BACKEND, _STILL = "PYVISTA_JUPYTER_BACKEND", ("static", "none")
_DPI = 80
_LETTER_MM, _THICK_MM = 9.0, 0.6  # of the words that turn with a head
_BESIDE_MM, _ABOVE_MM, _FRONT_MM = 118.0, 118.0, 110.0  # where they stand, from the middle
_FURTHER = 1.45  # the first look takes in more than the still picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A picture in a notebook's cell, and what it shows in words for who cannot see it."""

    png: bytes
    alt: str

    def _repr_png_(self) -> tuple[bytes, dict[str, Any]]:
        return self.png, {"alt": self.alt}

    def __repr__(self) -> str:
        """In words."""
        return f"picture: {self.alt}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under headings: HTML in a notebook, plain columns where it is printed."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    @classmethod
    def of(cls, headings: Sequence[str], rows: Iterable[Sequence[object]]) -> Table:
        """A table of anything that has words."""
        made = tuple(tuple(str(cell) for cell in cells) for cells in rows)
        return cls(headings=tuple(headings), rows=made)

    def _repr_html_(self) -> str:
        def line(cells: Sequence[str], tag: str) -> str:
            inside = "".join(
                f'<{tag} style="text-align:left">{html.escape(cell)}</{tag}>' for cell in cells
            )
            return f"<tr>{inside}</tr>"

        body = "".join(line(cells, "td") for cells in self.rows)
        return f"<table><thead>{line(self.headings, 'th')}</thead><tbody>{body}</tbody></table>"

    def __repr__(self) -> str:
        """Columns of plain text."""
        every = (self.headings, *self.rows)
        widths = [max(len(cells[i]) for cells in every) for i in range(len(self.headings))]
        return "\n".join(
            "  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True)).rstrip()
            for cells in every
        )


def shown(figure: Figure, alt: str, *, dpi: int = _DPI, palette: bool = True) -> Shown:
    """A figure as a small picture, the same bytes each time with the same libraries.

    Parameters
    ----------
    figure : matplotlib Figure
    alt : str
        What it shows, in words.
    dpi : int
        Dots an inch.
    palette : bool
        Greys and the figures' own colours alone, a third of the size; not for a smooth shading.
    """
    return Shown(png=small_png(figure, dpi=dpi, palette=palette), alt=alt)


def chart(
    across: str, up: str, *, size_in: tuple[float, float] = (7.2, 4.2), practice: bool = True
) -> tuple[Figure, Axes]:
    """Empty axes for a chart of one's own, with what everything made of a head must say.

    Parameters
    ----------
    across, up : str
        What the axes show, with the unit.
    size_in : (float, float)
        Width and height.
    practice : bool
        Whether invented heads are in it.
    """
    import textwrap

    from matplotlib.figure import Figure

    width, height = size_in
    figure = Figure(figsize=size_in, facecolor=LIGHT.paper)
    axes = figure.add_axes((0.85 / width, 1.05 / height, 1 - 1.05 / width, 1 - 1.5 / height))
    axes.set_xlabel(across)
    axes.set_ylabel(up)
    for edge in ("top", "right"):
        axes.spines[edge].set_visible(False)
    if practice:
        paper = {"facecolor": BANNER_PAPER, "edgecolor": "none"}
        figure.text(0.5, 1 - 0.08 / height, PRACTICE_BANNER, ha="center", va="top",
                    weight="bold", color=BANNER_INK, bbox=paper)  # fmt: skip
    words = "\n".join(textwrap.wrap(CAVEAT, round(17.5 * width)))
    figure.text(0.12 / width, 0.06 / height, words, fontsize=6.5, color=LIGHT.quiet, va="bottom")
    return figure, axes


def sources(*keys: str) -> Table:
    """The reference rows of these names: value, spread, and where they come from.

    Raises
    ------
    FieldRefused
        There is no such row.

    Examples
    --------
    >>> print(sources("rule_sensor_depth"))
    row                value  measured               source
    rule_sensor_depth  15 mm  below the inner table  common practice, no source
    """
    lines = []
    for key in keys:
        found = row(key)
        unit = "" if found.unit == "1" else f" {found.unit}"
        spread = "" if found.spread is None else f"± {found.spread:g}{unit} (one SD)"
        alone = found.value == 0.0 and found.spread is not None  # a spread about nothing
        count = "" if found.n is None else f"n {found.n}"
        measured = "; ".join(x for x in (found.how_measured, found.population, count) if x)
        told = spread if alone else f"{found.value:g}{unit} {spread}".rstrip()
        judged = found.mark is Mark.JUDGEMENT  # what it was judged for stands beside it already
        lines.append((key, told, measured, "judgement, no source" if judged else found.cited()))
    return Table.of(("row", "value", "measured", "source"), lines)


def turns_here() -> bool:
    """Whether a head that turns can be shown: a notebook, and a library that draws into one.

    ``PYVISTA_JUPYTER_BACKEND=static`` (or ``none``), pyvista's own setting, keeps it still.
    """
    jupyter = sys.modules.get("IPython")
    shell = None if jupyter is None else jupyter.get_ipython()
    if shell is None or not hasattr(shell, "kernel"):
        return False
    if os.environ.get(_BACKEND, "").lower() in _STILL:
        return False
    return bool(entry_points(group=_WIDGETS))


def head_in_3d(plan: Plan, volume: Volume, side: Side) -> Any:
    """The head with both tapes: to turn where that can be shown, otherwise a picture.

    What turns it (``pyvista[jupyter]``) is heavy and no dependency of this package: where it is
    not installed nothing is lost but the turning.

    Parameters
    ----------
    plan : Plan
        From the same CT.
    volume : Volume
    side : Side
        The patient's.

    Returns
    -------
    a viewer, or Shown
        The picture is of the head in three dimensions, or of the two tapes flat where the machine
        has no library that draws in three dimensions.

    Raises
    ------
    MeasurementError
        When the plan holds no path on that side, or no nasion.
    """
    words = f"the head in three dimensions with both tapes, {SIDE_WORDS[side]}"
    try:
        # Drawn in a process of its own, so that it also tells whether this machine can draw:
        # without a library VTK would end the notebook's kernel.
        still = shown(head_with_tapes(plan, volume, side), words, palette=False)
    except MissingExtra:
        flat = dataclasses.replace(plan, sides={side: plan.sides[side]})
        return shown(tape_picture(flat), f"the two tapes, {SIDE_WORDS[side]}")
    return _viewer(plan, volume, side) if turns_here() else still


def _viewer(plan: Plan, volume: Volume, side: Side) -> Any:
    import pyvista

    from entrypoint.figures.offscreen import fill

    style, view = Style(), head_view(plan, side)
    midline, lateral = tapes_on_skin(plan, volume, side)
    bodies = head_bodies(plan, volume)
    scene = head_scene(plan, bodies, side, view, style, midline, lateral)
    plotter = pyvista.Plotter(notebook=True, window_size=[760, 760])
    fill(plotter, scene)
    plotter.camera.parallel_scale *= _FURTHER
    for text, at in _words(plan, view):
        # Bodies, not labels: they turn with the head, so that a side is never lost.
        plotter.add_mesh(_letters(pyvista, text, at, view), color=style.palette.ink)
    return plotter.show(return_viewer=True)  # by pyvista's own choice and setting


def _words(plan: Plan, view: View) -> list[tuple[str, NDArray[np.float64]]]:
    plane = plan.midsagittal_plane
    assert plane is not None
    beside = np.sign(plane.unit_normal @ view.unit_page_right) * _BESIDE_MM * view.unit_page_right
    # In front of the head as it is first seen, so that nothing stands before the words.
    above = view.origin_mm + _ABOVE_MM * view.unit_page_up + _FRONT_MM * view.unit_to_viewer
    down = -1.6 * _LETTER_MM * view.unit_page_up
    lines = (*((PRACTICE_BANNER,) if plan.practice else ()), "for planning and teaching only")
    middle = view.origin_mm + _FRONT_MM * view.unit_to_viewer
    return [
        (SIDE_WORDS[Side.RIGHT].replace(" ", "\n"), middle + beside),
        (SIDE_WORDS[Side.LEFT].replace(" ", "\n"), middle - beside),
        *((words, above + k * down) for k, words in enumerate(lines)),
    ]


def _letters(pyvista: Any, text: str, at: NDArray[np.float64], view: View) -> Any:
    """Letters that face the first view, their middle at a point."""
    turn = np.eye(4)
    turn[:3, :3] = np.stack([view.unit_page_right, view.unit_page_up, view.unit_to_viewer], axis=1)
    turn[:3, 3] = at
    height_mm = _LETTER_MM * (1.0 + 1.25 * text.count("\n"))
    body = pyvista.Text3D(text, depth=_THICK_MM, height=height_mm, center=(0.0, 0.0, 0.0))
    return body.transform(turn, inplace=False)
