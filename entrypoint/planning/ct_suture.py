"""The coronal suture on a CT: seen, or estimated and said to be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.anatomy.suture import find_suture, line_evidence
from entrypoint.errors import MeasurementError
from entrypoint.geometry.polylines import arc_lengths_mm
from entrypoint.planning.ct_head import CtHead
from entrypoint.planning.model import How, Side
from entrypoint.planning.thick_slices import are_thick
from entrypoint.reference import row, value
from entrypoint.volume.vault_map import VaultMap, vault_map

FloatArray = NDArray[np.float64]

_PHI_STEP_DEG = 0.45
_LAM_DEG = np.arange(-42.0, 42.1, 1.2)
_SIGNS = ((Side.RIGHT, 1.0), (Side.LEFT, -1.0))
_FEWEST_ROWS = 90  # 40 degrees of vault, or there is no telling a suture from its rivals
_SEEN_SHARE, _BREGMA_SHARE = 0.7, 0.6
_MIDDLE_MM, _OWN_SIDE_MM = 12.0, 8.0
_SMOOTH_MM = 5.0
_SEAM_SD_MM = 0.4  # a seam is wide and its middle need not be where the gap was
# A suture wanders about a smooth course by under 1 mm (on phantoms of all slices) or 1.5 mm (on one
# real scan); a line pieced together from other things by more.
_COURSE_MM, _USUAL_WANDER_MM, _MOST_WANDER_MM = 48.0, 1.0, 1.65
_SD_PER_WANDER = 2.0
_FARTHEST = 1.2  # of the spread within which a line is looked for: about 19 mm
_RIGHT_ACROSS = 0.85
_FAINT = 0.4  # of the usual contrast; on 87 phantoms it took a line away only where that was wrong
_ALONE_SD = 0.4  # mm a mm of voxel over 1.25 mm
_BREGMA_BESIDE_SD_MM = 3.0  # where the line was seen on one side only
_CROSSING_SD_MM = 0.3  # where the smoothed line crosses the midline, and the outer table there


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """A kind of line, and when it counts as seen.

    In a column it must differ by ``contrast`` from the bone beside it, and by ``over_rival_factor``
    as much as the best path elsewhere. Set on phantoms and on one real scan; the accuracy
    benchmark reports how often they err.
    """

    dense: bool
    contrast: float
    over_rival_factor: float


_DARK = _Kind(dense=False, contrast=0.07, over_rival_factor=1.8)
_DENSE = _Kind(dense=True, contrast=0.15, over_rival_factor=2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A path over the map, and where it was seen."""

    rows: FloatArray
    seen: NDArray[np.bool_]
    wander_mm: float  # about a smooth course, where it was seen


@dataclass(frozen=True, slots=True, kw_only=True)
class CtSuture:
    """The suture's centre line on the outer table, patient's left to right.

    Attributes
    ----------
    curve_mm : (q, 3) array, world mm
    lateral_mm : (q,) array
        Signed distance of its points from the midsagittal plane.
    seen : (q,) bool array
        Where the line was seen.
    how : dict of Side to How
        Over the span that matters for that side.
    dense : dict of Side to bool
        Whether it was a dense seam that was followed, no gap.
    sd_mm : dict of Side to float
    bregma_mm : (3,) array
    bregma_sd_mm : float
    bregma_how : How
    """

    curve_mm: FloatArray
    lateral_mm: FloatArray
    seen: NDArray[np.bool_]
    how: dict[Side, How]
    dense: dict[Side, bool]
    sd_mm: dict[Side, float]
    bregma_mm: FloatArray
    bregma_sd_mm: float
    bregma_how: How
    vault: VaultMap


