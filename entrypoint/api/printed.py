"""A head to hold: from a CT to closed bodies, as they lie on a print bed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from entrypoint.api.common import BOTH_SIDES, Progress, checked_sides
from entrypoint.errors import FieldRefused, MeasurementError
from entrypoint.io.print_files import Solid, Words
from entrypoint.planning.model import CAVEAT, SIDES_NOTE, Rule, Side
from entrypoint.report.model_text import BodyFacts, ModelFacts
from entrypoint.report.wording import PRACTICE_BANNER

if TYPE_CHECKING:
    from entrypoint.geometry.triangles import Triangles
    from entrypoint.io.nifti import LoadedVolume
    from entrypoint.planning.ct_head import CtHead
    from entrypoint.planning.ct_parts import CtParts

__all__ = ["HeadModel", "head_model"]

FloatArray = NDArray[np.float64]
WHAT = ("scalp", "skull", "both")
MARKS = ("raised", "engraved", "none")
FEWEST_TRIANGLES, MOST_TRIANGLES = 2_000, 2_000_000
LEAST_PERCENT, MOST_PERCENT = 10.0, 200.0
USUAL_TRIANGLES = 150_000
_HEIGHT_MM, _FLANK_MM, _EDGE_MM = 0.8, 0.5, 0.5  # of a mark, on the print
_GAP_MM = 10.0  # between two bodies on the bed
# Edges of the blocks: a surface has about one triangle for each square of half that edge.
_BLOCK_MM, _FINE_BLOCK_MM, _FINE_FROM = 2.0, 1.0, 350_000
_COLOURS = {"scalp": (216, 180, 154), "skull": (239, 230, 211)}
_SEEN_THROUGH, _OPAQUE = 110, 255
_CUT_RANGE_MM = 150.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadModel:
    """Closed bodies and what a file of them says; ``solids`` lie on the bed, z = 0 upwards.

    Where there are two they stand beside each other; in ``in_place`` one lies within the other.
    """

    solids: tuple[Solid, ...]
    in_place: tuple[Solid, ...]
    words: Words
    marked: tuple[Side, ...]  # sides whose entry is marked
    marks: str
    cut_mm: float | None
    code: str

    def facts(self, ending: str) -> ModelFacts:
        """What a file with that ending holds, to be told."""
        bodies = [
            BodyFacts(
                name=solid.name, size_mm=_three(solid.mesh.extent_mm()),
                triangles=len(solid.mesh.faces), volume_mm3=solid.mesh.volume_mm3(),
            )
            for solid in self.solids
        ]  # fmt: skip
        shown = self.in_place if ending == ".glb" else self.solids
        top = np.max([solid.mesh.points.max(axis=0) for solid in shown], axis=0)
        return ModelFacts(
            ending=ending, code=self.code, bodies=bodies, bed_mm=_three(top),
            caveat=self.words.caveat, sides_note=self.words.sides_note,
            practice=self.words.practice, scale_ratio=self.words.scale_ratio,
            marks=self.marks, marked=self.marked, cut_mm=self.cut_mm,
        )  # fmt: skip


def _three(size: FloatArray) -> tuple[float, float, float]:
    return float(size[0]), float(size[1]), float(size[2])


def head_model(
    loaded: LoadedVolume,
    *,
    what: str = "scalp",
    marks: str = "raised",
    sides: Iterable[Side | str] = BOTH_SIDES,
    cut_mm: float | None = None,
    triangles: int = USUAL_TRIANGLES,
    scale_percent: float = 100.0,
    rule: Rule | None = None,
    progress: Progress | None = None,
) -> HeadModel:
    """Make scalp and skull as closed bodies.

    Parameters
    ----------
    loaded : LoadedVolume
    what : "scalp", "skull" or "both"
    marks : "raised", "engraved" or "none"
        Of the tapes and the entry, 0.8 mm high on the print.
    sides : of the patient, that are marked
    cut_mm : float, optional
        Cut flat, square to the head's own upright, at this height above the nasion (minus: below).
    triangles : int
        Of each body, at most.
    scale_percent : float
    rule : Rule, optional
    progress : function of one short text, optional

    Raises
    ------
    FieldRefused
        A value outside what can be meant.
    FileRefused, MeasurementError
        The head, or the marked sides, cannot be found.
    GeometryError
        The surface did not come out closed.
    """
    _check(what, marks, cut_mm, triangles, scale_percent)
    wanted = checked_sides(sides)
    say = progress or (lambda _: None)
    head, parts = _found(loaded, rule or Rule(), marks, wanted, progress)
    from entrypoint.figures.solid import reduced, surface_of
    from entrypoint.geometry.triangles import check_closed, raised
    from entrypoint.planning.model_marks import scalp_ridges, skull_ridges
    from entrypoint.volume.shells import head_only, scalp_body, skull_body

    scale = scale_percent / 100.0
    height = {"raised": 1.0, "engraved": -1.0, "none": 0.0}[marks] * _HEIGHT_MM / scale
    cut = None
    if cut_mm is not None:
        cut = float(head.frame.head_from_world(head.nasion_skin_mm)[2]) + cut_mm
    step = _FINE_BLOCK_MM if triangles >= _FINE_FROM else _BLOCK_MM
    own = head_only(head.coarse, head.frame)
    made: dict[str, Triangles] = {}
    for name, body_of, ridges_of in (
        ("scalp", scalp_body, scalp_ridges), ("skull", skull_body, skull_ridges),
    ):  # fmt: skip
        if what not in (name, "both"):
            continue
        say(f"closing the {name}")
        body = body_of(
            head.volume, head.coarse, head.frame, step_mm=step, cut_mm=cut, parts=own
        )
        if not (body.depth_ratio > 0.0).any():
            raise MeasurementError(
                found=f"nothing of the {name} lies above the cut",
                expected="part of a head",
                next_step="cut lower",
            )  # fmt: skip
        mesh = surface_of(body)
        if parts is not None:
            mesh = raised(
                mesh, ridges_of(parts, mesh, wanted), height_mm=height,
                flank_mm=_FLANK_MM / scale, step_mm=_EDGE_MM,
            )  # fmt: skip
        say("counting triangles")
        fewer = reduced(mesh, triangles)
        if fewer is None:
            raise FieldRefused(
                found=f"the {name} does not stay watertight with {triangles} triangles",
                expected="a number that keeps its shape",
                next_step="give another number of triangles",
            )
        check_closed(fewer, name)
        made[name] = fewer
    in_place, solids = _on_bed(made, head, scale)
    return HeadModel(
        solids=solids,
        in_place=in_place,
        words=Words(
            caveat=CAVEAT,
            sides_note=SIDES_NOTE,
            practice=PRACTICE_BANNER if loaded.practice else None,
            scale_ratio=scale,
        ),
        marked=() if parts is None else tuple(side for side in wanted if side in parts.sites),
        marks=marks,
        cut_mm=cut_mm,
        code=loaded.code,
    )


def _check(
    what: str, marks: str, cut_mm: float | None, triangles: int, scale_percent: float
) -> None:
    for name, value, allowed in (("what", what, WHAT), ("marks", marks, MARKS)):
        if value not in allowed:
            raise FieldRefused(
                found=f"{name} {value!r}", expected=" or ".join(allowed), next_step="choose one"
            )
    for name, number, least, most in (
        ("the cut's height, mm,", 0.0 if cut_mm is None else cut_mm, -_CUT_RANGE_MM, _CUT_RANGE_MM),
        ("the number of triangles", float(triangles), FEWEST_TRIANGLES, MOST_TRIANGLES),
        ("the scale, percent,", scale_percent, LEAST_PERCENT, MOST_PERCENT),
    ):
        if not least <= number <= most:
            raise FieldRefused(
                found=f"{name} is {number:g}", expected=f"{least:g} to {most:g}",
                next_step="check the number",
            )  # fmt: skip


def _found(
    loaded: LoadedVolume, rule: Rule, marks: str, sides: tuple[Side, ...],
    progress: Progress | None,
) -> tuple[CtHead, CtParts | None]:  # fmt: skip
    """The head, and where marks are wanted the tapes and sites."""
    volume = loaded.volume.canonical()
    if marks == "none":
        from entrypoint.planning.ct_head import find_head

        return find_head(volume, progress=progress), None
    from entrypoint.planning.ct_parts import ct_parts

    parts = ct_parts(volume, rule=rule, progress=progress)
    lacking = [side for side in sides if side in parts.refused]
    if lacking:
        raise parts.refused[lacking[0]]
    return parts.head, parts


def _on_bed(
    made: dict[str, Triangles], head: CtHead, scale: float
) -> tuple[tuple[Solid, ...], tuple[Solid, ...]]:
    """The bodies in the head's own directions: in place, and side by side on the bed."""
    from entrypoint.geometry.triangles import Triangles

    turned = {
        name: Triangles(points=scale * head.frame.head_from_world(m.points), faces=m.faces)
        for name, m in made.items()
    }
    lowest = np.min([m.points.min(axis=0) for m in turned.values()], axis=0)
    in_place, solids = [], []
    x = 0.0
    for name, mesh in turned.items():
        alpha = _SEEN_THROUGH if name == "scalp" and len(turned) > 1 else _OPAQUE
        moved = Triangles(points=mesh.points - lowest, faces=mesh.faces)
        in_place.append(Solid(name=name, mesh=moved, colour=(*_COLOURS[name], alpha)))
        corner = mesh.points.min(axis=0) - (x, 0.0, 0.0)
        beside = Triangles(points=mesh.points - corner, faces=mesh.faces)
        solids.append(Solid(name=name, mesh=beside, colour=(*_COLOURS[name], _OPAQUE)))
        x += float(mesh.extent_mm()[0]) + _GAP_MM
    return tuple(in_place), tuple(solids)
