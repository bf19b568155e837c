"""The vault unrolled: bone density under the outer table, over two angles of the head frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from entrypoint.anatomy.frame import HeadFrame
from entrypoint.volume.edges import quick_edges
from entrypoint.volume.rays import FloatArray, sample_rays
from entrypoint.volume.skull import CoarseHead, coarse_radii

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

_STEP_MM = 0.6
_OUT_MM, _IN_MM = 5.0, 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class VaultMap:
    """Maps over ``phi_deg`` (rows) and ``lam_deg`` (columns) of a head frame; NaN where unseen.

    Attributes
    ----------
    radius_mm : outer table, smoothed over sutures, from the frame's origin
    thickness_mm : quick thickness, smoothed
    outer_hu, inner_hu, whole_hu : mean density of the outer 1.5 mm, the inner 1.5 mm, and all
    middle_hu : of the middle third, where the diploe is
    """

    frame: HeadFrame
    phi_deg: FloatArray
    lam_deg: FloatArray
    radius_mm: FloatArray
    thickness_mm: FloatArray
    outer_hu: FloatArray
    inner_hu: FloatArray
    whole_hu: FloatArray
    middle_hu: FloatArray

    def points_mm(self) -> FloatArray:
        """Outer-table points, (rows, columns, 3), world mm."""
        dirs = self.frame.directions(
            self.phi_deg[:, None] + 0 * self.lam_deg, self.lam_deg + 0 * self.phi_deg[:, None]
        )
        return np.asarray(self.frame.origin_mm + self.radius_mm[..., None] * dirs)


def vault_map(
    volume: Volume, head: CoarseHead, frame: HeadFrame, phi_deg: FloatArray, lam_deg: FloatArray
) -> VaultMap:
    """Unroll the vault.

    Parameters
    ----------
    volume : Volume
    head : CoarseHead
    frame : HeadFrame
    phi_deg, lam_deg : (p,), (q,) arrays
        Evenly spaced.

    Returns
    -------
    VaultMap
    """
    from scipy import ndimage

    rough = 3.0
    gphi = np.arange(phi_deg[0] - rough, phi_deg[-1] + 2 * rough, rough)
    glam = np.arange(lam_deg[0] - rough, lam_deg[-1] + 2 * rough, rough)
    dirs = frame.directions(gphi[:, None] + 0 * glam, glam + 0 * gphi[:, None]).reshape(-1, 3)
    start = coarse_radii(head, dirs, centre_mm=frame.origin_mm).bone_mm.reshape(len(gphi), -1)
    start = ndimage.median_filter(_filled(start), size=3)
    index = np.stack(
        np.meshgrid((phi_deg - gphi[0]) / rough, (lam_deg - glam[0]) / rough, indexing="ij")
    )
    guess = ndimage.map_coordinates(start, index, order=1, mode="nearest")

    unit = frame.directions(phi_deg[:, None] + 0 * lam_deg, lam_deg + 0 * phi_deg[:, None])
    shape = unit.shape[:2]
    depths = np.arange(-_OUT_MM, _IN_MM, _STEP_MM)
    flat = unit.reshape(-1, 3)
    hu = sample_rays(volume, frame.origin_mm + guess.reshape(-1, 1) * flat, -flat, depths)
    edges = quick_edges(depths, hu, head.levels)
    outer = edges.outer_mm.reshape(shape)
    thick = (edges.inner_mm - edges.outer_mm).reshape(shape)
    # The surface that a suture's own notch does not pull in.
    outer_smooth = ndimage.median_filter(_filled(outer), size=(9, 5))
    thick_smooth = np.clip(ndimage.median_filter(_filled(thick), size=(9, 5)), 2.0, 14.0)

    def mean_between(top: FloatArray, bottom: FloatArray) -> FloatArray:
        total = np.zeros(shape)
        for share in np.linspace(0, 1, 5):
            at = np.clip(
                (top + (bottom - top) * share - depths[0]) / _STEP_MM, 0, len(depths) - 1.001
            ).ravel()
            i = at.astype(np.intp)
            f = at - i
            row = np.arange(len(hu))
            total += ((1 - f) * hu[row, i] + f * hu[row, i + 1]).reshape(shape)
        return np.asarray(total / 5)

    low = outer_smooth + thick_smooth
    return VaultMap(
        frame=frame,
        phi_deg=phi_deg,
        lam_deg=lam_deg,
        radius_mm=np.where(np.isfinite(guess), guess - outer_smooth, np.nan),
        thickness_mm=thick_smooth,
        outer_hu=mean_between(outer_smooth + 0.3, outer_smooth + 1.8),
        inner_hu=mean_between(low - 1.8, low - 0.3),
        whole_hu=mean_between(outer_smooth + 0.3, low - 0.3),
        middle_hu=mean_between(
            outer_smooth + thick_smooth / 3.0, outer_smooth + 2.0 * thick_smooth / 3.0
        ),
    )


def _filled(values: FloatArray) -> FloatArray:
    """NaN replaced by the median of what is seen."""
    ok = np.isfinite(values)
    return np.where(ok, values, np.median(values[ok]) if ok.any() else 0.0)
