"""One random head: made, scanned and planned in memory, and compared with its exact answers."""

from __future__ import annotations

import dataclasses
import time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import EntrypointError
from entrypoint.phantoms import build, random_case
from entrypoint.phantoms.conditions.catalogue import CONDITIONS
from entrypoint.planning.ct import plan_from_volume
from entrypoint.planning.model import InputInfo, InputKind, Level, Plan, Rule, Side
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume
from tests.benchmarks.accuracy.truths import conditions_of, said, truths

FloatArray = NDArray[np.float64]


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What the population is drawn from; the default is the plain one."""

    pose_deg: float = 10.0
    planted: float = 0.0
    voxel_mm: tuple[float, float] = (0.4, 1.0)
    slices_mm: tuple[float, ...] = (0.5, 0.6, 1.0)
    noise_hu: tuple[float, float] = (15.0, 30.0)
    turned_grids: float = 0.5
    million_voxels: tuple[float, ...] = (26.0,)


MOST_VOXELS = 30e6

ANY = Settings(
    pose_deg=25.0,
    planted=0.6,
    slices_mm=(0.5, 0.6, 1.0, 1.25, 2.0, 2.5, 3.0, 5.0),
    noise_hu=(5.0, 40.0),
    million_voxels=(6.0, 6.0, 6.0, 6.0, 20.0),
)


def scan(seed: int, settings: Settings) -> tuple[NDArray[np.int16], FloatArray, dict[str, Any],
                                                 dict[str, Any]]:
    """Voxels, matrix, exact answers and what was drawn."""
    case = random_case(seed, **dataclasses.asdict(settings))
    head = build(case.spec)
    plan = case.grid
    size = float(np.prod(head.grid(**plan).shape))
    if size > MOST_VOXELS:  # an oblique or roomy field: coarser in plane, never over 1 mm
        wider = plan["voxel_mm"] * np.sqrt(size / MOST_VOXELS)
        plan = {**plan, "voxel_mm": min(1.0, round(float(wider), 3))}
    hu, matrix = head.render(head.grid(**plan), case.scanner)
    spec = case.spec
    drawn = {
        **plan,
        "noise_hu": case.scanner.noise_hu,
        "fwhm_mm": case.scanner.fwhm_mm,
        "pose_deg": max(abs(spec.yaw_deg), abs(spec.pitch_deg), abs(spec.roll_deg)),
        "length_mm": spec.length_mm,
        "planted": spec.name.split("-")[2:],
        "voxels": int(hu.size),
    }
    truth = head.truth()
    drawn["conditions"] = conditions_of(drawn["planted"], CONDITIONS)
    drawn["true"] = truths(head, truth, hu.shape, matrix)
    return hu, matrix, truth, drawn


def plan_of(hu: NDArray[np.int16], matrix: FloatArray) -> Plan:
    """The plan with nothing given."""
    grid = Grid(shape=hu.shape, world_from_index=matrix)
    volume = Volume(grid=grid, stored=hu).canonical()
    info = InputInfo(kind=InputKind.CT, name="benchmark", sha256="", shape=hu.shape,
                     voxel_mm=grid.voxel_mm)
    return plan_from_volume(volume, info=info, rule=Rule())


def row_of(seed: int, settings: Settings) -> dict[str, Any]:
    """Errors of one head, or the refusal, as plain values."""
    began = time.process_time()
    hu, matrix, truth, drawn = scan(seed, settings)
    made = time.process_time()
    row: dict[str, Any] = {"seed": seed, **drawn}
    try:
        plan = plan_of(hu, matrix)
    except EntrypointError as error:
        return {**row, "refused": str(error), "made_s": made - began}
    row["plan_s"] = time.process_time() - made
    row["made_s"] = made - began
    return {**row, **compare(plan, truth)}


def compare(plan: Plan, truth: dict[str, Any]) -> dict[str, Any]:
    """Errors against the truth, with the plan's own standard deviations."""
    out: dict[str, Any] = {"findings": [[f.code, f.level.value] for f in plan.findings],
                           "said": said(plan.findings)}
    assert plan.midsagittal_plane is not None
    normal = plan.midsagittal_plane.unit_normal
    point = plan.midsagittal_plane.point_mm
    true_normal = np.array(truth["midsagittal_plane"]["unit_normal"])
    out["plane_deg"] = float(np.degrees(np.arccos(min(1.0, float(normal @ true_normal)))))
    profile = np.array(truth["midline"]["profile_mm"])
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(profile, axis=0), axis=1))])
    out["plane_mm"] = float(np.abs((profile[arc < 150.0] - point) @ normal).max())
    out["plane_sd_mm"], out["plane_sd_deg"] = (plan.midsagittal_plane.sd_mm,
                                               plan.midsagittal_plane.sd_deg)
    for ours, theirs in (("nasion_skin", "nasion_skin"), ("nasion_bone", "nasion_bone"),
                         ("bregma", "bregma"), ("inion_bone", "inion_bone")):
        mark = plan.landmarks.get(ours)
        out[f"{ours}_mm"] = None if mark is None else float(
            np.linalg.norm(mark.position_mm - np.array(truth["landmarks"][theirs])))
        out[f"{ours}_sd_mm"] = None if mark is None else mark.sd_mm
    sides, out["missing"] = {}, {}
    for side in Side:
        if plan.sides[side].scalp_entry_mm is None:
            out["missing"][side.value] = said(plan.sides[side].findings)
            continue
        sides[side.value] = _side(plan, side, truth["sides"][side.value], truth)
    out["sides"] = sides
    assert plan.coronal_suture is not None
    out["suture_open"] = truth["coronal_suture"]["open"]
    return out


