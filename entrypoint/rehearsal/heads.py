"""Heads on stage: a volume, what planning finds on it, and its scalp to touch.

The truth of a head on stage is the plan of :mod:`entrypoint.planning` on its volume: the same
numbers as everywhere else. The recipe of a practice head has exact answers of its own, which the
tests compare with.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import EntrypointError
from entrypoint.planning.model import Plan, Rule, Side
from entrypoint.rehearsal.keys import check_key
from entrypoint.rehearsal.ladder import (
    LADDER,
    SHIPPED,
    LadderStep,
    head_bytes,
    ladder_spec,
    spec_of_seed,
)

if TYPE_CHECKING:
    from entrypoint.io.nifti import LoadedVolume
    from entrypoint.planning.ct_parts import CtParts

__all__ = ["LADDER", "LadderStep", "StageHead", "is_practice_key", "stage_head", "stage_volume"]

_CACHE_FORM = 1  # of cached volumes: goes up when recipes change


@dataclass(frozen=True, slots=True, kw_only=True)
class StageHead:
    """A head to practise on.

    Parameters
    ----------
    key, title, text : str
        ``ladder:adult``, ``random:7`` or ``volume:CODE``; a heading; one plain sentence.
    practice : bool
        False only for a volume that is not marked as a practice head.
    seed : int or None
        Of a random head.
    parts : CtParts
    plan : Plan
        Both sides, where both can be measured.
    points_mm : (n, 3) float32 array, world
    faces : (m, 3) int32 array
        The scalp as the scan sees it, turned outwards.
    suture_felt : bool
        Whether the suture may be shown as something that a finger finds.
    draped : bool
        Whether a cloth covers the half of the head that is not asked for.
    """

    key: str
    title: str
    text: str
    practice: bool
    seed: int | None
    parts: CtParts
    plan: Plan
    points_mm: NDArray[np.float32]
    faces: NDArray[np.int32]
    suture_felt: bool = True
    draped: bool = False

    @property
    def sides(self) -> tuple[Side, ...]:
        """Sides on which the scan could be measured."""
        return tuple(s for s in (Side.RIGHT, Side.LEFT) if s in self.parts.sites)

    def to_json(self) -> dict[str, Any]:
        """What a page may say before the reveal: no truth in it."""
        low, high = self.points_mm.min(axis=0), self.points_mm.max(axis=0)
        frame = self.parts.head.frame
        return {
            "key": self.key,
            "title": self.title,
            "text": self.text,
            "practice": self.practice,
            "sides": [s.value for s in self.sides],
            "suture_felt": self.suture_felt,
            "draped": self.draped,
            "points": len(self.points_mm),
            "faces": len(self.faces),
            "box_mm": [low.tolist(), high.tolist()],
            "unit_anterior": frame.unit_anterior.tolist(),
            "unit_superior": frame.unit_superior.tolist(),
            "centre_mm": (0.5 * (low + high)).tolist(),
        }


def is_practice_key(key: str) -> bool:
    """Whether a key names a head that is made, not read from a user's file."""
    return key.startswith(("ladder:", "random:"))


def stage_head(key: str, *, cache: Path | None = None) -> StageHead:
    """Put a practice head on stage.

    Parameters
    ----------
    key : str
        ``ladder:KEY`` with a key of :data:`LADDER`, or ``random:SEED``.
    cache : Path, optional
        Folder in which the volumes of random heads are kept between runs.

    Raises
    ------
    FieldRefused
        For a key that names no head.
    """
    named = check_key(key)
    if isinstance(named, int):
        return _random_head(named, cache)
    return _ladder_head(named, cache)


def stage_volume(
    path: str | Path, label: str | None = None, *, rule: Rule | None = None
) -> StageHead:
    """Put a CT of one's own on stage.

    Parameters
    ----------
    path : path of a NIfTI file
    label : str, optional
        A short name for what is kept; never a person's.
    rule : Rule, optional

    Raises
    ------
    InputError, MeasurementError
        As of planning on it.
    """
    from entrypoint import api

    loaded = api.read_volume(path)
    code = loaded.code if label is None else " ".join(label.split())
    return _stage(
        loaded,
        key=f"volume:{loaded.code}",
        title=f"Scan {code}",
        text="A scan that was opened here.",
        label=label,
        rule=rule,
    )


def _ladder_head(step: LadderStep, cache: Path | None) -> StageHead:
    shipped = SHIPPED / f"{step.key}.nii.gz"
    loaded = _read(shipped)
    if loaded is None:
        loaded = _made(f"ladder-{step.key}", lambda: head_bytes(ladder_spec(step.key)), cache)
    return _stage(
        loaded,
        key=f"ladder:{step.key}",
        title=step.title,
        text=step.text,
        suture_felt=step.suture_felt,
        draped=step.draped,
    )


def _random_head(seed: int, cache: Path | None) -> StageHead:
    # Half the time of float64; other machines may differ in the last digit of some voxels.
    loaded = _made(
        f"random-{seed}", lambda: head_bytes(spec_of_seed(seed), dtype=np.float32), cache
    )
    return _stage(
        loaded,
        key=f"random:{seed}",
        title=f"Random head {seed}",
        text="A head drawn from published sizes; the same number draws the same head.",
        seed=seed,
    )


def _read(path: Path) -> LoadedVolume | None:
    """A volume of a practice head; None where there is no sound one."""
    from entrypoint import api

    try:
        loaded = api.read_volume(path) if path.is_file() else None
    except EntrypointError:
        return None
    return loaded if loaded is not None and loaded.practice else None


def _made(name: str, make: Any, cache: Path | None) -> LoadedVolume:
    """A volume from the cache, or made and, where that can be done, put there."""
    import contextlib
    import tempfile

    from entrypoint import api
    from entrypoint.io.atomic import write_bytes

    kept = None if cache is None else cache / f"{name}.{_CACHE_FORM}.nii.gz"
    found = None if kept is None else _read(kept)
    if found is not None:
        return found
    content: bytes = make()
    if kept is not None:
        # A cache that cannot be written costs time, and nothing else.
        with contextlib.suppress(OSError, EntrypointError):
            kept.parent.mkdir(parents=True, exist_ok=True)
            write_bytes(kept, content, force=True)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "head.nii.gz"
        path.write_bytes(content)
        return api.read_volume(path)


def _stage(
    loaded: LoadedVolume,
    *,
    key: str,
    title: str,
    text: str,
    label: str | None = None,
    rule: Rule | None = None,
    seed: int | None = None,
    suture_felt: bool = True,
    draped: bool = False,
) -> StageHead:
    from entrypoint import api
    from entrypoint.rehearsal.surface import scalp_mesh

    if rule is None and loaded.practice:
        rule = Rule(person="adult")
    plan, parts = api.plan_ct_with_parts(loaded, rule=rule, label=label)
    mesh = scalp_mesh(parts.head)
    return StageHead(
        key=key,
        title=title,
        text=text,
        practice=loaded.practice,
        seed=seed,
        parts=parts,
        plan=plan,
        points_mm=np.ascontiguousarray(mesh.points, dtype=np.float32),
        faces=np.ascontiguousarray(mesh.faces, dtype=np.int32),
        suture_felt=suture_felt,
        draped=draped,
    )
