"""Scalp, skull, sinus, and what a scan shows under the bone."""

from __future__ import annotations

from entrypoint.reference.kinds import Mark, Row
from entrypoint.reference.sources import (
    CALVARIA,
    FREEHAND,
    FRONTAL_THICK,
    RADIOLOGY,
    SINUS_POSITION,
    SINUS_WIDTH,
    SLICES,
)

__all__ = ["CORRIDOR", "SINUS", "TISSUE"]

S, C, M, J = Mark.SOURCE, Mark.COMPUTED, Mark.MEMORY, Mark.JUDGEMENT

# fmt: off
TISSUE = (
    Row(key="skull_frontal", value=6.32, low=4.0, high=14.0, n=281, population="dry skulls",
        how_measured="calvaria, mean over sites 5.3 to 7.5", source=CALVARIA, mark=S),
    Row(key="skull_thin_limit", value=4.0, mark=J, how_measured="thinner than most adults"),
    Row(key="suture_reach", value=3.0, mark=J,
        how_measured="half a suture's gap, its bevelled edges and its wandering, along the bone"),
    Row(key="thickness_sd_caution", value=1.0, mark=J,
        how_measured="standard deviation of the skull along a path; over it, it is told"),
    Row(key="skull_thick_limit", value=10.0, n=908, population="adults",
        how_measured="frontal bone of 10 mm or more in 8.1 %, 16.4 % of women over 65",
        source=FRONTAL_THICK, mark=S),
    Row(key="skull_child_limit", value=3.0, mark=J, how_measured="thinner suggests a child"),
    Row(key="vault_child_limit", value=4.2, mark=J,
        how_measured="median of the vault; thinner in a short head suggests a child"),
    Row(key="scalp_frontal", value=6.0, low=3.0, high=10.0, mark=M,
        how_measured="scalp at the frontal point 5 to 7 mm, seen 3 to 10"),
    Row(key="scalp_stop_limit", value=10.0, mark=J,
        how_measured="no stop that seats on scalp over a thicker one"),
    Row(key="scalp_sides_limit", value=3.0, mark=J,
        how_measured="difference between the sides, no stop that seats on scalp"),
    Row(key="stop_quantile", value=0.99, unit="1", mark=J, how_measured="one-sided lower bound"),
    Row(key="stop_reserve", value=1.0, mark=J, how_measured="taken off the lower bound"),
    Row(key="stop_near_radius", value=5.0, mark=J, how_measured="around the entry"),
    Row(key="stop_near_tilt", value=4.0, unit="deg", n=55, population="operators, veterinary",
        source=FREEHAND, mark=S),
    Row(key="bone_missing_radius", value=8.0, mark=J, how_measured="around the path"),
    Row(key="slice_limit", value=1.25, source=SLICES, mark=S,
        how_measured="slices for skull models"),
    Row(key="slice_thick_limit", value=2.5, mark=J, how_measured="beyond it errors are wide"),
    Row(key="blur_limit", value=3.8, mark=J,
        how_measured="full width of the blur along a path; beyond it no thickness is given"),
)

SINUS = (
    Row(key="sinus_half_width_right", value=11.0, n=80, population="cadavers",
        how_measured="envelope on the patient's right: greatest displacement seen, 10 and 11 mm",
        source=SINUS_POSITION, mark=S),
    Row(key="sinus_half_width_left", value=6.0, n=76, population="adults, MRI",
        how_measured="envelope on the patient's left: half the mean width and one spread of it",
        source=SINUS_WIDTH, mark=C),
    Row(key="sinus_width_bregma", value=6.5, spread=2.8, n=76, population="adults, MRI",
        source=SINUS_WIDTH, mark=S),
    Row(key="sinus_width_half_way", value=5.6, spread=2.5, population="adults, MRI",
        how_measured="halfway between nasion and bregma", source=SINUS_WIDTH, mark=S),
    Row(key="sinus_shift_right", value=3.5, population="cadavers",
        how_measured="lies right of the suture in 54 % at bregma", source=SINUS_POSITION, mark=S),
    Row(key="sinus_envelope_sd", value=1.4, mark=C, source=SINUS_WIDTH,
        how_measured="half of the spread of its width"),
    Row(key="sinus_cautious_bound", value=17.0, mark=C,
        source=f"{SINUS_POSITION}; {SINUS_WIDTH}",
        how_measured="11 mm displacement and 6 mm half-width; a synthesis, not a guideline"),
    Row(key="sinus_lacunae_bound", value=20.0, mark=S,
        source="anatomical dictionary; cadaver study",
        how_measured="lateral lacunae in the very old"),
    Row(key="sinus_reach_inside", value=10.0, mark=J,
        how_measured="how far inside the inner table the path is compared with the envelope"),
    Row(key="motor_strip_behind_bregma", value=47.8, spread=5.9, n=71, population="adults, CT",
        how_measured="bregma to central sulcus", mark=S,
        source="Oberman DZ et al., Turk Neurosurg, doi 10.5137/1019-5149.JTN.21145-17.1"),
)

CORRIDOR = (
    *(Row(key=k, value=v, unit=u, how_measured=h, mark=J) for k, v, u, h in (
        ("corridor_radius_bone", 5.0, "mm", "round the path, to 6 mm below the inner table"),
        ("corridor_radius_inside", 3.0, "mm", "round the path, deeper"),
        ("corridor_beyond_tip", 10.0, "mm", "along the path"),
        ("corridor_layer_radius", 12.0, "mm", "disc over which a layer under the bone is read"),
        ("corridor_swelling_limit", 2.3, "mm", "scalp round the path against the other side"),
        ("corridor_sure", 4.0, "1", "standard deviations of the scan's own noise"),
        ("corridor_denser", 14.0, "HU", "mean over a disc, above brain of the same scan"),
        ("corridor_denser_sides", 10.0, "HU", "above the same place on the other side"),
        ("corridor_fluid_note", 0.9, "mm", "fluid under the bone, deeper than on the other side"),
        ("corridor_fluid_caution", 2.5, "mm", "the same"),
        ("corridor_fluid_deep", 6.0, "mm", "fluid under the bone of both sides"),
        ("corridor_air_hu", -350.0, "HU", "well below fat with its noise"),
        ("corridor_air_in_bone_hu", -250.0, "HU", "between tables, below any porous diploe"),
        ("corridor_calcified_hu", 180.0, "HU", "beyond what any blood reaches"),
        ("ventricle_least_volume", 1.0, "ml", "fluid-dense space, to pass for a ventricle"),
        ("ventricle_deeper_than", 14.0, "mm", "from bone; nearer fluid is that of the surface"),
        ("ventricle_near_note", 10.0, "mm", "from the sensor's tip"),
        ("ventricle_near_caution", 5.0, "mm", "from the sensor's tip"),
    )),
    Row(key="brain_hu", value=31.0, low=20.0, high=45.0, unit="HU", source=RADIOLOGY, mark=S,
        how_measured="white matter 20 to 30, grey 37 to 45"),
    Row(key="fluid_hu", value=15.0, unit="HU", source=RADIOLOGY, mark=S,
        how_measured="cerebrospinal fluid"),
    Row(key="clot_hu", value=65.0, low=40.0, high=90.0, unit="HU", source=RADIOLOGY, mark=S),
)
# fmt: on
