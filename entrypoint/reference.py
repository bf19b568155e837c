"""Published values, and judgements, as frozen rows: every clinical number has one home.

A number that is used as a default or as a limit is a row here, with where it comes from:

``S``  read in a copy of the source; ``C``  arithmetic done from such a value;
``M``  from memory; ``P``  common practice, no source; ``J``  judgement, no source.

None of it is medical advice. Lengths are mm, angles degrees, CT values HU.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from entrypoint.errors import FieldRefused

__all__ = ["ROWS", "Mark", "Row", "row", "spread", "value"]


class Mark(StrEnum):
    """What stands behind a row."""

    SOURCE = "S"
    COMPUTED = "C"
    MEMORY = "M"
    PRACTICE = "P"
    JUDGEMENT = "J"


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One value with its origin.

    Parameters
    ----------
    key : str
        Its name here.
    value : float
        The value, in ``unit``.
    spread : float or None
        Standard deviation between people (or between readers, where ``how_measured`` says so).
    low, high : float or None
        Range seen, where the source gives one.
    n : int or None
        How many were measured.
    """

    key: str
    value: float
    spread: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = "mm"
    n: int | None = None
    population: str = ""
    how_measured: str = ""
    source: str = ""
    mark: Mark = Mark.JUDGEMENT

    def cited(self) -> str:
        """Return the source, or what stands in its place, as one phrase."""
        if self.mark is Mark.JUDGEMENT:
            return (
                f"judgement, no source ({self.how_measured})"
                if self.how_measured
                else ("judgement, no source")
            )
        if self.mark is Mark.PRACTICE:
            return "common practice, no source"
        if self.mark is Mark.MEMORY:
            return f"from memory: {self.source or self.how_measured}"
        return self.source


_BREGMA = "Localization of the bregma and its clinical relevance, Anatomy 2018;12(3):135-139"
_SCALP_ARCS = "Techataweewan N et al., J Med Assoc Thai 2017;100(9):1007"
_BOW = "J Neurosurg 2013;118(3):510-513, doi 10.3171/2012.11.JNS12477"
_ANSUR = "ANSUR II; method: Gordon CC et al., NATICK/TR-15/007, 2014"
_HOWELLS = "W. W. Howells' craniometric data set"
_LIVING = "a public table of tape measures in living adults"
_SINUS_POSITION = (
    "Clin Neurol Neurosurg 2011;113(2):89-91, doi 10.1016/j.clineuro.2010.09.006; "
    "J Neurosurg 2001;94(6):985-7, doi 10.3171/jns.2001.94.6.0985"
)
_SINUS_WIDTH = "Oberman DZ et al., Surg Neurol Int 2020;11:309; PMID 20711726"
_SLOPE = "Park J et al., J Neurosurg, on calvarial slope and a perpendicular trajectory"
_MONITORING = "Intracranial pressure monitoring, Eur J Anaesthesiol 2008"
_FREEHAND = "Brioschi V et al., Vet Rec Open 2016, doi 10.1136/vetreco-2016-000172"
_TAPE_READERS = "Thakkar PA et al., J Nepal Paediatr Soc 2017, observer variability of head tapes"
_TEACHING = "textbook and teaching definitions; several rules are in use and differ"
_FRONTAL_THICK = "Vukovic M et al., Arch Ital Biol (908 MRI)"
_CALVARIA = "Moreira-Gonzalez A et al., Plast Reconstr Surg, doi 10.1097/01.prs.0000209933.78532.a7"
_SLICES = "J Forensic Radiol Imaging 2015, doi 10.1016/j.jofri.2015.10.004"
S, C, M, P, J = Mark.SOURCE, Mark.COMPUTED, Mark.MEMORY, Mark.PRACTICE, Mark.JUDGEMENT