def _side(plan: Plan, side: Side, true: dict[str, Any], truth: dict[str, Any]) -> dict[str, Any]:
    mine = plan.sides[side]
    assert mine.scalp_entry_mm is not None
    off = mine.scalp_entry_mm - np.array(true["scalp_entry_mm"])
    along = np.array(truth["midline"]["unit_along"])
    right = np.array(truth["midsagittal_plane"]["unit_normal"])
    inward = np.array(true["unit_inward"])
    along = along - (along @ inward) * inward
    along /= np.linalg.norm(along)
    across = np.cross(inward, along)
    sign = 1.0 if side is Side.RIGHT else -1.0
    across *= np.sign(across @ right) * sign
    t, c = mine.thickness, mine.clearance
    assert plan.coronal_suture is not None

    def error(value: float | None, key: str, group: str) -> float | None:
        other = true[group].get(key)
        return None if value is None or other is None else value - other

    return {
        "entry_mm": float(np.linalg.norm(off)),
        "along_mm": float(off @ along), "along_sd_mm": mine.scalp_entry_sd_along_mm,
        "across_mm": float(off @ across), "across_sd_mm": mine.scalp_entry_sd_across_mm,
        "scalp_mm": error(t.scalp_mm, "scalp_mm", "thickness"), "scalp_sd_mm": t.scalp_sd_mm,
        "skull_mm": error(t.skull_mm, "skull_mm", "thickness"), "skull_sd_mm": t.skull_sd_mm,
        "true_skull_mm": true["thickness"]["skull_mm"],
        # Of the point that was planned, not of the true point: what a reader takes it for.
        "midline_mm": None if c.midline_scalp_mm is None else c.midline_scalp_mm - sign * float(
            (mine.scalp_entry_mm - np.array(truth["midsagittal_plane"]["point_mm"])) @ right),
        "midline_sd_mm": c.midline_sd_mm,
        "suture_mm": error(c.suture_mm, "suture_mm", "clearance"),
        "suture_nearest_mm": error(c.suture_nearest_mm, "suture_nearest_mm", "clearance"),
        "suture_sd_mm": c.suture_sd_mm,
        "suture_how": getattr(plan.coronal_suture, side.value).value,
        "true_suture_mm": true["clearance"]["suture_nearest_mm"],
        "angle_deg": None if mine.unit_inward is None else float(np.degrees(np.arccos(
            min(1.0, float(mine.unit_inward @ inward))))),
        "midline_definition_sd_mm": c.midline_definition_sd_mm,
        "suture_definition_sd_mm": c.suture_definition_sd_mm,
        "p_suture_below_margin": c.p_suture_below_margin,
        "start_on_bone_mm": mine.drill_stop.start_on_bone_mm,
        "said": said(mine.findings),
        "findings": [[f.code, f.level.value] for f in mine.findings],
        "worst": max((_RANK[f.level] for f in mine.findings), default=0),
    }


_RANK = {Level.NOTE: 1, Level.CAUTION: 2, Level.STOP: 3}
