"""Rules in use, what is asked of them, and the limits of findings."""

from __future__ import annotations

from entrypoint.reference.kinds import Mark, Row
from entrypoint.reference.sources import FREEHAND, MONITORING, TEACHING

__all__ = ["LIMITS", "RULE"]

S, P, J = Mark.SOURCE, Mark.PRACTICE, Mark.JUDGEMENT

# fmt: off
RULE = (
    Row(key="rule_midline_arc", value=110.0, source=TEACHING, mark=S,
        how_measured="arc on the scalp from the skin nasion, tape pulled tight"),
    Row(key="rule_lateral_arc", value=30.0, source=TEACHING, mark=S,
        how_measured="arc on the scalp from the midline, at right angles to it"),
    Row(key="rule_midline_arc_long", value=120.0, source=TEACHING, mark=S,
        how_measured="the same in other rules that are in use"),
    Row(key="rule_lateral_arc_short", value=25.0, source=TEACHING, mark=S,
        how_measured="the same in other rules that are in use"),
    Row(key="rule_lateral_arc_long", value=35.0, source=TEACHING, mark=S,
        how_measured="the same in other rules that are in use, with the longer midline arc"),
    Row(key="rule_suture_margin", value=10.0, source=TEACHING, mark=S,
        how_measured="at least this far in front of the coronal suture"),
    Row(key="rule_midline_margin", value=10.0, mark=S,
        source="published advice: at least 10 mm lateral (cadaver study)"),
    Row(key="rule_sinus_margin", value=0.0, mark=J,
        how_measured="beyond the envelope, which is already wide"),
    Row(key="rule_sensor_depth", value=15.0, mark=P, how_measured="below the inner table"),
    Row(key="rule_drill_allowance", value=1.0, mark=J,
        how_measured="past the expected inner table, for bone dust and a rough edge"),
    Row(key="bolt_half_turns", value=9.0, unit="half turns", mark=P),
    Row(key="bolt_engagement_shortest", value=5.0, source=MONITORING, mark=S),
    Row(key="bolt_engagement_longest", value=10.0, source=MONITORING, mark=S),
    Row(key="preferred_side", value=1.0, unit="1", mark=P,
        how_measured="1 is the patient's right, taken for the non-dominant side"),
    Row(key="tilt_limit", value=10.0, unit="deg", source=MONITORING, mark=S),
    Row(key="tilt_freehand", value=4.0, unit="deg", n=55, population="operators, veterinary",
        how_measured="84.5 % drill within this of a right angle", source=FREEHAND, mark=S),
)

LIMITS = (
    Row(key="foremost_arc", value=90.0, mark=J, how_measured="no point in front of it is offered"),
    Row(key="farthest_lateral_arc", value=50.0, mark=J,
        how_measured="no point farther lateral is offered"),
    Row(key="probability_caution", value=0.20, unit="1", mark=J),
    Row(key="probability_kept", value=0.95, unit="1", mark=J,
        how_measured="for the cautious alternative"),
    Row(key="comparison_odds", value=0.05, unit="1", mark=J,
        how_measured="a smaller difference between the odds of two sides is not spoken of"),
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
    Row(key="after_skulls_apart", value=1.2, mark=J,
        how_measured="outer tables of two scans of one head, three quarters lie nearer; 0.4 mm on "
        "phantoms, 2 mm and more for two heads"),
    Row(key="after_place_limit", value=5.0, mark=J,
        how_measured="where a placed path meets the skull, against the planned one"),
    Row(key="after_turn_limit", value=10.0, unit="deg", mark=J,
        how_measured="direction of a placed path against the planned one"),
    Row(key="after_depth_limit", value=3.0, mark=J,
        how_measured="depth of a placed tip against the planned one"),
    Row(key="after_bent_limit", value=2.5, mark=J,
        how_measured="tip of a placed sensor off the bolt's axis"),
    Row(key="past_inner_table", value=3.0, mark=J, how_measured="in rehearsal"),
    Row(key="lateral_reach", value=100.0, mark=J,
        how_measured="surface over which the lateral tape is held"),
    Row(key="normal_radius", value=10.0, mark=J, how_measured="outer table around the foot"),
    Row(key="tape_direction_span", value=10.0, mark=J,
        how_measured="over which the direction of the tape is read"),
)
# fmt: on