# fmt: off
_RULE = (
    Row(key="rule_midline_arc", value=110.0, source=_TEACHING, mark=S,
        how_measured="arc on the scalp from the skin nasion, tape pulled tight"),
    Row(key="rule_lateral_arc", value=30.0, source=_TEACHING, mark=S,
        how_measured="arc on the scalp from the midline, at right angles to it"),
    Row(key="rule_midline_arc_long", value=120.0, source=_TEACHING, mark=S,
        how_measured="the same in other rules that are in use"),
    Row(key="rule_lateral_arc_short", value=25.0, source=_TEACHING, mark=S,
        how_measured="the same in other rules that are in use"),
    Row(key="rule_lateral_arc_long", value=35.0, source=_TEACHING, mark=S,
        how_measured="the same in other rules that are in use, with the longer midline arc"),
    Row(key="rule_suture_margin", value=10.0, source=_TEACHING, mark=S,
        how_measured="at least this far in front of the coronal suture"),
    Row(key="rule_midline_margin", value=10.0, mark=S,
        source="published advice: at least 10 mm lateral (cadaver study)"),
    Row(key="rule_sinus_margin", value=0.0, mark=J,
        how_measured="beyond the envelope, which is already wide"),
    Row(key="rule_sensor_depth", value=15.0, mark=P, how_measured="below the inner table"),
    Row(key="rule_drill_allowance", value=1.0, mark=J,
        how_measured="past the expected inner table, for bone dust and a rough edge"),
    Row(key="bolt_half_turns", value=9.0, unit="half turns", mark=P),
    Row(key="bolt_engagement_shortest", value=5.0, source=_MONITORING, mark=S),
    Row(key="bolt_engagement_longest", value=10.0, source=_MONITORING, mark=S),
    Row(key="tilt_limit", value=10.0, unit="deg", source=_MONITORING, mark=S),
    Row(key="tilt_freehand", value=4.0, unit="deg", n=55, population="operators, veterinary",
        how_measured="84.5 % drill within this of a right angle", source=_FREEHAND, mark=S),
)

_CRANIOMETRY = (
    Row(key="nasion_bregma_arc_bone", value=126.6, spread=7.3, low=107.0, high=139.0, n=100,
        population="adults, CT", how_measured="arc on bone", source=_BREGMA, mark=S),
    Row(key="nasion_inion_arc_bone", value=330.2, spread=15.2, low=301.0, high=356.0, n=100,
        population="adults, CT", how_measured="arc on bone", source=_BREGMA, mark=S),
    Row(key="bregma_ratio", value=0.383, unit="1", n=100, population="adults, CT",
        how_measured="nasion-bregma over nasion-inion, arcs on bone", source=_BREGMA, mark=S),
    Row(key="nasion_bregma_arc_dry", value=124.3, spread=6.9, n=72, population="dry skulls",
        how_measured="arc on bone", source=_BREGMA, mark=S),
    Row(key="nasion_inion_arc_dry", value=320.8, spread=14.4, n=72, population="dry skulls",
        how_measured="arc on bone", source=_BREGMA, mark=S),
    Row(key="scalp_minus_bone_arc", value=8.0, population="cadavers",
        how_measured="nasion-bregma arc, scalp less bone", source=_SCALP_ARCS, mark=S),
    Row(key="bregma_ratio_sd_bone", value=5.7, mark=C, source=_BREGMA,
        how_measured="spread left in nasion-bregma once nasion-inion is known: slope 0.383 with "
        "a correlation of 0.64, midway between independent parts (0.48) and full proportion "
        "(0.80)"),
    Row(key="bregma_ratio_scalp_offset_sd", value=2.8, mark=C, source=f"{_BREGMA}; {_LIVING}",
        how_measured="half of what two ways of taking the ratio to the scalp differ by"),
    Row(key="nasion_bregma_chord_men", value=111.7, spread=5.0, low=101.0, high=124.0, n=1368,
        population="modern adult crania, men", how_measured="straight chord", source=_HOWELLS,
        mark=C),
    Row(key="nasion_bregma_chord_women", value=107.0, spread=4.8, low=96.0, high=119.0, n=1156,
        population="modern adult crania, women", how_measured="straight chord", source=_HOWELLS,
        mark=C),
    *(
        Row(key=f"suture_bow_at_{lateral}", value=bow, n=15, population="cadavers", source=_BOW,
            mark=S, how_measured=f"suture in front of bregma, {lateral} mm lateral")
        for lateral, bow in ((10, 1.0), (20, 3.0), (30, 5.0), (40, 8.0), (50, 10.0), (60, 14.0))
    ),
    Row(key="suture_bow_sd", value=2.0, mark=J, how_measured="spread of the bow between heads"),
    Row(key="calvarial_slope", value=24.2, spread=3.1, low=15.6, high=32.5, unit="deg", n=104,
        population="sides", how_measured="coronal plane, at the point", source=_SLOPE, mark=S),
    Row(key="scalp_radius_lateral", value=73.0, mark=C, source=_SLOPE,
        how_measured="30 mm over the sine of the slope"),
    Row(key="landmark_model_along", value=5.5, mark=C, n=60, population="scalps that are known",
        source="measured on the fsaverage-head surface (mne, BSD-3), ellipsoids and phantoms",
        how_measured="own error of a scalp modelled from landmarks, along the midline; root mean "
        "square 2.8 on the first, 5.6 on ellipsoids, 2.5 to 5.5 on phantoms"),
    Row(key="landmark_model_across", value=2.5, mark=C, n=60, population="scalps that are known",
        source="measured on the fsaverage-head surface (mne, BSD-3), ellipsoids and phantoms",
        how_measured="the same, across the midline; root mean square 2.5 on phantoms"),
    Row(key="bone_radius", value=75.0, mark=J,
        how_measured="to turn a short chord on bone into an arc; 0.1 mm at 25 mm"),
)

