"""A strap or a dressing on the skin: less dense than scalp, with an edge on either side.

Half-way between air and scalp, a strap that lies close counts as skin, and a tape would seem to
run over it. What tells it: the reading does not rise to that of scalp until below it, and where it
begins and ends skin steps out and in again. A dressing over the whole section has no edge and is
not told here.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

UNDER_SOFT_HU = 100.0  # of cloth and foam under soft tissue; fat under the skin has skin over it
_BESIDE_DEG = 2.0  # on either side of an edge
# Of a step, in radius and in depth to scalp alike; on phantoms, clean heads have such steps on both
# sides of something as wide only in the face, under the nose.
_LEAST_MM = 0.5
_ALONE = 0.5  # of that step, at most, is shared by the scalp below
# Judgement: what is thicker or narrower is a tube, a strand or a fold, which spikes are for.
_THICKEST_MM = 4.0
_NARROWEST_DEG, _WIDEST_DEG = 4.0, 60.0
_MOSTLY = 0.8  # of the rows of a strap are as loose as its ends


def under_straps(skin_mm: FloatArray, dense_mm: FloatArray, angles_deg: FloatArray) -> FloatArray:
    """Radii of the skin with straps taken off.

    Parameters
    ----------
    skin_mm : (n,) array
        Radii at which a ray leaves skin or what lies on it; NaN where unseen.
    dense_mm : (n,) array
        Radii at which it last reads nearly as scalp does.
    angles_deg : (n,) array
        Evenly spaced.

    Returns
    -------
    (n,) array
    """
    seen = np.isfinite(skin_mm) & np.isfinite(dense_mm)
    step = float(np.median(np.diff(angles_deg)))
    w = max(3, round(_BESIDE_DEG / step))
    if seen.sum() < 4 * w:
        return skin_mm
    rows = np.arange(len(skin_mm))
    skin = np.interp(rows, rows[seen], skin_mm[seen])
    loose = skin - np.interp(rows, rows[seen], dense_mm[seen])
    step_out, step_loose = _steps(skin, w, sloping=True), _steps(loose, w, sloping=False)
    # Scalp itself goes on below.
    alone = np.abs(step_out - step_loose) < _ALONE * np.abs(step_loose)
    begins = alone & (step_out > _LEAST_MM) & (step_loose > _LEAST_MM)
    ends = alone & (step_out < -_LEAST_MM) & (step_loose < -_LEAST_MM)
    out = skin_mm.copy()
    for a, b in _spans(begins, ends, np.diff(skin)):
        if not _NARROWEST_DEG <= (b - a) * step <= _WIDEST_DEG:
            continue
        left = float(np.median(loose[a - w : a]))
        right = float(np.median(loose[b + 1 : b + 1 + w]))
        usual = np.interp(rows[a : b + 1], [a, b], [left, right])
        strap = loose[a : b + 1] - usual
        if np.mean(strap > 0.5 * _LEAST_MM) < _MOSTLY or strap.max() > _THICKEST_MM:
            continue
        bare = skin.copy()
        bare[a : b + 1] -= np.maximum(strap, 0.0)
        # At its very edges a ray sees part of it.
        edge = (np.abs(rows - a) <= 1) | (np.abs(rows - b) <= 1)
        bare = np.interp(rows, rows[~edge], bare[~edge])
        span = slice(a - 1, b + 2)
        out[span] = np.where(np.isfinite(skin_mm[span]), bare[span], np.nan)
    return out


def _steps(values: FloatArray, w: int, *, sloping: bool) -> FloatArray:
    """Step at each row: what follows it against what comes before; 0 near the ends."""
    out = np.zeros(len(values))
    windows = np.lib.stride_tricks.sliding_window_view(values, w)
    middle = np.median(windows, axis=1)  # of rows i to i + w - 1
    n = len(values) - w
    i = np.arange(w, n)
    out[i] = middle[i + 1] - middle[i - w]
    if sloping:
        slope = np.median(np.lib.stride_tricks.sliding_window_view(np.diff(values), 2 * w), axis=1)
        out[i] -= (w + 1) * slope[i - w]
    return out


def _spans(
    begins: NDArray[np.bool_], ends: NDArray[np.bool_], rise: FloatArray
) -> list[tuple[int, int]]:
    """First and last row between a beginning and the end that follows it, each at its steepest."""
    edges = []
    for flags, sign in ((begins, 1), (ends, -1)):
        turns = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
        for lo, hi in turns.reshape(-1, 2):
            at = lo - 1 + int(np.argmax(sign * rise[lo - 1 : hi]))
            edges.append((at + 1 if sign > 0 else at, sign))
    edges.sort()
    return [(a, b) for (a, up), (b, down) in itertools.pairwise(edges) if up > down]
