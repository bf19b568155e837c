"""Rows of an accuracy run, made up: honest errors, in which single flaws are then planted."""

from __future__ import annotations

import numpy as np

SDS = {"along": 0.4, "across": 0.2, "scalp": 0.08, "skull": 0.06, "midline": 0.2, "suture": 0.4}


def a_side(rng):
    error = {name: float(sd * rng.standard_normal()) for name, sd in SDS.items()}
    side = {f"{name}_mm": e for name, e in error.items()}
    side |= {f"{name}_sd_mm": sd for name, sd in SDS.items()}
    side |= {
        "entry_mm": float(np.hypot(error["along"], error["across"])),
        "suture_nearest_mm": error["suture"],
        "suture_how": "measured",
        "true_skull_mm": 7.0,
        "angle_deg": 0.2,
        "midline_definition_sd_mm": 1.0,
        "suture_definition_sd_mm": 2.8,
        "start_on_bone_mm": 5.0,
        "said": [],
    }
    return side


def a_row(seed, slice_mm=1.0, conditions=()):
    rng = np.random.default_rng(seed)
    true_side = {
        "scalp_mm": 6.0, "skull_mm": 7.0, "thinnest_mm": 6.8, "midline_mm": 29.0,
        "suture_mm": 25.0, "sinus_mm": 12.0, "air_mm": None, "bone_gap_mm": None, "in_view": True,
    }  # fmt: skip
    row = {
        "seed": seed, "voxel_mm": 0.5, "slice_mm": slice_mm, "noise_hu": 20.0,
        "pose_deg": float(rng.uniform(0.0, 25.0)), "length_mm": float(rng.normal(195.0, 7.0)),
        "conditions": list(conditions), "voxels": 8_000_000, "plan_s": 1.0, "made_s": 9.0,
        "true": {
            "child": False, "asymmetry_mm": 3.0, "nominal_skull_mm": 7.0, "nasion_hollow_mm": 6.0,
            "nasion_in_view": True, "sides": {"right": true_side, "left": dict(true_side)},
        },
        "said": [], "missing": {},
        "plane_mm": 0.1, "plane_sd_mm": 0.2, "plane_deg": 0.1, "plane_sd_deg": 0.1,
        "sides": {"right": a_side(rng), "left": a_side(rng)},
    }  # fmt: skip
    for name in ("nasion_skin", "nasion_bone", "bregma", "inion_bone"):
        row |= {f"{name}_mm": 0.3, f"{name}_sd_mm": 0.4}
    return row


def a_finding(code, level, *figures, limit=None, value=None):
    return {"code": code, "level": level, "figures": list(figures), "limit": limit, "value": value}


def refused(row, why="The profile shows no hollow between a brow and a nose; expected a nose."):
    keys = ("seed", "voxel_mm", "slice_mm", "noise_hu", "pose_deg", "length_mm", "conditions",
            "voxels", "made_s", "true")  # fmt: skip
    return {**{k: row[k] for k in keys}, "refused": why}
