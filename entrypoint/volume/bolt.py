"""The bolt in a scan taken after placement: which piece of metal it is, and its axis.

No make and no shape is assumed. What holds of every bolt: it is metal in one piece that crosses
the outer table, stands out of the bone by more than a scalp, reaches into it, runs along one
direction, and that direction lies within some tens of degrees of square. Plates and discs lie
flat, screws do not stand out, clips and electrodes do not reach bone, teeth are not at the vault.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.anatomy.frame import HeadFrame
from entrypoint.errors import MeasurementError
from entrypoint.geometry.planes import angle_deg
from entrypoint.volume.bone import BonePatch, bone_patch, tangent_axes
from entrypoint.volume.edges import METAL_HU
from entrypoint.volume.metal import MetalPiece, metal_pieces, vault_radii
from entrypoint.volume.rays import FloatArray
from entrypoint.volume.skull import CoarseHead

if TYPE_CHECKING:
    from entrypoint.volume.volume import Volume

__all__ = ["BoltSearch", "FoundBolt", "find_bolts"]

# Sizes that tell a bolt from other metal: judgement, no source.
_STANDS_OUT_MM, _REACHES_IN_MM = 8.0, 1.0  # above and below the outer table
_NEAR_MM = (-14.0, 16.0)  # heights whose metal gives the first axis
_LEAST_ELONGATION, _MOST_OFF_SQUARE_DEG = 1.6, 40.0
_SLAB_MM, _SECTION_MM, _SECTION_STEP_MM = 0.8, 7.0, 0.5
_WIDE = 1.7  # times the usual area of a section: a cap, a wing, a plug
_TURNS = 5
_LEAST_SD_MM, _LEAST_SD_DEG = 0.12, 0.25
_SD_DEG_PER_MM = 0.25  # of voxel beyond a millimetre: a leaning rod in thick slices reads askew
_TOP_MM = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundBolt:
    """A bolt; world mm.

    Attributes
    ----------
    foot_mm : (3,) array
        Where the axis meets the outer table, bridged under the metal from the bone round it.
    unit_inward : (3,) array
        Direction of the axis.
    unit_square : (3,) array
        Inward normal of the outer table at the foot, the mean over the patch's middle.
    top_mm, end_mm : float
        Depths along the axis below the foot of the metal's outer and inner end; the first is
        negative.
    radius_mm : float
        Of the metal as it reads, blooming included.
    sd_mm, sd_deg : float
        One standard deviation of the axis: across it at the foot, and of its direction.
    patch : BonePatch
        The outer table round it.
    pieces : int
        How many sections of the metal the axis rests on.
    """

    foot_mm: FloatArray
    unit_inward: FloatArray
    unit_square: FloatArray
    top_mm: float
    end_mm: float
    radius_mm: float
    sd_mm: float
    sd_deg: float
    patch: BonePatch
    sections: int

    @property
    def tilt_deg(self) -> float:
        """Angle of the axis from square."""
        return angle_deg(self.unit_inward, self.unit_square)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoltSearch:
    """What was found: bolts, and the other metal with why it is none."""

    bolts: tuple[FoundBolt, ...]
    others: tuple[tuple[str, int], ...]  # why, how many


def find_bolts(volume: Volume, head: CoarseHead, frame: HeadFrame) -> BoltSearch:
    """Look at every piece of metal.

    Parameters
    ----------
    volume : Volume
        With its axes closest to right, anterior, superior.
    head : CoarseHead
    frame : HeadFrame

    Returns
    -------
    BoltSearch
        Largest bolt first.

    Raises
    ------
    MeasurementError
        Metal cannot be told from bone in this file.
    """
    vault = vault_radii(head, frame)
    bolts: list[FoundBolt] = []
    others: dict[str, int] = {}
    for piece in metal_pieces(volume, head):
        height = vault.height_mm(piece.points_mm)
        why = _no_bolt(height)
        if why is None:
            try:
                found = _measured(volume, head, frame, piece, height)
            except MeasurementError:
                found = "metal whose axis cannot be followed"
            if isinstance(found, FoundBolt):
                bolts.append(found)
                continue
            why = found
        others[why] = others.get(why, 0) + 1
    return BoltSearch(bolts=tuple(bolts), others=tuple(others.items()))


def _no_bolt(height_mm: FloatArray) -> str | None:
    """Why a piece cannot be a bolt by where it lies alone."""
    over = height_mm[np.isfinite(height_mm)]
    if over.size < 0.5 * height_mm.size or over.size == 0:
        return "metal away from the vault"
    if over.max() < _STANDS_OUT_MM:
        return "metal inside the skull" if over.max() < -4.0 else "metal that lies flat or short"
    if over.min() > -_REACHES_IN_MM:
        return "metal that does not reach into bone"
    return None


def _measured(
    volume: Volume,
    head: CoarseHead,
    frame: HeadFrame,
    piece: MetalPiece,
    height_mm: FloatArray,
) -> FoundBolt | str:
    """The axis of a piece that crosses the outer table, or why it is no bolt."""
    near = (height_mm > _NEAR_MM[0]) & (height_mm < _NEAR_MM[1])
    points = piece.points_mm[near]
    if len(points) < 4:
        return "metal that is too little to follow"
    middle = points.mean(axis=0)
    _, spread, axes = np.linalg.svd(points - middle, full_matrices=False)
    inward = axes[0] if axes[0] @ (frame.origin_mm - middle) > 0 else -axes[0]
    spread = spread / np.sqrt(len(points))
    width = float(np.hypot(spread[1], spread[2]))
    # Of a rod: length over width, in standard deviations of a uniform rod and disc.
    if spread[0] * np.sqrt(12.0) < _LEAST_ELONGATION * width * np.sqrt(8.0):
        return "metal that is not elongated"
    radial = frame.origin_mm - middle
    if angle_deg(inward, radial) > _MOST_OFF_SQUARE_DEG + 15.0:
        return "metal that lies along the skull"
    point, inward, lines = _followed(volume, middle, inward, frame.unit_anterior)
    origin = point + lines.outer_guess(volume, head, point, inward)
    patch = bone_patch(volume, head.levels, origin, inward, frame.unit_anterior)
    foot, square = _foot(patch, point, inward)
    if angle_deg(inward, square) > _MOST_OFF_SQUARE_DEG:
        return "metal that lies along the skull"
    shift = float((foot - point) @ inward)
    top, end = lines.top_mm - shift, lines.end_mm - shift
    if top > -_STANDS_OUT_MM:
        return "metal that lies flat or short"
    if end < _REACHES_IN_MM:
        return "metal that does not reach into bone"
    return FoundBolt(
        foot_mm=foot,
        unit_inward=inward,
        unit_square=square,
        top_mm=top,
        end_mm=end,
        radius_mm=lines.radius_mm,
        sd_mm=lines.sd_at_mm(shift),
        sd_deg=lines.sd_deg,
        patch=patch,
        sections=lines.sections,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """Sections of the metal along an axis, and how well a line goes through them."""

    top_mm: float
    end_mm: float
    radius_mm: float
    middle_mm: float
    sd_across_mm: float
    sd_deg: float
    sections: int

    def sd_at_mm(self, depth_mm: float) -> float:
        lever = np.radians(self.sd_deg) * (depth_mm - self.middle_mm)
        return float(np.hypot(self.sd_across_mm, lever))

    def outer_guess(
        self, volume: Volume, head: CoarseHead, point: FloatArray, inward: FloatArray
    ) -> FloatArray:
        """From a point of the axis to about the scalp, so that bone is looked for below it."""
        u, v = tangent_axes(inward, np.array([0.3, 0.8, 0.52]))
        turn = np.arange(12) * (np.pi / 6)
        ring = (self.radius_mm + 6.0) * (np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v)
        depths = np.arange(self.top_mm - 5.0, self.end_mm + 25.0, 0.5)
        at = point + ring[:, None, :] + depths[None, :, None] * inward
        hu = volume.sample_hu(at)
        dense = hu > head.levels.bone_edge_hu
        two = dense[:, :-1] & dense[:, 1:]
        has = two.any(axis=1)
        if has.sum() < 4:
            raise MeasurementError(
                found="no bone round a piece of metal",
                expected="a skull that holds the bolt",
                next_step="look at the scan: bone may be missing there",
            )
        first = depths[np.argmax(two[has], axis=1)]
        return np.asarray((float(np.median(first)) - 5.0) * inward)


def _followed(
    volume: Volume, middle: FloatArray, inward: FloatArray, towards: FloatArray
) -> tuple[FloatArray, FloatArray, _Line]:
    """The line through the middles of the metal's sections, found again with each new axis."""
    n = int(_SECTION_MM / _SECTION_STEP_MM)
    o = _SECTION_STEP_MM * np.arange(-n, n + 1)
    uu, vv = np.meshgrid(o, o, indexing="ij")
    disc = np.hypot(uu, vv) <= _SECTION_MM
    flat = np.stack([uu[disc], vv[disc]], axis=1)
    depths = np.arange(-_TOP_MM, _TOP_MM, _SLAB_MM)
    point = middle
    line: _Line | None = None
    for _ in range(_TURNS):
        u, v = tangent_axes(inward, towards)
        offsets = flat @ np.stack([u, v])
        at = point + depths[:, None, None] * inward + offsets[None]
        hu = np.nan_to_num(volume.sample_hu(at), nan=-1000.0)
        weight = np.clip(hu - 0.8 * METAL_HU, 0.0, 0.2 * METAL_HU)
        area = weight.sum(axis=1) / (0.2 * METAL_HU) * _SECTION_STEP_MM**2
        solid = _run(area > 1.0, depths)
        if solid.sum() < 6:
            raise MeasurementError(
                found="metal that cannot be followed along one direction",
                expected="a straight piece of metal through the bone",
                next_step="look at the scan there",
            )
        centre = weight @ flat / np.maximum(weight.sum(axis=1), 1e-9)[:, None]
        slim = solid & (area < _WIDE * np.median(area[solid]))
        fit = slim if slim.sum() >= 6 else solid
        first, slope, spread, cov = _robust_line(depths[fit], centre[fit])
        point = point + first @ np.stack([u, v])
        inward = inward + slope @ np.stack([u, v])
        inward = inward / np.linalg.norm(inward)
        # Neighbouring sections share voxels: fewer of them count on their own.
        share = max(1.0, float(max(volume.grid.voxel_mm)) / _SLAB_MM)
        scale = spread * np.sqrt(share)
        line = _Line(
            top_mm=float(depths[solid][0]) - 0.5 * _SLAB_MM,
            end_mm=float(depths[solid][-1]) + 0.5 * _SLAB_MM,
            radius_mm=float(np.sqrt(np.median(area[fit]) / np.pi)),
            middle_mm=float(depths[fit].mean()),
            sd_across_mm=max(_LEAST_SD_MM, scale * float(np.sqrt(cov[0]))),
            sd_deg=max(
                _LEAST_SD_DEG + _SD_DEG_PER_MM * max(0.0, max(volume.grid.voxel_mm) - 1.0),
                float(np.degrees(scale * np.sqrt(cov[1]))),
            ),
            sections=int(fit.sum()),
        )
    assert line is not None
    return point, inward, line


