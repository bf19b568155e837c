"""Made-up plans that fill every field, for the record and the texts. Values are invented."""

from __future__ import annotations

import dataclasses

import numpy as np

from entrypoint.planning import model as m

BITS = "0123456789abcdef" * 4


def side_plan(sign: float) -> m.SidePlan:
    """One side with every field set."""
    at = np.array([sign * 29.0, 55.5, 80.25])
    inward = np.array([-0.3 * sign, -0.4, -np.sqrt(0.75)])
    return m.SidePlan(
        scalp_entry_mm=at,
        scalp_entry_sd_along_mm=0.8,
        scalp_entry_sd_across_mm=0.5,
        scalp_entry_definition_sd_along_mm=2.0,
        outer_table_mm=at + 6 * inward,
        inner_table_mm=at + 13 * inward,
        sensor_tip_mm=at + 28 * inward,
        unit_inward=inward,
        tilt_deg=0.0,
        tapes=m.Tapes(
            midline_taut_mm=110.0,
            midline_surface_mm=110.6,
            midline_chord_mm=101.7,
            midline_bone_mm=103.3,
            lateral_taut_mm=30.0,
            lateral_surface_mm=30.1,
            lateral_straight_mm=29.2,
        ),
        thickness=m.Thickness(
            scalp_mm=6.38,
            skull_mm=7.19,
            outer_table_mm=1.99,
            diploe_mm=3.75,
            inner_table_mm=1.45,
            tables_merged=False,
            scalp_sd_mm=0.3,
            skull_sd_mm=0.21,
            scalp_other_side_mm=6.1,
            thinnest_near_mm=6.6,
            slant_factor=1.0,
        ),
        clearance=m.Clearance(
            midline_scalp_mm=29.07,
            midline_outer_table_mm=27.2,
            midline_inner_table_mm=25.1,
            midline_tip_mm=20.6,
            midline_sd_mm=0.4,
            sinus_mm=14.29,
            sinus_sd_mm=0.6,
            suture_mm=9.0,
            suture_sd_mm=1.1,
            suture_definition_sd_mm=1.0,
            suture_nearest_mm=8.49,
            suture_bone_mm=8.49,
            suture_scalp_mm=10.4,
            p_suture_below_margin=0.402,
            p_behind_suture=0.004,
        ),
        drill_stop=m.DrillStop(
            start_on_scalp_mm=11.0,
            start_on_bone_mm=5.0,
            on_scalp_mm=14.57,
            on_bone_mm=8.19,
            sd_mm=0.3,
            p_start_passes_inner_table=0.0002,
        ),
        sensor=m.SensorDepth(
            below_inner_table_mm=15.0,
            from_outer_table_mm=22.19,
            from_scalp_mm=28.57,
            from_bolt_top_mm=47.2,
            half_turns=8.9,
        ),
        moved=m.MovedPoint(
            exists=True,
            midline_arc_mm=106.5,
            lateral_arc_mm=30.0,
            scalp_entry_mm=at + np.array([0.0, 3.0, 1.0]),
            suture_nearest_mm=10.1,
            midline_scalp_mm=29.0,
            sinus_mm=14.0,
            midline_arc_95_mm=103.0,
            text="a point at 10.6 cm (106 mm) would keep every margin",
        ),
        findings=(
            m.Finding(
                code="suture-margin",
                level=m.Level.CAUTION,
                text="on this scan the rule's point lies 8 mm (95 %: 5 to 11) in front of the "
                "suture",
                value=8.49,
                limit=10.0,
                source="made up",
                figures=("suture_nearest_mm",),
            ),
            m.Finding(code="frontal-sinus", level=m.Level.NOTE, text="a note comes last"),
            m.Finding(code="bone-missing", level=m.Level.STOP, text="a stop comes first"),
        ),
    )


def ct_plan(**changes: object) -> m.Plan:
    """A plan from a CT with every field set."""
    x = np.linspace(-40.0, 40.0, 9)
    plan = m.Plan(
        tool_version="0.1.0",
        input=m.InputInfo(
            kind=m.InputKind.CT,
            name="0123456789",
            sha256=BITS,
            shape=(512, 512, 300),
            voxel_mm=(0.45, 0.45, 0.6),
            world_matrix_from="sform",
        ),
        rule=m.Rule(),
        sides={m.Side.LEFT: side_plan(-1.0), m.Side.RIGHT: side_plan(1.0)},
        landmarks={
            "nasion_skin": m.Landmark(
                position_mm=np.array([0.0, 95.0, -20.0]),
                sd_mm=0.8,
                how=m.How.DETECTED,
                definition_sd_mm=2.0,
            ),
            "bregma": m.Landmark(
                position_mm=np.array([0.5, 20.0, 98.0]),
                sd_mm=1.0,
                how=m.How.GIVEN,
                moved_mm=2.41,
            ),
        },
        midsagittal_plane=m.MidsagittalPlane(
            point_mm=np.array([0.1, 0.0, 40.0]),
            unit_normal=np.array([1.0, 0.0, 0.0]),
            sd_mm=0.3,
            sd_deg=0.2,
            how=m.How.DETECTED,
        ),
        coronal_suture=m.CoronalSuture(
            how=m.How.MEASURED,
            sd_mm=1.1,
            curve_mm=np.c_[x, 20.0 + 0.004 * x**2, 98.0 - 0.005 * x**2],
            right=m.How.MEASURED,
            left=m.How.ESTIMATED,
            right_sd_mm=1.1,
            left_sd_mm=4.0,
            definition_sd_mm=1.0,
        ),
        findings=(
            m.Finding(code="sides-as-stated", level=m.Level.NOTE, text="sides as the file says"),
        ),
        looked_at=m.LookedAt(
            checked=("the suture",),
            not_checked=("vessels", "cortex"),
            could_not_be_checked=("the inion",),
        ),
        quality=m.ImageQuality(
            blur_fwhm_mm=0.9, noise_hu=21.0, slice_mm=0.6, air_hu=-998.0, soft_hu=36.0
        ),
        seed=20240501,
    )
    return dataclasses.replace(plan, **changes)  # type: ignore[arg-type]


def tape_plan(**changes: object) -> m.Plan:
    """A plan from tape measures."""
    found = m.SidePlan(
        tapes=m.Tapes(
            midline_taut_mm=110.0,
            midline_surface_mm=None,
            midline_chord_mm=None,
            midline_bone_mm=None,
            lateral_taut_mm=30.0,
            lateral_surface_mm=None,
            lateral_straight_mm=None,
        ),
        sensor=m.SensorDepth(below_inner_table_mm=15.0),
    )
    plan = m.Plan(
        tool_version="0.1.0",
        input=m.InputInfo(
            kind=m.InputKind.TAPE,
            name="fedcba9876",
            sha256=BITS[::-1],
            measures_mm={"nasion_inion_mm": 366.0},
        ),
        rule=m.Rule(),
        sides={m.Side.RIGHT: found},
        looked_at=m.LookedAt(not_checked=("the head",)),
        population=m.Population(
            bregma_arc_mm=135.2,
            bregma_arc_sd_mm=6.0,
            suture_clearance_mm=19.6,
            suture_clearance_sd_mm=7.4,
            p_suture_below_margin=0.102,
            p_behind_suture=0.004,
            cautious_midline_arc_mm=107.0,
            source="made up",
        ),
    )
    return dataclasses.replace(plan, **changes)  # type: ignore[arg-type]
