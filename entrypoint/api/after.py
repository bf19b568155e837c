"""A scan after placement, set against its plan."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.api.common import Progress, name_of
from entrypoint.errors import FileRefused
from entrypoint.io.nifti import LoadedVolume
from entrypoint.io.record import read_plan
from entrypoint.io.volume_file import read_volume_file
from entrypoint.planning.model import How, InputInfo, InputKind, Plan, Side

if TYPE_CHECKING:
    from entrypoint.planning.after_model import AfterPlacement

__all__ = ["after_ct"]


def after_ct(
    volume: LoadedVolume | str | Path,
    plan: Plan | str | Path,
    *,
    side: Side | str,
    before: LoadedVolume | str | Path | None = None,
    label: str | None = None,
    progress: Progress | None = None,
) -> AfterPlacement:
    """Find the bolt and the sensor in a scan after placement, and set them against the plan.

    Parameters
    ----------
    volume : LoadedVolume, or path of a NIfTI file
        The scan after placement.
    plan : Plan, or path of its record
    side : Side or str
        The patient's side that was planned.
    before : LoadedVolume or path, optional
        The scan that the plan was made on: the two are then laid over each other by the skull.
    label : str, optional
        A short name for the outputs; without it a code from the hash.
    progress : function of one short text, optional

    Returns
    -------
    AfterPlacement

    Raises
    ------
    InputError
        A file is refused, the plan does not plan that side, or the scan before placement is not
        the plan's own.
    MeasurementError
        No bolt is found, or plan and scan are of two heads.
    """
    from entrypoint.planning.after import after_placement
    from entrypoint.planning.ct_parts import ct_parts

    made = plan if isinstance(plan, Plan) else read_plan(plan)
    loaded = volume if isinstance(volume, LoadedVolume) else read_volume_file(volume)
    first = None
    if before is not None:
        first = before if isinstance(before, LoadedVolume) else read_volume_file(before)
        if first.sha256 != made.input.sha256:
            raise FileRefused(
                found=f"the scan before placement ({first.code}) is not the one that the plan was "
                f"made on ({made.input.sha256[:10] or 'none'})",
                expected="the plan's own scan",
                next_step="give that scan, or leave --before out",
            )
    grid = loaded.volume.grid
    info = InputInfo(
        kind=InputKind.CT,
        name=name_of(label, loaded.sha256),
        sha256=loaded.sha256,
        shape=grid.shape,
        voxel_mm=grid.voxel_mm,
        world_matrix_from=loaded.facts.world_matrix_from,
        unit="mm" if loaded.facts.unit == "unknown" else loaded.facts.unit,
    )
    parts = ct_parts(loaded.volume.canonical(), rule=made.rule, progress=progress)
    known = None
    if first is not None:
        known = ct_parts(
            first.volume.canonical(),
            rule=made.rule,
            landmarks=_given(made),
            coronal_suture_mm=_given_suture(made),
            progress=progress,
        )
    return after_placement(
        parts,
        info=info,
        plan=made,
        side=Side(side),
        before=known,
        practice=loaded.practice or (first is not None and first.practice),
        progress=progress,
    )


def _given(plan: Plan) -> Mapping[str, NDArray[np.float64]] | None:
    """Landmarks that were given for the plan, so that its own scan is read as it was then."""
    given = {
        name.removesuffix("_skin"): point.position_mm
        for name, point in plan.landmarks.items()
        if point.how is How.GIVEN
    }
    return given or None


def _given_suture(plan: Plan) -> NDArray[np.float64] | None:
    suture = plan.coronal_suture
    return suture.curve_mm if suture is not None and suture.how is How.GIVEN else None
