"""What a volume file says about itself and what was done to read it: plain facts, no judgement.

They are gathered where the file is read and turned into findings by the planning layer.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFacts:
    """Facts of one volume file.

    ``None`` stands for "does not apply": no second transform, no offset, no clipping.
    """

    world_matrix_from: str  # "sform", "qform" or "dicom"
    transforms_differ_mm: float | None = None  # largest distance of a corner, both valid
    unusable_transform: str | None = None  # "sform" or "qform": stated, but not invertible
    unit: str = "mm"  # "mm", "m", "um", or "unknown" (read as mm, the size being a head's)
    sizes_disagree: bool = False  # the header's voxel sizes are not those of its matrix
    shear_deg: float = 0.0  # largest departure of two axes from a right angle
    dtype: str = ""
    slope: float = 1.0
    inter: float = 0.0
    offset_applied_hu: float | None = None  # added because the stored values lacked it
    lowest_hu: float = 0.0
    highest_hu: float = 0.0
    clipped_low_hu: float | None = None  # many voxels at the lowest value, above real air
    clipped_high_hu: float | None = None  # voxels piled up at the highest value
    padding_hu: float | None = None  # a fill value outside the scanner's round field
    air_hu: float | None = None  # most frequent reading of air; None where clipped away
    soft_hu: float | None = None  # most frequent reading of soft tissue
    practice: bool = False  # the header says that it is a practice head
    notes: tuple[str, ...] = ()  # what was decided on the way, such as which series was read
    cautions: tuple[str, ...] = ()  # what was found on the way that may cost accuracy