_SIZE = (
    Row(key="nasion_inion_scalp", value=366.0, spread=17.5, low=310.0, high=420.0, n=654,
        population="living adults", how_measured="tape over the vertex", source=_LIVING, mark=C),
    Row(key="nasion_inion_refused_below", value=200.0, mark=J, how_measured="less than a newborn"),
    Row(key="nasion_inion_refused_above", value=480.0, mark=J, how_measured="beyond any adult"),
    Row(key="tragus_tragus_scalp", value=350.0, spread=15.0, low=290.0, high=410.0,
        how_measured="tape over the vertex, living adults; wide bounds", mark=M),
    Row(key="tragus_tragus_refused_below", value=180.0, mark=J),
    Row(key="tragus_tragus_refused_above", value=480.0, mark=J),
    Row(key="circumference_men", value=574.4, spread=16.1, low=516.0, high=633.0, n=4082,
        population="men", how_measured="tape", source=_ANSUR, mark=C),
    Row(key="circumference_women", value=561.1, spread=19.4, low=500.0, high=635.0, n=1986,
        population="women", how_measured="tape", source=_ANSUR, mark=C),
    Row(key="circumference_refused_below", value=300.0, mark=J),
    Row(key="circumference_refused_above", value=750.0, mark=J),
    Row(key="head_length_men", value=199.5, spread=7.0, low=172.0, high=225.0, n=4082,
        population="men", how_measured="spreading caliper", source=_ANSUR, mark=C),
    Row(key="head_length_women", value=189.8, spread=7.5, low=168.0, high=215.0, n=1986,
        population="women", how_measured="spreading caliper", source=_ANSUR, mark=C),
    Row(key="head_breadth_men", value=154.3, spread=5.5, low=135.0, high=180.0, n=4082,
        population="men", how_measured="spreading caliper", source=_ANSUR, mark=C),
    Row(key="head_breadth_women", value=147.8, spread=5.2, low=131.0, high=167.0, n=1986,
        population="women", how_measured="spreading caliper", source=_ANSUR, mark=C),
    Row(key="interpupillary_men", value=64.0, spread=3.4, low=51.0, high=77.0, n=4082,
        population="men", how_measured="pupillometer", source=_ANSUR, mark=C),
    Row(key="interpupillary_women", value=61.7, spread=3.6, low=51.0, high=77.0, n=1986,
        population="women", how_measured="pupillometer", source=_ANSUR, mark=C),
    Row(key="interpupillary_refused_below", value=35.0, mark=J),
    Row(key="interpupillary_refused_above", value=90.0, mark=J),
)