def _run(there: NDArray[np.bool_], depths: FloatArray) -> NDArray[np.bool_]:
    """The run of sections that holds depth 0 (or the nearest one), gaps of two bridged."""
    from scipy import ndimage

    closed = ndimage.binary_closing(there, structure=np.ones(5, dtype=bool))
    labels, count = ndimage.label(closed | there)
    if not count:
        return np.zeros_like(there)
    at = np.flatnonzero(labels)
    nearest = at[int(np.argmin(np.abs(depths[at])))]
    return np.asarray((labels == labels[nearest]) & there)


def _robust_line(
    depths: FloatArray, centre: FloatArray
) -> tuple[FloatArray, FloatArray, float, FloatArray]:
    """Offset at depth 0 and slope of a line through section middles, with weights of Huber.

    Returns
    -------
    offset, slope : (2,) arrays
    spread : float
        Robust spread of the middles about the line, one axis.
    cov : (2,) array
        Of the offset at the mean depth and of the slope, per unit of spread.
    """
    weight = np.ones(len(depths))
    design = np.stack([np.ones_like(depths), depths], axis=1)
    coef = np.zeros((2, 2))
    spread = 0.1
    for _ in range(8):
        root = np.sqrt(weight)[:, None]
        coef, *_ = np.linalg.lstsq(design * root, centre * root, rcond=None)
        off = np.linalg.norm(centre - design @ coef, axis=1)
        spread = max(float(np.median(off)) / 1.18, 0.03)  # of a plane's two axes
        weight = np.minimum(1.0, 2.0 * spread / np.maximum(off, 1e-9))
    mean = float(np.average(depths, weights=weight))
    total = float(weight.sum())
    lever = float(np.sum(weight * (depths - mean) ** 2))
    return coef[0], coef[1], spread, np.array([1.0 / total, 1.0 / max(lever, 1e-9)])


