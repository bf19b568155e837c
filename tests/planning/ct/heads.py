"""Phantom heads scanned in memory, and their plans: each made once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.phantoms import HeadSpec, Scanner, build, plant
from entrypoint.phantoms.conditions.bone import MissingBone
from entrypoint.phantoms.conditions.metal import Bolt, Plate
from entrypoint.planning.ct import plan_from_volume
from entrypoint.planning.model import InputInfo, InputKind, Plan, Rule, Side
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume

FloatArray = NDArray[np.float64]
BOTH = (Side.RIGHT, Side.LEFT)

_ADULT = HeadSpec(yaw_deg=-6.0, pitch_deg=5.0, roll_deg=4.0, centre_mm=(-3.0, 8.0, -5.0), seed=41)
_SPECS = {
    "clean": _ADULT,
    # One thing a side, so that one scan shows both.
    "burr hole right, plate left": replace(
        _ADULT,
        conditions=(MissingBone(side="right"), Plate(side="left", ahead_mm=3.0, lateral_mm=33.0)),
    ),
    "bolt right, hair": plant(replace(_ADULT, conditions=(Bolt(side="right"),)), "hair", seed=7),
    "craniectomy right": replace(
        _ADULT,
        conditions=(
            MissingBone(side="right", radius_mm=38.0, ahead_mm=-30.0, lateral_mm=58.0),
        ),
    ),
    "closed suture": replace(_ADULT, suture_open=False, suture_seam=0.0, seed=44),
    "dense seam": replace(_ADULT, suture_open=False, suture_seam=1.0, seed=44),
    # Shorter than any adult woman of the published series (168 mm), and thin.
    "child": replace(
        plant(_ADULT, "child"), seed=45, length_mm=158.0, breadth_mm=128.0,
        nasion_bregma_arc_mm=120.0, suture_width_mm=1.5,
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scanned:
    """A volume and its exact answers."""

    volume: Volume
    truth: dict[str, Any]


@cache
def scanned(name: str) -> Scanned:
    """Scan a head by name, voxels of 1 mm, to below the base."""
    head = build(_SPECS[name])
    grid = head.grid(voxel_mm=1.0, slice_mm=1.0, below_mm=80.0, behind_mm=8.0, margin_mm=5.0)
    hu, matrix = head.render(grid, Scanner(fwhm_mm=0.9, noise_hu=15.0))
    volume = Volume(grid=Grid(shape=hu.shape, world_from_index=matrix), stored=hu)
    return Scanned(volume=volume.canonical(), truth=head.truth())


@cache
def planned(name: str) -> Plan:
    """The plan with nothing given."""
    return plan(scanned(name).volume)


def plan(volume: Volume, *, rule: Rule | None = None, **more: Any) -> Plan:
    """Plan on a volume in memory."""
    info = InputInfo(
        kind=InputKind.CT, name="test", sha256="", shape=volume.shape, voxel_mm=volume.grid.voxel_mm
    )
    return plan_from_volume(volume, info=info, rule=rule or Rule(), **more)


def codes(findings: Any, level: str | None = None) -> set[str]:
    """Codes of findings, of one level or of all."""
    return {f.code for f in findings if level is None or f.level.value == level}


def true_points(truth: dict[str, Any], *names: str) -> dict[str, FloatArray]:
    """Landmarks of the exact answers under the names of a landmark file."""
    found = truth["landmarks"]
    return {n: np.array(found["nasion_skin" if n == "nasion" else n]) for n in names}


def no_constant(text: str) -> None:
    """For ``json.loads``: a record holds no NaN and no infinity."""
    raise AssertionError(f"{text} in a record")