def read_suture(head: CtHead, *, span_mm: tuple[float, float] = (14.0, 42.0)) -> CtSuture:
    """Find the suture, and say side by side whether it was seen.

    Parameters
    ----------
    head : CtHead
    span_mm : (float, float)
        Lateral distances over which the line must be seen to count as measured.

    Returns
    -------
    CtSuture
    """
    arcs = arc_lengths_mm(head.midline_bone_mm)
    phi_line = head.frame.phi_deg(head.midline_bone_mm)
    phi_line = np.where(phi_line < phi_line[0] - 1.0, phi_line + 360.0, phi_line)

    def phi_at(arc_mm: float) -> float:
        return float(np.interp(arc_mm, arcs, phi_line))

    bregma_row = row("nasion_bregma_arc_bone")
    bregma_arc, bregma_sd = _expected_bregma(head, bregma_row.value, bregma_row.spread or 7.3)
    lo, hi = phi_at(max(55.0, bregma_arc - 62.0)), phi_at(min(arcs[-1], bregma_arc + 60.0))
    phi = np.arange(lo, hi, _PHI_STEP_DEG)
    if len(phi) < _FEWEST_ROWS:
        raise MeasurementError(
            found=f"only {arcs[-1]:.0f} mm of skull along the midline behind the nasion in view",
            expected="the vault as far as the coronal suture",
            next_step="give a scan whose field of view holds the top of the head",
        )
    vault = vault_map(head.volume, head.coarse, head.frame, phi, _LAM_DEG)
    radius = float(np.nanmedian(vault.radius_mm))
    row_mm = radius * np.radians(_PHI_STEP_DEG)
    holes = _holes(vault, head.coarse.levels.soft_hu)
    centre_row = (phi_at(bregma_arc) - phi[0]) / _PHI_STEP_DEG
    lateral = radius * np.sin(np.radians(_LAM_DEG))
    prior = centre_row - bow_mm(np.abs(lateral)) / row_mm
    prior_sd = np.full(len(lateral), 2.2 * bregma_sd / row_mm)

    def line(maps: list[FloatArray], kind: _Kind) -> _Line:
        return _line(maps, kind, holes, prior, prior_sd, row_mm, radius)

    dark = line([vault.outer_hu, vault.inner_hu, vault.whole_hu], _DARK)
    found = _by_side(dark, lambda: line([vault.middle_hu], _DENSE), lateral, span_mm)
    how, seen = found.how, found.seen
    voxel = float(np.max(head.volume.grid.voxel_mm))
    alone = len(set(how.values())) > 1
    # Over thick slices a line on one side alone, or a dense one, may be steps between them.
    doubtful = alone or any(found.dense.values())
    if doubtful and are_thick(head.volume.grid.slice_mm):
        how, alone = dict.fromkeys(Side, How.ESTIMATED), False
    middle = np.abs(lateral) < _MIDDLE_MM
    bregma_seen = bool(seen[middle].mean() >= _BREGMA_SHARE)

    # A dark line over the midline, or on one side alone, can be anything that runs there.
    any_seen = How.MEASURED in how.values()
    bregma_seen &= all(h is How.MEASURED for h in how.values())
    offset = _offset_of_unseen(found.rows, prior, seen, lateral) if any_seen else 0.0
    rows = np.where(seen & any_seen, found.rows, prior + offset)
    for side, sign in _SIGNS:
        if how[side] is How.ESTIMATED:
            own = sign * lateral > _OWN_SIDE_MM
            rows = np.where(own, prior + offset, rows)
    points = _on_map(vault, rows)
    curve = _smoothed(points)
    alone_sd = _ALONE_SD * max(voxel - 1.25, 0.0) if alone else 0.0
    over_mm = max(found.wander_mm - _USUAL_WANDER_MM, 0.0)
    measured_sd = float(
        np.sqrt(0.06**2 + (0.07 * voxel) ** 2 + (_SD_PER_WANDER * over_mm) ** 2 + alone_sd**2)
    )
    from_beside_sd = _BREGMA_BESIDE_SD_MM if any_seen else bregma_sd
    estimated_sd = float(np.hypot(from_beside_sd, value("suture_bow_sd")))
    seam_sd = float(np.hypot(measured_sd, _SEAM_SD_MM))
    sd = {
        s: estimated_sd if h is How.ESTIMATED else seam_sd if found.dense[s] else measured_sd
        for s, h in how.items()
    }
    crossing_sd = float(np.hypot(measured_sd, _CROSSING_SD_MM))
    at_mid = int(np.argmin(np.abs(lateral)))
    bregma = curve[at_mid]
    return CtSuture(
        curve_mm=curve,
        lateral_mm=(curve - head.frame.origin_mm) @ head.frame.unit_right,
        seen=seen,
        how=how,
        dense={s: found.dense[s] and h is How.MEASURED for s, h in how.items()},
        sd_mm=sd,
        bregma_mm=bregma,
        bregma_sd_mm=crossing_sd if bregma_seen else from_beside_sd,
        bregma_how=How.DETECTED if bregma_seen else How.ESTIMATED,
        vault=vault,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _BySide:
    """The line that is believed, side by side."""

    rows: FloatArray
    seen: NDArray[np.bool_]
    how: dict[Side, How]
    dense: dict[Side, bool]
    wander_mm: float


def _by_side(
    dark: _Line,
    find_seam: Callable[[], _Line],
    lateral_mm: FloatArray,
    span_mm: tuple[float, float],
) -> _BySide:
    """The dark line where it was seen over the span, else the dense seam where that was."""
    rows, seen = dark.rows, dark.seen
    how, dense = dict.fromkeys(Side, How.MEASURED), dict.fromkeys(Side, False)
    seam: _Line | None = None
    wander_mm = 0.0
    for side, sign in _SIGNS:
        span = (sign * lateral_mm > span_mm[0]) & (sign * lateral_mm < span_mm[1])
        if dark.seen[span].mean() >= _SEEN_SHARE:
            wander_mm = max(wander_mm, dark.wander_mm)
            continue
        seam = seam or find_seam()
        if seam.seen[span].mean() >= _SEEN_SHARE:
            own = sign * lateral_mm > _OWN_SIDE_MM
            rows, seen = np.where(own, seam.rows, rows), np.where(own, seam.seen, seen)
            dense[side] = True
            wander_mm = max(wander_mm, seam.wander_mm)
        else:
            how[side] = How.ESTIMATED
    middle = np.abs(lateral_mm) < _MIDDLE_MM
    if seam is not None and all(dense.values()):
        # Whatever is dark between two dense sides is not the suture.
        rows, seen = np.where(middle, seam.rows, rows), np.where(middle, seam.seen, seen)
    return _BySide(rows=rows, seen=seen, how=how, dense=dense, wander_mm=wander_mm)


def _line(
    maps: list[FloatArray],
    kind: _Kind,
    holes: NDArray[np.bool_],
    prior: FloatArray,
    prior_sd: FloatArray,
    row_mm: float,
    radius_mm: float,
) -> _Line:
    """The best line of one kind over the map."""
    shown = [np.where(holes, np.nan, m) for m in maps]
    evidence = line_evidence(
        shown,
        np.full(len(_LAM_DEG), row_mm),
        radius_mm * float(np.radians(_LAM_DEG[1] - _LAM_DEG[0])),
        dense=kind.dense,
    )
    evidence = np.where(holes, 0.0, evidence)
    path = find_suture(shown, row_mm, evidence, prior, prior_sd, dense=kind.dense)
    rival = max(float(np.mean(path.rival)), 0.0)
    at = np.clip(np.rint(path.row).astype(int), 0, len(holes) - 1)
    on_bone = ~holes[at, np.arange(len(at))]
    stands_out = (path.contrast > kind.contrast) & (path.contrast > kind.over_rival_factor * rival)
    seen = on_bone & stands_out
    if seen.any():
        # Where it is far fainter than elsewhere, the path has left it: for the steps between thick
        # slices, say.
        seen &= path.contrast > _FAINT * float(np.median(path.contrast[seen]))
    if seen.mean() < _RIGHT_ACROSS:
        # Few heads have their suture so far off: on one side it is the edge of a flap, or a
        # fracture; only a line right across the vault is believed there.
        seen &= np.abs(path.row - prior) < _FARTHEST * prior_sd
    lateral_mm = radius_mm * np.sin(np.radians(_LAM_DEG))
    wander_mm = _wander_mm((path.row - prior) * row_mm, lateral_mm, seen)
    if wander_mm > _MOST_WANDER_MM:
        seen = np.zeros_like(seen)
    return _Line(rows=path.row, seen=seen, wander_mm=wander_mm)


def _wander_mm(off_mm: FloatArray, lateral_mm: FloatArray, seen: NDArray[np.bool_]) -> float:
    """Spread of a line about a smooth course beside the expected one, where it was seen."""
    use = seen & (np.abs(lateral_mm) < _COURSE_MM)
    if use.sum() < 12:
        return 0.0
    course = np.polynomial.Polynomial.fit(lateral_mm[use], off_mm[use], 3)
    return float(np.std(off_mm[use] - course(lateral_mm[use])))


def _holes(vault: VaultMap, soft_hu: float) -> NDArray[np.bool_]:
    """Where bone is missing over more than a suture's width, and the rim of that."""
    from scipy import ndimage

    usual = float(np.nanmedian(vault.whole_hu))
    absent = ~(vault.whole_hu > soft_hu + 0.25 * (usual - soft_hu))
    wide = ndimage.uniform_filter(absent.astype(np.float32), size=(9, 5)) > 0.75
    return np.asarray(ndimage.binary_dilation(wide, np.ones((13, 7))))


def bow_mm(lateral_mm: FloatArray) -> FloatArray:
    """How far the suture lies in front of bregma at a lateral distance (check row 1.7)."""
    at = np.array([0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0])
    bow = np.array([row(f"suture_bow_at_{int(a)}").value if a else 0.0 for a in at])
    return np.asarray(np.interp(lateral_mm, at, bow))


def _expected_bregma(head: CtHead, arc_mm: float, sd_mm: float) -> tuple[float, float]:
    """Arc of bregma on bone for this head: by its own nasion-inion length where that is known."""
    if head.inion_bone_mm is None:
        return arc_mm, sd_mm
    total = float(
        arc_lengths_mm(head.midline_bone_mm)[
            int(np.argmin(np.linalg.norm(head.midline_bone_mm - head.inion_bone_mm, axis=1)))
        ]
    )
    share = row("bregma_ratio").value
    usual, spread = row("nasion_inion_arc_bone").value, row("nasion_inion_arc_bone").spread or 15.2
    # A length far from any adult's says that the inion was missed: then the norm alone.
    if abs(total - usual) > 3 * spread:
        return arc_mm, sd_mm
    return 0.5 * (arc_mm + share * total), sd_mm


def _offset_of_unseen(
    rows: FloatArray, prior: FloatArray, seen: NDArray[np.bool_], lateral: FloatArray
) -> float:
    """How far the seen part lies from the expected course; 0 where nothing was seen."""
    if seen.sum() < 5:
        return 0.0
    weight = 1 / (1 + np.square(lateral[seen] / 30.0))
    return float(np.average(rows[seen] - prior[seen], weights=weight))


def _on_map(vault: VaultMap, rows: FloatArray) -> FloatArray:
    """Outer-table points of a path given by rows with fractions."""
    points = vault.points_mm()
    p = points.shape[0]
    r = np.clip(rows, 0, p - 1.001)
    i = r.astype(np.intp)
    f = (r - i)[:, None]
    c = np.arange(points.shape[1])
    return np.asarray((1 - f) * points[i, c] + f * points[i + 1, c])


def _smoothed(points: FloatArray) -> FloatArray:
    """Centre line: smoothed along the curve, ends extended by reflection."""
    from scipy import ndimage

    step = float(np.median(np.linalg.norm(np.diff(points, axis=0), axis=1)))
    sigma = _SMOOTH_MM / max(step, 0.5)
    # Reflect about the end points so that the ends stay where they are.
    n = min(len(points) - 1, round(4 * sigma))
    head = 2 * points[0] - points[n:0:-1]
    tail = 2 * points[-1] - points[-2 : -n - 2 : -1]
    padded = np.concatenate([head, points, tail])
    smooth = ndimage.gaussian_filter1d(padded, sigma, axis=0, mode="nearest")
    return np.asarray(smooth[n : n + len(points)])