def _foot(patch: BonePatch, point: FloatArray, inward: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where a line meets the bridged outer table, and the table's inward normal there."""
    q = point - patch.origin_mm
    t = 0.0
    for _ in range(15):
        r = q + t * inward
        gap = patch.height_at(float(r @ patch.unit_u), float(r @ patch.unit_v)) - float(
            r @ patch.unit_inward
        )
        t += gap / float(inward @ patch.unit_inward)
    foot = point + t * inward
    # A smooth surface through the sound bone within 18 mm: its slope under the metal.
    r = foot - patch.origin_mm
    u0, v0 = float(r @ patch.unit_u), float(r @ patch.unit_v)
    o = patch.offsets_mm
    uu, vv = np.meshgrid(o - u0, o - v0, indexing="ij")
    use = ~patch.missing & np.isfinite(patch.depth_mm) & (np.hypot(uu, vv) < 18.0)
    use &= patch.peak_hu < METAL_HU
    if use.sum() < 40:
        raise MeasurementError(
            found="too little bone in view round a piece of metal",
            expected="the outer table round the bolt",
            next_step="look at the scan there",
        )
    a, b = uu[use], vv[use]
    design = np.stack([np.ones_like(a), a, b, a * a, a * b, b * b], axis=1)
    depth: FloatArray = patch.depth_mm[use]
    keep: NDArray[np.bool_] = np.ones(len(depth), dtype=bool)
    coef: FloatArray = np.zeros(6)
    for _ in range(3):
        coef = np.asarray(np.linalg.lstsq(design[keep], depth[keep], rcond=None)[0])
        off = np.abs(depth - design @ coef)
        keep = off < max(0.4, 3.0 * float(np.median(off)))
    square = patch.unit_inward - coef[1] * patch.unit_u - coef[2] * patch.unit_v
    foot = (
        foot
        + (coef[0] - float((foot - patch.origin_mm) @ patch.unit_inward))
        / float(inward @ patch.unit_inward)
        * inward
    )
    return foot, square / np.linalg.norm(square)
