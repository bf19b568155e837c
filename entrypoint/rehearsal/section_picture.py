"""The scan along a trainee's own path: a small picture, and the thickness that is read there."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.planning.model import Side
from entrypoint.rehearsal.own_path import OwnPath, read_own_path

if TYPE_CHECKING:
    from entrypoint.planning.ct_head import CtHead
    from entrypoint.rehearsal.heads import StageHead

__all__ = ["read_along", "section_png"]

FloatArray = NDArray[np.float64]
STEP_MM = 0.25
_BEFORE_MM, _BEYOND_MM, _HALF_MM = 14.0, 46.0, 42.0  # of the picture: out, in, to either side
_DARKEST_HU, _LIGHTEST_HU = -420.0, 1350.0  # round soft tissue, as in the other sections
_UNSEEN = 109  # grey where the scan shows nothing
_PATH = (217, 138, 44)
_EDGE = (180, 203, 255)
_INK = (243, 241, 236)
_DASH_MM, _GAP_MM = 2.4, 1.6


def read_along(head: StageHead, entry_mm: FloatArray, unit_inward: FloatArray) -> OwnPath:
    """Read scalp and bone along a trainee's own path.

    Parameters
    ----------
    head : StageHead
    entry_mm : (3,) array
        On the scalp, world mm.
    unit_inward : (3,) array

    Raises
    ------
    MeasurementError
        There is no bone at all round the point.
    """
    parts = head.parts
    right = parts.midsagittal.distance_of_mm(entry_mm) > 0.0
    side = Side.RIGHT if right else Side.LEFT
    return read_own_path(parts, side, entry_mm, unit_inward, -parts.head.frame.unit_anterior)


def section_png(
    head: CtHead, entry_mm: FloatArray, unit_inward: FloatArray, read: OwnPath
) -> bytes:
    """Section of the scan that holds the path, running from front to back.

    The path runs straight down the picture, the skin is at its top and the patient's front on the
    right. Both faces of the bone are ruled across the path where they were read; the bar is 1 cm.
    """
    from PIL import Image, ImageDraw

    inward = unit_inward / np.linalg.norm(unit_inward)
    forward = head.frame.unit_anterior - (head.frame.unit_anterior @ inward) * inward
    forward = forward / np.linalg.norm(forward)
    across = np.arange(-_HALF_MM + STEP_MM / 2, _HALF_MM, STEP_MM)
    down = np.arange(-_BEFORE_MM + STEP_MM / 2, _BEYOND_MM, STEP_MM)
    places = entry_mm + down[:, None, None] * inward + across[None, :, None] * forward
    hu = head.volume.sample_hu(places)
    soft = head.coarse.levels.soft_hu
    grey = np.clip((hu - soft - _DARKEST_HU) / (_LIGHTEST_HU - _DARKEST_HU), 0.0, 1.0)
    grey = np.where(np.isfinite(hu), 255.0 * grey, _UNSEEN).astype(np.uint8)
    picture = Image.fromarray(grey).convert("RGB")
    draw = ImageDraw.Draw(picture)

    def at(across_mm: float, down_mm: float) -> tuple[float, float]:
        return (across_mm + _HALF_MM) / STEP_MM, (down_mm + _BEFORE_MM) / STEP_MM

    along = -_BEFORE_MM + 1.0
    while along < _BEYOND_MM - 1.0:
        draw.line([at(0.0, along), at(0.0, along + _DASH_MM)], fill=_PATH, width=2)
        along += _DASH_MM + _GAP_MM
    for face in (read.outer_mm, read.inner_mm):
        if face is not None:
            depth = float((face - entry_mm) @ inward)
            draw.line([at(-6.0, depth), at(6.0, depth)], fill=_EDGE, width=2)
    bar = [at(-_HALF_MM + 4.0, _BEYOND_MM - 4.0), at(-_HALF_MM + 14.0, _BEYOND_MM - 4.0)]
    draw.line(bar, fill=_INK, width=3)
    buffer = io.BytesIO()
    picture.save(buffer, format="PNG", compress_level=3)
    return buffer.getvalue()
