"""Everything that makes one phantom head what it is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from entrypoint.phantoms.conditions.base import Condition

__all__ = ["HeadSpec", "named_spec", "names"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadSpec:
    """Parameters of a head; lengths in mm, angles in degrees, HU where it says so.

    The head's own frame has its origin in the middle of the skull: x to the patient's right,
    y anterior, z superior. The pose carries it to the world (RAS) frame.
    """

    name: str = "adult"
    seed: int = 1
    # outer size, on skin
    length_mm: float = 196.0
    breadth_mm: float = 152.0
    height_ratio: float = 0.915  # vertex height above the origin over half the length, on bone
    # scalp and skull
    scalp_mm: float = 5.8
    skull_mm: float = 6.8
    outer_table_mm: float = 1.75
    inner_table_mm: float = 1.25
    cortical_hu: float = 1350.0
    diploe_hu: float = 420.0
    diploe_texture_hu: float = 110.0
    # coronal suture
    nasion_bregma_arc_mm: float = 126.6  # along the outer table, bone nasion to bregma
    suture_bow: float = 1.0  # 1 = the published forward bow
    suture_width_mm: float = 1.1
    suture_hu: float = 90.0
    suture_open: bool = True
    suture_seam: float = 1.0  # of a closed one: density of its seam over the diploe's, 0 = none
    metopic: bool = False  # a persistent suture down the forehead
    # face
    brow_mm: float = 2.6
    nasal_root_mm: float = 0.0  # deeper (+) or shallower (-) nasal root
    nose_scale: float = 1.0
    frontal_sinus: float = 1.0  # 0 = absent
    inion_mm: float = 3.5
    inion_deg: float = -19.0  # polar angle of the protuberance seen from the origin
    interpupillary_mm: float = 63.0
    # individual unevenness
    uneven_skull_mm: float = 1.0
    uneven_scalp_mm: float = 0.5
    uneven_thickness: float = 0.13  # of the local thickness
    skew_mm: float = 2.0  # parallelogram-like asymmetry, signed
    bulge_mm: float = 1.5  # one-sided bulges
    midline_shift_mm: float = 0.0  # of the brain, towards the patient's right
    child: bool = False
    # pose and surroundings
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    centre_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    head_rest: bool = True
    conditions: tuple[Condition, ...] = ()


def names() -> tuple[str, ...]:
    """Names that :func:`named_spec` knows."""
    return ("adult", "small", "haematoma")


def named_spec(name: str) -> HeadSpec:
    """Return a head by name.

    Raises
    ------
    KeyError
        For a name that is not one of :func:`names`.
    """
    from entrypoint.phantoms.conditions.scalp import Haematoma

    adult = HeadSpec(yaw_deg=3.0, pitch_deg=-4.0, roll_deg=2.0, centre_mm=(4.0, -6.0, 9.0))
    table = {
        "adult": adult,
        "small": replace(
            adult,
            name="small",
            seed=2,
            length_mm=176.0,
            breadth_mm=139.0,
            scalp_mm=5.0,
            skull_mm=6.2,
            nasion_bregma_arc_mm=110.5,
            interpupillary_mm=59.0,
            brow_mm=1.6,
            nose_scale=0.92,
            frontal_sinus=0.7,
            skew_mm=-2.0,
            yaw_deg=-4.0,
            pitch_deg=5.0,
            roll_deg=-3.0,
            centre_mm=(-5.0, 3.0, -4.0),
        ),
        "haematoma": replace(
            adult,
            name="haematoma",
            seed=3,
            length_mm=198.0,
            breadth_mm=155.0,
            skull_mm=10.5,
            scalp_mm=6.2,
            frontal_sinus=1.3,
            skew_mm=2.5,
            yaw_deg=14.0,
            pitch_deg=7.0,
            roll_deg=-11.0,
            centre_mm=(10.0, -8.0, 6.0),
            conditions=(Haematoma(side="right", height_mm=9.0),),
        ),
    }
    return table[name]
