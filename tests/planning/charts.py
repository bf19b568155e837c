"""Charts of heads with closed forms: two concentric shells round a sphere, in any pose.

Nothing of the package works them out: places follow from sines and cosines alone.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from entrypoint.planning import model as m
from entrypoint.planning.site_chart import SiteChart
from entrypoint.reference import value
from tests.report.plans import ct_plan

SCALP_MM, SKULL_MM, SENSOR_MM = 6.0, 7.0, 15.0
SUTURE_ARC_MM = 125.0  # of the tape, straight across


def axes_of(side, turn=None):
    """Towards the nasion, backwards, and away from the midline on the named side."""
    away = 1.0 if side is m.Side.RIGHT else -1.0
    frame = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [away, 0.0, 0.0]])
    return frame if turn is None else frame @ turn.T


def directions(midline_arc_mm, lateral_arc_mm, radius_mm, side, turn=None):
    """Outward, along and across on a sphere, each (..., 3)."""
    s, u = np.asarray(midline_arc_mm) / radius_mm, np.asarray(lateral_arc_mm) / radius_mm
    s, u = np.broadcast_arrays(s, u)
    none = np.zeros_like(s)
    axes = axes_of(side, turn)
    out = np.stack([np.cos(u) * np.cos(s), np.cos(u) * np.sin(s), np.sin(u)], axis=-1)
    along = np.stack([-np.sin(s), np.cos(s), none], axis=-1)
    across = np.stack([-np.sin(u) * np.cos(s), -np.sin(u) * np.sin(s), np.cos(u)], axis=-1)
    return out @ axes, along @ axes, across @ axes


def sphere_chart(side=m.Side.RIGHT, *, radius_mm=None, turn=None, rows=(80, 140), columns=(15, 50),
                 skull=lambda s, u: SKULL_MM + 0.0 * s):  # fmt: skip
    """A chart of concentric shells; ``skull`` may vary along the outer table."""
    r = value("scalp_sphere_radius") if radius_mm is None else radius_mm
    s_axis = np.arange(rows[0], rows[1] + 0.5, 1.0)
    u_axis = np.arange(columns[0], columns[1] + 0.5, 1.0)
    s, u = np.meshgrid(s_axis, u_axis, indexing="ij")
    out, along, across = directions(s, u, r, side, turn)
    bone = r - SCALP_MM
    thick = skull(s, u)
    half = value(f"sinus_half_width_{side.value}")
    lift = np.sin(u / r)
    deepest = bone - thick - value("sinus_reach_inside")
    none = np.full(s.shape, np.nan)
    return SiteChart(
        side=side,
        midline_arc_mm=s_axis,
        lateral_arc_mm=u_axis,
        scalp_entry_mm=r * out,
        outer_table_mm=bone * out,
        unit_inward=-out,
        unit_along=along,
        unit_across=across,
        scalp_mm=np.full(s.shape, SCALP_MM),
        skull_mm=thick,
        outer_layer_mm=none,
        diploe_mm=none,
        inner_layer_mm=none,
        slope_deg=np.degrees(u / r),
        midline_scalp_mm=r * lift,
        midline_inner_table_mm=(bone - thick) * lift,
        midline_tip_mm=(bone - thick - SENSOR_MM) * lift,
        sinus_mm=deepest * lift - half,
        suture_nearest_mm=SUTURE_ARC_MM - s,
        no_sound_bone=np.zeros(s.shape, dtype=bool),
        scalp_sd_mm=0.0,
        skull_sd_mm=0.0,
    )


def sphere_plan(side=m.Side.RIGHT, *, turn=None, lateral_arc_mm=30.0, rule=None, seat=m.Seat.BONE,
                **spreads):  # fmt: skip
    """A plan on those shells, square, without any spread but those that are named."""
    r = value("scalp_sphere_radius")
    whole = ct_plan()
    out, _, _ = directions(110.0, lateral_arc_mm, r, side, turn)
    inner = r - SCALP_MM - SKULL_MM
    lift = np.sin(lateral_arc_mm / r)
    plan_side = m.SidePlan(
        scalp_entry_mm=r * out,
        scalp_entry_sd_along_mm=spreads.get("along", 0.0),
        scalp_entry_sd_across_mm=spreads.get("across", 0.0),
        outer_table_mm=(r - SCALP_MM) * out,
        inner_table_mm=inner * out,
        sensor_tip_mm=(inner - SENSOR_MM) * out,
        unit_inward=-out,
        tilt_deg=0.0,
        tapes=dataclasses.replace(
            whole.sides[side].tapes, midline_taut_mm=110.0, lateral_taut_mm=lateral_arc_mm
        ),
        thickness=m.Thickness(
            scalp_mm=SCALP_MM, skull_mm=SKULL_MM, scalp_sd_mm=spreads.get("scalp", 0.0),
            skull_sd_mm=spreads.get("skull", 0.0),
        ),
        clearance=m.Clearance(
            midline_scalp_mm=r * lift, midline_sd_mm=spreads.get("midline", 0.0),
            sinus_mm=(inner - value("sinus_reach_inside")) * lift
            - value(f"sinus_half_width_{side.value}"),
            sinus_sd_mm=spreads.get("midline", 0.0), suture_mm=SUTURE_ARC_MM - 110.0,
            suture_nearest_mm=SUTURE_ARC_MM - 110.0, suture_sd_mm=spreads.get("suture", 0.0),
            suture_definition_sd_mm=spreads.get("readers", 0.0),
        ),
        drill_stop=m.DrillStop(
            start_on_bone_mm=5.0, start_on_scalp_mm=11.0, on_bone_mm=SKULL_MM + 1.0,
            on_scalp_mm=SCALP_MM + SKULL_MM + 1.0,
        ),
        sensor=m.SensorDepth(
            below_inner_table_mm=SENSOR_MM, from_outer_table_mm=SKULL_MM + SENSOR_MM
        ),
    )  # fmt: skip
    normal = np.array([1.0, 0.0, 0.0])
    return dataclasses.replace(
        whole,
        rule=rule or m.Rule(lateral_arc_mm=lateral_arc_mm, stop_seats_on=seat),
        sides={side: plan_side},
        midsagittal_plane=m.MidsagittalPlane(
            point_mm=np.zeros(3), unit_normal=normal if turn is None else turn @ normal,
            sd_mm=0.0, sd_deg=0.0, how=m.How.DETECTED,
        ),
    )  # fmt: skip