_TISSUE = (
    Row(key="skull_frontal", value=6.32, low=4.0, high=14.0, n=281, population="dry skulls",
        how_measured="calvaria, mean over sites 5.3 to 7.5", source=_CALVARIA, mark=S),
    Row(key="skull_thin_limit", value=4.0, mark=J, how_measured="thinner than most adults"),
    Row(key="skull_thick_limit", value=10.0, n=908, population="adults",
        how_measured="frontal bone of 10 mm or more in 8.1 %, 16.4 % of women over 65",
        source=_FRONTAL_THICK, mark=S),
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
        source=_FREEHAND, mark=S),
    Row(key="bone_missing_radius", value=8.0, mark=J, how_measured="around the path"),
    Row(key="slice_limit", value=1.25, source=_SLICES, mark=S,
        how_measured="slices for skull models"),
    Row(key="slice_thick_limit", value=2.5, mark=J, how_measured="beyond it errors are wide"),
    Row(key="blur_limit", value=3.4, mark=J,
        how_measured="full width of the blur along a path; beyond it no thickness is given"),
)

_SINUS = (
    Row(key="sinus_half_width_right", value=11.0, n=80, population="cadavers",
        how_measured="envelope on the patient's right: greatest displacement seen, 10 and 11 mm",
        source=_SINUS_POSITION, mark=S),
    Row(key="sinus_half_width_left", value=6.0, n=76, population="adults, MRI",
        how_measured="envelope on the patient's left: half the mean width and one spread of it",
        source=_SINUS_WIDTH, mark=C),
    Row(key="sinus_width_bregma", value=6.5, spread=2.8, n=76, population="adults, MRI",
        source=_SINUS_WIDTH, mark=S),
    Row(key="sinus_width_half_way", value=5.6, spread=2.5, population="adults, MRI",
        how_measured="halfway between nasion and bregma", source=_SINUS_WIDTH, mark=S),
    Row(key="sinus_shift_right", value=3.5, population="cadavers",
        how_measured="lies right of the suture in 54 % at bregma", source=_SINUS_POSITION, mark=S),
    Row(key="sinus_envelope_sd", value=1.4, mark=C, source=_SINUS_WIDTH,
        how_measured="half of the spread of its width"),
    Row(key="sinus_cautious_bound", value=17.0, mark=C,
        source=f"{_SINUS_POSITION}; {_SINUS_WIDTH}",
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

_READERS = "how far careful readers differ, one standard deviation"
_DEFINITIONS = (
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

_HAND = (
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
        population="children, circumference", source=_TAPE_READERS,
        how_measured="two readers 5 mm or more apart in 15.9 %: 2.5 mm for one reading of a normal "
        "error, over some 480 mm (that length from memory)"),
    Row(key="hand_tape_reading", value=0.0, spread=1.5, mark=J,
        how_measured="start held on the nasion, tape read over hair"),
    Row(key="hand_lateral_angle", value=0.0, spread=3.0, unit="deg", mark=J,
        how_measured="lateral tape against a right angle with the midline tape"),
    Row(key="hand_mark", value=0.0, spread=1.0, mark=J,
        how_measured="mark on the skin, along and across alike; skin that shifts on the bone"),
    Row(key="hand_tilt", value=0.0, spread=2.0715, unit="deg", n=55, mark=C,
        population="operators, veterinary", source=_FREEHAND,
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

_LIMITS = (
    Row(key="foremost_arc", value=90.0, mark=J, how_measured="no point in front of it is offered"),
    Row(key="farthest_lateral_arc", value=50.0, mark=J,
        how_measured="no point farther lateral is offered"),
    Row(key="probability_caution", value=0.20, unit="1", mark=J),
    Row(key="probability_kept", value=0.95, unit="1", mark=J,
        how_measured="for the cautious alternative"),
    Row(key="landmark_note", value=2.0, mark=J, how_measured="given point moved to its surface"),
    Row(key="landmark_caution", value=5.0, mark=J,
        how_measured="given point moved to its surface"),
    Row(key="landmark_refused", value=10.0, mark=J,
        how_measured="given point moved to its surface"),
    Row(key="given_detected_caution", value=5.0, mark=J,
        how_measured="given landmark against the detected one, along the surface"),
    Row(key="given_detected_stop", value=10.0, mark=J,
        how_measured="given landmark against the detected one, along the surface"),
    Row(key="nasion_hollow_limit", value=1.0, mark=J,
        how_measured="a shallower nasal root makes the nasion doubtful"),
    Row(key="plane_sd_caution", value=1.5, mark=J, how_measured="standard deviation of the plane"),
    Row(key="plane_sd_deg_caution", value=1.5, unit="deg", mark=J,
        how_measured="standard deviation of the plane"),
    Row(key="swelling_limit", value=4.0, mark=J, how_measured="scalp against the other side"),
    Row(key="asymmetry_limit", value=6.0, mark=J,
        how_measured="one side against the other, outer surface; 2 to 4 mm are usual"),
    Row(key="noise_limit", value=40.0, unit="HU", mark=J),
    Row(key="contrast_limit", value=300.0, unit="HU", mark=J,
        how_measured="bone less soft tissue, peak along the path"),
    Row(key="matrices_limit", value=0.5, mark=J, how_measured="corner of the volume"),
    Row(key="past_inner_table", value=3.0, mark=J, how_measured="in rehearsal"),
    Row(key="lateral_reach", value=100.0, mark=J,
        how_measured="surface over which the lateral tape is held"),
    Row(key="normal_radius", value=10.0, mark=J, how_measured="outer table around the foot"),
    Row(key="tape_direction_span", value=10.0, mark=J,
        how_measured="over which the direction of the tape is read"),
)

_RADIOLOGY = "radiology tables of CT values"
_CORRIDOR = (
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
        ("corridor_air_in_bone_hu", -150.0, "HU", "between tables, whose blur lifts it"),
        ("corridor_calcified_hu", 180.0, "HU", "beyond what any blood reaches"),
        ("ventricle_least_volume", 1.0, "ml", "fluid-dense space, to pass for a ventricle"),
        ("ventricle_deeper_than", 14.0, "mm", "from bone; nearer fluid is that of the surface"),
        ("ventricle_near_note", 10.0, "mm", "from the sensor's tip"),
        ("ventricle_near_caution", 5.0, "mm", "from the sensor's tip"),
    )),
    Row(key="brain_hu", value=31.0, low=20.0, high=45.0, unit="HU", source=_RADIOLOGY, mark=S,
        how_measured="white matter 20 to 30, grey 37 to 45"),
    Row(key="fluid_hu", value=15.0, unit="HU", source=_RADIOLOGY, mark=S,
        how_measured="cerebrospinal fluid"),
    Row(key="clot_hu", value=65.0, low=40.0, high=90.0, unit="HU", source=_RADIOLOGY, mark=S),
)

_ALL = (_RULE, _CRANIOMETRY, _SIZE, _TISSUE, _SINUS, _DEFINITIONS, _HAND, _LIMITS, _CORRIDOR)
# fmt: on
ROWS: Mapping[str, Row] = MappingProxyType({r.key: r for rows in _ALL for r in rows})


def row(key: str) -> Row:
    """Return the row of that name.

    Raises
    ------
    FieldRefused
        There is no such row.

    Examples
    --------
    >>> row("rule_midline_arc").value
    110.0
    >>> row("rule_midline")
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: No reference row is called 'rule_midline'; expected ...
    """
    found = ROWS.get(key)
    if found is None:
        near = sorted(k for k in ROWS if key.split("_")[0] in k)[:5] or sorted(ROWS)[:5]
        raise FieldRefused(
            found=f"no reference row is called {key!r}",
            expected="one of the names in entrypoint.reference.ROWS",
            next_step=f"try one of {', '.join(near)}",
        )
    return found


def value(key: str) -> float:
    """Return the value of a row."""
    return row(key).value


def spread(key: str) -> float:
    """Return the standard deviation of a row.

    Raises
    ------
    FieldRefused
        The row has none.
    """
    found = row(key).spread
    if found is None:
        raise FieldRefused(
            found=f"the reference row {key!r} has no spread",
            expected="a row with a standard deviation",
            next_step="use its value, or another row",
        )
    return found
