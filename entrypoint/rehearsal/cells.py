"""Cells of the tables that leave this program."""

from __future__ import annotations

import math
from typing import Any

__all__ = ["cell"]


def cell(value: Any) -> str:
    """A table's cell; a text that a spreadsheet would run as a formula is quoted."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, float):
        return f"{value:.3f}" if math.isfinite(value) else ""
    text = ";".join(value) if isinstance(value, tuple) else str(value)
    return f"'{text}" if text[:1] in ("=", "+", "-", "@") else text
