"""How far careful readers differ, and what a hand adds."""

from __future__ import annotations

from entrypoint.reference.kinds import Mark, Row
from entrypoint.reference.sources import FREEHAND, TAPE_READERS

__all__ = ["DEFINITIONS", "HAND"]

C, J = Mark.COMPUTED, Mark.JUDGEMENT
_READERS = "how far careful readers differ, one standard deviation"

# fmt: off
DEFINITIONS = (
    Row(key="nasion_deepest_offset", value=0.0, spread=3.0, mark=J,
        how_measured="deepest point of the nasal root less the frontonasal suture, along the "
        "arc, positive when the deepest point lies nearer the vertex"),
    Row(key="nasion_definition", value=0.0, spread=2.0, mark=J, how_measured=_READERS),
    Row(key="inion_definition", value=0.0, spread=5.0, mark=J, how_measured=_READERS),
    Row(key="bregma_definition", value=0.0, spread=2.0, mark=J, how_measured=_READERS),
    Row(key="suture_definition", value=0.0, spread=2.0, mark=J, how_measured=_READERS),
    Row(key="preauricular_definition", value=0.0, spread=3.0, mark=J, how_measured=_READERS),
    Row(key="vertex_definition", value=0.0, spread=5.0, mark=J, how_measured=_READERS),
    Row(key="pupil_definition", value=0.0, spread=1.0, mark=J, how_measured=_READERS),
    Row(key="plane_definition", value=0.0, spread=1.0, mark=J, how_measured=_READERS),
    Row(key="skull_definition", value=0.0, spread=0.1, mark=J, how_measured=_READERS),
    Row(key="scalp_definition", value=0.0, spread=0.3, mark=J,
        how_measured="hair and pressure of the tape, one standard deviation"),
    Row(key="tape_reading", value=0.0, spread=2.0, mark=J,
        how_measured="a length laid out by hand with a tape, one standard deviation"),
    Row(key="landmark_given", value=0.0, spread=1.0, mark=J,
        how_measured="a point given without its error, one standard deviation"),
)

HAND = (
    Row(key="hand_nasion_along", value=0.0, spread=2.0, mark=J,
        how_measured="finding the nasion with a finger, along the profile, one standard deviation"),
    Row(key="hand_nasion_sideways", value=0.0, spread=1.0, mark=J,
        how_measured="the same, sideways"),
    Row(key="hand_midline_offset", value=0.0, spread=2.0, mark=J,
        how_measured="midline judged by eye where the tape is left, one standard deviation; "
        "markers placed by hand miss it by little, without a number in the abstract (Myslobodsky "
        "MS, Bar-Ziv J, Electroencephalogr Clin Neurophysiol 1989;72(4):362-366)"),
    Row(key="hand_midline_yaw", value=0.0, spread=1.0, unit="deg", mark=J,
        how_measured="direction in which the midline tape leaves the nasion"),
    Row(key="hand_tape_share", value=0.0, spread=0.005, unit="1", mark=C, n=301,
        population="children, circumference", source=TAPE_READERS,
        how_measured="two readers 5 mm or more apart in 15.9 %: 2.5 mm for one reading of a normal "
        "error, over some 480 mm (that length from memory)"),
    Row(key="hand_tape_reading", value=0.0, spread=1.5, mark=J,
        how_measured="start held on the nasion, tape read over hair"),
    Row(key="hand_lateral_angle", value=0.0, spread=3.0, unit="deg", mark=J,
        how_measured="lateral tape against a right angle with the midline tape"),
    Row(key="hand_mark", value=0.0, spread=1.0, mark=J,
        how_measured="mark on the skin, along and across alike; skin that shifts on the bone"),
    Row(key="hand_tilt", value=0.0, spread=2.0715, unit="deg", n=55, mark=C,
        population="operators, veterinary", source=FREEHAND,
        how_measured="about each of two axes: 4 degrees over the root of -2 ln(1 - 0.845)"),
    Row(key="hand_skate", value=0.0, spread=0.5, mark=J,
        how_measured="bit slipping on the bone at the start, along and across alike; published "
        "as small beside the error of angle, without a number (Bishop E et al., Vet Rec 2019)"),
    Row(key="hand_draws", value=10000.0, unit="placements", mark=J),
    Row(key="scalp_sphere_radius", value=83.0, low=79.0, high=87.0, n=4, mark=C,
        population="adults, electrodes on the scalp",
        source="The spatial location of EEG electrodes: locating the best-fitting sphere relative "
        "to cortical anatomy, 1993",
        how_measured="middle of the range of best-fitting spheres"),
)
# fmt: on
