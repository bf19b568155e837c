"""Heads of published series: landmarks on bone and scalp, sizes."""

from __future__ import annotations

from entrypoint.reference.kinds import Mark, Row
from entrypoint.reference.sources import ANSUR, BOW, BREGMA, HOWELLS, LIVING, SCALP_ARCS, SLOPE

__all__ = ["CRANIOMETRY", "SIZE"]

S, C, M, J = Mark.SOURCE, Mark.COMPUTED, Mark.MEMORY, Mark.JUDGEMENT

# fmt: off
CRANIOMETRY = (
    Row(key="nasion_bregma_arc_bone", value=126.6, spread=7.3, low=107.0, high=139.0, n=100,
        population="adults, CT", how_measured="arc on bone", source=BREGMA, mark=S),
    Row(key="nasion_inion_arc_bone", value=330.2, spread=15.2, low=301.0, high=356.0, n=100,
        population="adults, CT", how_measured="arc on bone", source=BREGMA, mark=S),
    Row(key="bregma_ratio", value=0.383, unit="1", n=100, population="adults, CT",
        how_measured="nasion-bregma over nasion-inion, arcs on bone", source=BREGMA, mark=S),
    Row(key="nasion_bregma_arc_dry", value=124.3, spread=6.9, n=72, population="dry skulls",
        how_measured="arc on bone", source=BREGMA, mark=S),
    Row(key="nasion_inion_arc_dry", value=320.8, spread=14.4, n=72, population="dry skulls",
        how_measured="arc on bone", source=BREGMA, mark=S),
    Row(key="scalp_minus_bone_arc", value=8.0, population="cadavers",
        how_measured="nasion-bregma arc, scalp less bone", source=SCALP_ARCS, mark=S),
    Row(key="bregma_ratio_sd_bone", value=5.7, mark=C, source=BREGMA,
        how_measured="spread left in nasion-bregma once nasion-inion is known: slope 0.383 with "
        "a correlation of 0.64, midway between independent parts (0.48) and full proportion "
        "(0.80)"),
    Row(key="bregma_ratio_scalp_offset_sd", value=2.8, mark=C, source=f"{BREGMA}; {LIVING}",
        how_measured="half of what two ways of taking the ratio to the scalp differ by"),
    Row(key="nasion_bregma_chord_men", value=111.7, spread=5.0, low=101.0, high=124.0, n=1368,
        population="modern adult crania, men", how_measured="straight chord", source=HOWELLS,
        mark=C),
    Row(key="nasion_bregma_chord_women", value=107.0, spread=4.8, low=96.0, high=119.0, n=1156,
        population="modern adult crania, women", how_measured="straight chord", source=HOWELLS,
        mark=C),
    *(
        Row(key=f"suture_bow_at_{lateral}", value=bow, n=15, population="cadavers", source=BOW,
            mark=S, how_measured=f"suture in front of bregma, {lateral} mm lateral")
        for lateral, bow in ((10, 1.0), (20, 3.0), (30, 5.0), (40, 8.0), (50, 10.0), (60, 14.0))
    ),
    Row(key="suture_bow_sd", value=2.0, mark=J, how_measured="spread of the bow between heads"),
    Row(key="calvarial_slope", value=24.2, spread=3.1, low=15.6, high=32.5, unit="deg", n=104,
        population="sides", how_measured="coronal plane, at the point", source=SLOPE, mark=S),
    Row(key="scalp_radius_lateral", value=73.0, mark=C, source=SLOPE,
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

SIZE = (
    Row(key="nasion_inion_scalp", value=366.0, spread=17.5, low=310.0, high=420.0, n=654,
        population="living adults", how_measured="tape over the vertex", source=LIVING, mark=C),
    Row(key="nasion_inion_refused_below", value=200.0, mark=J, how_measured="less than a newborn"),
    Row(key="nasion_inion_refused_above", value=480.0, mark=J, how_measured="beyond any adult"),
    Row(key="tragus_tragus_scalp", value=350.0, spread=15.0, low=290.0, high=410.0,
        how_measured="tape over the vertex, living adults; wide bounds", mark=M),
    Row(key="tragus_tragus_refused_below", value=180.0, mark=J),
    Row(key="tragus_tragus_refused_above", value=480.0, mark=J),
    Row(key="circumference_men", value=574.4, spread=16.1, low=516.0, high=633.0, n=4082,
        population="men", how_measured="tape", source=ANSUR, mark=C),
    Row(key="circumference_women", value=561.1, spread=19.4, low=500.0, high=635.0, n=1986,
        population="women", how_measured="tape", source=ANSUR, mark=C),
    Row(key="circumference_refused_below", value=300.0, mark=J),
    Row(key="circumference_refused_above", value=750.0, mark=J),
    Row(key="head_length_men", value=199.5, spread=7.0, low=172.0, high=225.0, n=4082,
        population="men", how_measured="spreading caliper", source=ANSUR, mark=C),
    Row(key="head_length_women", value=189.8, spread=7.5, low=168.0, high=215.0, n=1986,
        population="women", how_measured="spreading caliper", source=ANSUR, mark=C),
    Row(key="head_breadth_men", value=154.3, spread=5.5, low=135.0, high=180.0, n=4082,
        population="men", how_measured="spreading caliper", source=ANSUR, mark=C),
    Row(key="head_breadth_women", value=147.8, spread=5.2, low=131.0, high=167.0, n=1986,
        population="women", how_measured="spreading caliper", source=ANSUR, mark=C),
    Row(key="interpupillary_men", value=64.0, spread=3.4, low=51.0, high=77.0, n=4082,
        population="men", how_measured="pupillometer", source=ANSUR, mark=C),
    Row(key="interpupillary_women", value=61.7, spread=3.6, low=51.0, high=77.0, n=1986,
        population="women", how_measured="pupillometer", source=ANSUR, mark=C),
    Row(key="interpupillary_refused_below", value=35.0, mark=J),
    Row(key="interpupillary_refused_above", value=90.0, mark=J),
)
# fmt: on
