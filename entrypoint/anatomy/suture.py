"""The coronal suture on an unrolled vault: a thin dark line that runs across it, or a dense one.

Evidence is how much darker the bone is along a line than beside it, in the outer table, the
inner table and between. The line is the path across the vault with the most evidence (dynamic
programming), among paths that bend as sutures do. Whether it *is* a suture is judged afterwards,
side by side, by how the evidence along it stands out of what the best paths elsewhere reach. A
closed suture gives no dark line; it may have left a dense seam in the diploe, which is the same
line with its sign turned (``dense``). Where neither stands out none is claimed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_MOST = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SuturePath:
    """A path over the map.

    Attributes
    ----------
    column : (q,) int array
        Columns of the map that the path spans.
    row : (q,) array
        Row of the path in each, with fractions.
    contrast : (q,) array
        How much darker the path is than the bone beside it (:func:`line_contrast`), smoothed
        along the path.
    rival : (q,) array
        The same on the best path that stays away from this one.
    """

    column: NDArray[np.intp]
    row: FloatArray
    contrast: FloatArray
    rival: FloatArray


def line_evidence(
    maps: list[FloatArray],
    row_mm: FloatArray,
    column_mm: float,
    *,
    sigma_mm: float = 1.3,
    dense: bool = False,
) -> FloatArray:
    """How much each place looks like a thin dark line, in robust standard deviations.

    Parameters
    ----------
    maps : list of (p, q) arrays
        Densities.
    row_mm : (q,) array
        Length of one row step in each column.
    column_mm : float
        Length of one column step.
    sigma_mm : float
        Scale of the line.
    dense : bool
        Look for a bright line instead.

    Returns
    -------
    (p, q) array, not negative.
    """
    from scipy import ndimage

    step = float(np.median(row_mm))
    sigma = (sigma_mm / step, sigma_mm / column_mm)
    total = np.zeros(maps[0].shape)
    for values in maps:
        v = _log_density(values, dense)
        v = v - np.median(v)  # a cut-off second derivative does not quite sum to zero
        rr = ndimage.gaussian_filter(v, sigma, order=(2, 0)) / step**2
        cc = ndimage.gaussian_filter(v, sigma, order=(0, 2)) / column_mm**2
        rc = ndimage.gaussian_filter(v, sigma, order=(1, 1)) / (step * column_mm)
        bend = 0.5 * (rr + cc) + np.sqrt(0.25 * np.square(rr - cc) + np.square(rc))
        # Lines that run along a column (the sagittal suture) are not what is looked for.
        across = 0.5 * (1 + (rr - cc) / np.maximum(np.hypot(rr - cc, 2 * rc), 1e-12))
        strength = np.clip(bend, 0, None) * across
        spread = max(1.4826 * float(np.median(np.abs(strength - np.median(strength)))), 1e-9)
        # A quiet map makes faint texture look strong and a strong line endless: level off.
        total += _MOST * np.tanh(strength / spread / _MOST)
    return total / len(maps)


def _log_density(values: FloatArray, dense: bool) -> FloatArray:
    """Logarithm of a map, its sign turned where a bright line is looked for."""
    v = np.log(np.maximum(np.where(np.isfinite(values), values, np.nanmedian(values)), 50.0))
    return np.asarray(-v if dense else v)


def line_contrast(
    maps: list[FloatArray], rows: FloatArray, row_mm: float, *, dense: bool = False
) -> FloatArray:
    """How much darker a path is than the bone 4 to 8 mm beside it, as a share, per column.

    Parameters
    ----------
    maps : list of (p, q) arrays
        Densities.
    rows : (q,) array
    row_mm : float
    dense : bool
        How much brighter instead.

    Returns
    -------
    (q,) array: the mean over the maps of log density beside less log density on the path.
    """
    p, q = maps[0].shape
    column = np.arange(q)
    near, first, last = round(0.8 / row_mm), round(4.0 / row_mm), round(8.0 / row_mm)
    at = np.rint(rows).astype(int)
    total = np.zeros(q)
    for values in maps:
        v = _log_density(values, dense)
        on = np.mean([v[np.clip(at + d, 0, p - 1), column] for d in range(-near, near + 1)], axis=0)
        steps = [*range(-last, -first + 1), *range(first, last + 1)]
        beside = np.median([v[np.clip(at + d, 0, p - 1), column] for d in steps], axis=0)
        total += beside - on
    return np.asarray(total / len(maps))


def best_path(
    evidence: FloatArray,
    prior_row: FloatArray,
    prior_sd_rows: FloatArray,
    *,
    most_rows_per_column: int = 3,
    bend_cost: float = 0.6,
) -> tuple[NDArray[np.intp], float]:
    """The path over all columns with the most evidence.

    Parameters
    ----------
    evidence : (p, q) array
    prior_row : (q,) array
        Where the path is expected in each column.
    prior_sd_rows : (q,) array
        How widely it varies.
    most_rows_per_column : int
    bend_cost : float
        Of a step of one row against the expected course.

    Returns
    -------
    rows : (q,) int array
    score : float
        Mean evidence along the path less its costs.
    """
    p, q = evidence.shape
    rows = np.arange(p)
    gain = evidence - 0.5 * np.square((rows[:, None] - prior_row) / prior_sd_rows)
    best = gain[:, 0].copy()
    came = np.zeros((p, q), dtype=np.intp)
    for j in range(1, q):
        drift = prior_row[j] - prior_row[j - 1]
        options = np.full((2 * most_rows_per_column + 1, p), -np.inf)
        for k, d in enumerate(range(-most_rows_per_column, most_rows_per_column + 1)):
            src = rows - d
            ok = (src >= 0) & (src < p)
            options[k, ok] = best[src[ok]] - bend_cost * (d - drift) ** 2
        pick = np.argmax(options, axis=0)
        came[:, j] = rows - (pick - most_rows_per_column)
        best = options[pick, rows] + gain[:, j]
    path: NDArray[np.intp] = np.empty(q, dtype=np.intp)
    path[-1] = int(np.argmax(best))
    for j in range(q - 1, 0, -1):
        path[j - 1] = came[path[j], j]
    return path, float(best.max() / q)


def find_suture(
    maps: list[FloatArray],
    row_mm: float,
    evidence: FloatArray,
    prior_row: FloatArray,
    prior_sd_rows: FloatArray,
    *,
    apart_rows: int = 12,
    dense: bool = False,
) -> SuturePath:
    """Find the path, and its best rival elsewhere.

    Parameters
    ----------
    maps : list of (p, q) arrays
        Densities.
    row_mm : float
    evidence : (p, q) array
        From :func:`line_evidence`.
    prior_row, prior_sd_rows : (q,) arrays
    apart_rows : int
        A rival stays at least this far away.
    dense : bool
        As the evidence.

    Returns
    -------
    SuturePath
    """
    from scipy import ndimage

    path, _ = best_path(evidence, prior_row, prior_sd_rows)
    p, q = evidence.shape
    columns = np.arange(q)
    rows = np.arange(p)[:, None]
    elsewhere = np.where(np.abs(rows - path[None, :]) < apart_rows, 0.0, evidence)
    rival, _ = best_path(elsewhere, prior_row, np.full(q, 3.0 * p))
    refined = _refined(evidence, path)
    along, other = (
        ndimage.uniform_filter1d(
            line_contrast(maps, r, row_mm, dense=dense), 5, mode="nearest"
        )
        for r in (refined, rival.astype(float))
    )
    return SuturePath(column=columns, row=refined, contrast=along, rival=other)


def _refined(evidence: FloatArray, path: NDArray[np.intp]) -> FloatArray:
    """Row of the peak by a parabola through three rows."""
    p, q = evidence.shape
    c = np.arange(q)
    i = np.clip(path, 1, p - 2)
    a, b, d = evidence[i - 1, c], evidence[i, c], evidence[i + 1, c]
    denominator = a - 2 * b + d
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.where(denominator < 0, 0.5 * (a - d) / denominator, 0.0)
    return np.asarray(path + np.clip(np.nan_to_num(shift), -0.5, 0.5))
