"""The head that teaching figures are drawn of: a practice head made at once, or a user's scan."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.figures.view import View, upright
from entrypoint.planning.ct import plan_from_parts
from entrypoint.planning.ct_parts import CtParts, ct_parts
from entrypoint.planning.entry import side_sign
from entrypoint.planning.model import InputInfo, InputKind, Plan, Rule, Side, SidePlan
from entrypoint.volume.facts import FileFacts
from entrypoint.volume.grid import Grid
from entrypoint.volume.volume import Volume

if TYPE_CHECKING:
    from entrypoint.io.nifti import LoadedVolume

__all__ = ["TeachingHead", "practice_head", "scanned_head"]

FloatArray = NDArray[np.float64]
Progress = Callable[[str], None]
_VOXEL_MM = 1.0
_PAINTED_MM = 1.0  # as coarse as the voxels: a tenth of the time, and good to 0.3 mm in thickness


@dataclass(frozen=True, kw_only=True)
class TeachingHead:
    """A scan with its plan, and what the plan was made from.

    Parameters
    ----------
    plan : Plan
    parts : CtParts
    volume : Volume
    side : Side
        The patient's; one-sided figures show it.
    """

    plan: Plan
    parts: CtParts
    volume: Volume
    side: Side

    @property
    def planned(self) -> SidePlan:
        """The plan of the side that is shown."""
        return self.plan.sides[self.side]

    @property
    def sign(self) -> float:
        """+1 where the patient's right is shown."""
        return side_sign(self.side)

    @property
    def words(self) -> str:
        """Whose head it is."""
        if self.plan.practice:
            return "An invented head, made from formulas"
        return f"Scan {self.plan.input.name}"

    @property
    def soft_hu(self) -> float:
        """What soft tissue reads in this scan."""
        return float(self.parts.head.coarse.levels.soft_hu)

    @cached_property
    def profile_view(self) -> View:
        """The midsagittal plane, seen from the side that is shown; its origin is the nasion."""
        plane = self.plan.midsagittal_plane
        assert plane is not None
        viewer = self.sign * plane.unit_normal
        up = upright(self.plan, plane.unit_normal, plane.unit_normal)
        right = self.side is Side.RIGHT
        return View(
            origin_mm=self.plan.landmarks["nasion_skin"].position_mm,
            unit_page_right=np.cross(up, viewer),
            unit_page_up=up,
            seen_from=f"the PATIENT'S {self.side.value.upper()}",
            left_edge="BACK" if right else "FRONT",
            right_edge="FRONT" if right else "BACK",
        )


def practice_head(side: Side = Side.RIGHT) -> TeachingHead:
    """Make a practice head in memory and plan on it; two seconds, and no file is read.

    Parameters
    ----------
    side : Side
        The patient's; one-sided figures show it.
    """
    from entrypoint.phantoms import HeadSpec, Scanner, build

    head = build(HeadSpec(head_rest=False))
    grid = head.grid(
        voxel_mm=_VOXEL_MM, slice_mm=_VOXEL_MM, axes="RAS", below_mm=88.0, margin_mm=4.0,
        behind_mm=4.0,
    )  # fmt: skip
    scanner = Scanner(noise_hu=10.0, noisy_air=False, fine_mm=_PAINTED_MM, coarse_mm=3.0)
    hu, world = head.render(grid, scanner)
    volume = Volume(grid=Grid(shape=hu.shape, world_from_index=world), stored=hu)
    facts = FileFacts(world_matrix_from="sform", practice=True)
    digest = hashlib.sha256(np.ascontiguousarray(hu).tobytes()).hexdigest()
    return _planned(volume, facts, digest, "practice", side)


def scanned_head(
    loaded: LoadedVolume, side: Side, *, progress: Progress | None = None
) -> TeachingHead:
    """Plan on a scan for its teaching figures.

    Parameters
    ----------
    loaded : LoadedVolume
    side : Side
        The patient's; one-sided figures show it.
    progress : function of one short text, optional

    Raises
    ------
    FileRefused, MeasurementError
        See the plan; also where the side shows no bone along its path.
    """
    return _planned(loaded.volume, loaded.facts, loaded.sha256, loaded.code, side, progress)


def _planned(
    volume: Volume, facts: FileFacts, sha256: str, name: str, side: Side,
    progress: Progress | None = None,
) -> TeachingHead:  # fmt: skip
    info = InputInfo(
        kind=InputKind.CT, name=name, sha256=sha256, shape=volume.grid.shape,
        voxel_mm=volume.grid.voxel_mm, world_matrix_from=facts.world_matrix_from,
        unit="mm" if facts.unit == "unknown" else facts.unit,
    )  # fmt: skip
    parts = ct_parts(volume.canonical(), rule=Rule(), progress=progress)
    plan = plan_from_parts(parts, info=info, facts=facts)
    planned = plan.sides.get(side)
    lacking = [
        what
        for what, there in (
            ("a path", planned is not None and planned.unit_inward is not None),
            ("bone on its path", planned is not None and planned.inner_table_mm is not None),
            ("an inion", "inion" in plan.landmarks),
            ("a coronal suture", plan.coronal_suture is not None),
        )
        if not there
    ]
    if lacking:
        raise MeasurementError(
            found=f"the PATIENT'S {side.value.upper()} of this scan does not show "
            + " and ".join(lacking),
            expected="a head whose landmarks, suture and bone along the path are seen",
            next_step="teach from the other side, from another scan, or from the practice head",
        )
    plan = replace(plan, practice=plan.practice or facts.practice)
    return TeachingHead(plan=plan, parts=parts, volume=volume.canonical(), side=side)
