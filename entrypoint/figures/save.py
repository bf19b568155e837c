"""A figure as PNG, SVG or PDF: the same bytes each time, and text that stays text."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["ENDINGS", "MM_PER_IN", "to_bytes"]

ENDINGS = ("png", "svg", "pdf")
MM_PER_IN = 25.4
_TITLE = "For planning and teaching only"
# The letters' own family may be missing where a file is opened: one of the same width, then any.
_FAMILY, _FAMILIES = "'DejaVu Sans'", "'DejaVu Sans', Verdana, sans-serif"


def to_bytes(figure: Figure, kind: str, *, dpi: float = 200.0) -> bytes:
    """The figure as a file's content.

    Parameters
    ----------
    figure : matplotlib Figure
    kind : str
        ``png``, ``svg`` or ``pdf``.
    dpi : float
        Of a PNG, and of the scan inside a vector file.

    Returns
    -------
    bytes
        With no date and no name inside.
    """
    from matplotlib import rc_context

    kinds: dict[str, dict[str, Any]] = {
        "png": {"Software": None},
        "svg": {"Date": None, "Creator": None, "Title": _TITLE},
        "pdf": {"CreationDate": None, "Creator": None, "Producer": None, "Title": _TITLE},
    }
    settings: dict[Any, Any] = {
        "svg.fonttype": "none", "svg.hashsalt": "entrypoint", "pdf.fonttype": 42
    }  # fmt: skip
    made = io.BytesIO()
    with rc_context(settings):
        figure.savefig(
            made, format=kind, dpi=dpi, metadata=kinds[kind], facecolor=figure.get_facecolor()
        )
    content = made.getvalue()
    if kind == "svg":
        content = content.replace(_FAMILY.encode(), _FAMILIES.encode())
    return content
