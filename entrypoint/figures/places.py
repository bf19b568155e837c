"""What is taken on a panel, and what a text or a leader would cover there; display pixels."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Box", "Places", "nearest_in", "outside", "spread_apart"]

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]  # left, bottom, right, top
_MOST_STEPS = 400
_CROSSED_PT2 = 60.0  # what a twenty-fourth of a leader over a text counts as, square points


class Places:
    """Boxes that labels keep off, of one panel."""

    def __init__(self) -> None:
        self._taken: list[Box] = []
        self._texts: list[Box] = []

    def take(self, box: Box, *, text: bool = True) -> None:
        """Nothing shall cover this; no leader shall run over it where it is a text."""
        self._taken.append(box)
        if text:
            self._texts.append(box)

    def take_line(self, shown: FloatArray, *, pad: float, step: float) -> None:
        """Labels keep off a line, (k, 2)."""
        for k in range(len(shown)):
            a, b = shown[k], shown[min(k + 1, len(shown) - 1)]
            count = max(1, min(_MOST_STEPS, int(np.linalg.norm(b - a) / step)))
            for t in np.arange(count) / count:
                x, y = a + t * (b - a)
                self._taken.append((x - pad, y - pad, x + pad, y + pad))

    def covered(self, box: Box) -> float:
        """Area of what a box would cover."""
        if not self._taken:
            return 0.0
        t = np.array(self._taken)
        wide = np.minimum(t[:, 2], box[2]) - np.maximum(t[:, 0], box[0])
        high = np.minimum(t[:, 3], box[3]) - np.maximum(t[:, 1], box[1])
        return float((np.clip(wide, 0.0, None) * np.clip(high, 0.0, None)).sum())

    def crossed(self, box: Box, spot: FloatArray, px_per_pt: float) -> float:
        """A cost for a leader from a text to a spot that runs over other texts."""
        if not self._texts:
            return 0.0
        start = np.array(nearest_in(box, spot))
        points = start + np.linspace(0.0, 1.0, 24)[:, None] * (spot - start)
        t = np.array(self._texts)
        over = (
            (points[:, None, 0] > t[:, 0]) & (points[:, None, 0] < t[:, 2])
            & (points[:, None, 1] > t[:, 1]) & (points[:, None, 1] < t[:, 3])
        )  # fmt: skip
        return _CROSSED_PT2 * px_per_pt**2 * float(over.sum())


def outside(box: Box, frame: Any) -> float:
    """Area of a box outside a frame."""
    whole = (box[2] - box[0]) * (box[3] - box[1])
    wide = min(box[2], frame.x1) - max(box[0], frame.x0)
    high = min(box[3], frame.y1) - max(box[1], frame.y0)
    return float(whole - max(wide, 0.0) * max(high, 0.0))


def nearest_in(box: Box, spot: FloatArray) -> tuple[float, float]:
    """The point of a box that lies nearest to a spot."""
    return (
        float(np.clip(spot[0], box[0], box[2])),
        float(np.clip(spot[1], box[1], box[3])),
    )


def spread_apart(
    wanted: list[float], heights: list[float], span: tuple[float, float]
) -> list[float]:
    """Places as near as may be to the wanted ones, in their order, each with its own room."""
    low, high = min(span), max(span)
    at = list(wanted)
    for _ in range(200):
        moved = False
        for i in range(len(at) - 1):
            least = 0.5 * (heights[i] + heights[i + 1])
            gap = at[i + 1] - at[i]
            if gap < least - 1e-6:
                push = 0.5 * (least - gap)
                at[i] -= push
                at[i + 1] += push
                moved = True
        for i, height in enumerate(heights):
            kept = min(max(at[i], low + height / 2), high - height / 2)
            moved = moved or abs(kept - at[i]) > 1e-6
            at[i] = kept
        if not moved:
            break
    return at

