"""All pictures of a plan by name: what each needs, and one after another."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from entrypoint.errors import EntrypointError, FieldRefused, FileRefused
from entrypoint.figures import head, profile, section, site_map, square_on, tape
from entrypoint.figures.save import MM_PER_IN
from entrypoint.figures.site import Site, read_sites
from entrypoint.figures.style import Ground, Labels, Style
from entrypoint.io.nifti import LoadedVolume
from entrypoint.io.record import read_plan
from entrypoint.io.volume_file import read_volume_file
from entrypoint.planning.model import InputKind, Plan, Side

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from entrypoint.volume.volume import Volume

__all__ = [
    "BOTH_SIDES_IN_ONE",
    "NEEDS_VOLUME",
    "VIEWS",
    "Picture",
    "check_match",
    "draw",
    "pictures",
]

VIEWS = ("section", "profile", "square-on", "head", "map", "tape")
NEEDS_VOLUME = frozenset(VIEWS) - {"tape"}
BOTH_SIDES_IN_ONE = frozenset({"map", "tape"})
_SIZES_IN = {
    "section": section.SIZE_IN, "profile": profile.SIZE_IN, "square-on": square_on.SIZE_IN,
    "head": head.SIZE_IN, "map": site_map.SIZE_IN, "tape": tape.SIZE_IN,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One picture, or why it could not be drawn."""

    view: str
    side: Side | None  # None: both in one
    figure: Figure | None
    refused: EntrypointError | None = None

    @property
    def name(self) -> str:
        """View and side, for a file's name."""
        return self.view if self.side is None else f"{self.view}-{self.side.value}"


def check_match(plan: Plan, volume_sha256: str) -> None:
    """Refuse a volume that the plan was not made from.

    Parameters
    ----------
    plan : Plan
    volume_sha256 : str

    Raises
    ------
    FileRefused
    """
    if plan.input.kind is not InputKind.CT:
        raise FileRefused(
            found=f"this plan was made from {plan.input.kind.value} input, with no volume",
            expected="a plan from a CT volume",
            next_step="leave the volume out, and draw the view tape",
        )
    if plan.input.sha256 != volume_sha256:
        raise FileRefused(
            found=f"this volume ({volume_sha256[:10]}) is not the one that the plan was made from "
            f"({plan.input.sha256[:10]})",
            expected="the plan's own volume",
            next_step="give that volume, or plan from this one",
        )


def draw(
    plan: Plan | str | Path,
    volume: LoadedVolume | str | Path | None = None,
    *,
    series: str | int | None = None,
    views: Iterable[str] = VIEWS,
    sides: Iterable[Side | str] | None = None,
    ground: Ground | str = Ground.LIGHT,
    labels: Labels | str = Labels.FULL,
    size_mm: tuple[float, float | None] | None = None,
) -> Iterator[Picture]:
    """Draw the pictures of a plan, one after another, from its record and its volume.

    Parameters
    ----------
    plan : Plan, or path of its record
    volume : LoadedVolume or path, optional
        The plan's own; without it only the view ``tape`` can be drawn.
    series : str, int or None
        Which DICOM series of several, where a path is given.
    views, sides, ground, labels, size_mm
        As of :func:`pictures`, or their names.

    Returns
    -------
    iterator of Picture
        Each with its name, and its figure (``save.to_bytes``) or why there is none.

    Raises
    ------
    FieldRefused, FileRefused
        Also where the volume is not the plan's own.
    """
    made = plan if isinstance(plan, Plan) else read_plan(plan)
    loaded = read_volume_file(volume, series) if isinstance(volume, str | Path) else volume
    if loaded is not None:
        check_match(made, loaded.sha256)
        made = dataclasses.replace(made, practice=made.practice or loaded.practice)
    return pictures(
        made,
        None if loaded is None else loaded.volume,
        views=tuple(views),
        sides=None if sides is None else tuple(Side(side) for side in sides),
        ground=Ground(ground),
        labels=Labels(labels),
        size_mm=size_mm,
    )


def pictures(
    plan: Plan,
    volume: Volume | None,
    *,
    views: tuple[str, ...] = VIEWS,
    sides: tuple[Side, ...] | None = None,
    ground: Ground = Ground.LIGHT,
    labels: Labels = Labels.FULL,
    size_mm: tuple[float, float | None] | None = None,
    sites: dict[Side, Site] | None = None,
) -> Iterator[Picture]:
    """Draw the views of a plan, one after another.

    Parameters
    ----------
    plan : Plan
    volume : Volume, optional
        The plan's own (see :func:`check_match`); without it only the view ``tape`` can be drawn.
    views : names out of ``VIEWS``
    sides : tuple of Side, optional
        All of the plan's without it.
    ground, labels
    size_mm : (width, height or None), optional
        Room that each picture fills without changing its shape; its own size without it.
    sites : mapping of Side to Site, optional
        Read already.

    Yields
    ------
    Picture
        In the order of ``views``; one that cannot be drawn carries its error.

    Raises
    ------
    FieldRefused
        A view of no such name, or a side that the plan does not hold.
    """
    for view in views:
        if view not in VIEWS:
            raise FieldRefused(
                found=f"a view named {view!r}",
                expected="one of " + ", ".join(VIEWS),
                next_step="correct the name",
            )
    wanted = tuple(plan.sides) if sides is None else sides
    for side in wanted:
        if side not in plan.sides:
            raise FieldRefused(
                found=f"no {side.value} side in this plan",
                expected="a side that was planned",
                next_step="plan that side, or name the other",
            )
    if sides is not None:
        plan = dataclasses.replace(plan, sides={side: plan.sides[side] for side in wanted})
    held = dict(sites) if sites is not None else None

    def charted(needed: tuple[Side, ...]) -> dict[Side, Site]:
        nonlocal held
        if held is None:
            assert volume is not None
            held = read_sites(plan, volume, wanted, every_mm=1.0 if "map" in views else 2.5)
        return {side: held[side] for side in needed if side in held}

    for view in views:
        style = Style(ground=ground, labels=labels, size_ratio=_ratio(_SIZES_IN[view], size_mm))
        drawn = _drawer(view, plan, volume, style, charted, wanted)
        ones: tuple[Side | None, ...] = (None,) if view in BOTH_SIDES_IN_ONE else wanted
        for one in ones:
            try:
                if volume is None and view in NEEDS_VOLUME:
                    raise FieldRefused(
                        found=f"the view {view} without its volume",
                        expected="the volume that the plan was made from",
                        next_step="add it, or draw the view tape",
                    )
                yield Picture(view=view, side=one or _only(wanted), figure=drawn(one))
            except EntrypointError as error:
                yield Picture(view=view, side=one or _only(wanted), figure=None, refused=error)


def _only(sides: tuple[Side, ...]) -> Side | None:
    return sides[0] if len(sides) == 1 else None


def _drawer(
    view: str,
    plan: Plan,
    volume: Volume | None,
    style: Style,
    charted: Callable[[tuple[Side, ...]], dict[Side, Site]],
    sides: tuple[Side, ...],
) -> Callable[[Side | None], Figure]:
    if view == "tape":
        return lambda _: tape.tape_picture(plan, style)
    if view == "map":
        return lambda _: site_map.site_map_picture(plan, charted(sides), style)

    def draw(side: Side | None) -> Figure:
        assert side is not None
        assert volume is not None
        if view == "section":
            return section.section_along_path(plan, volume, side, style)
        if view == "profile":
            return profile.depth_profile(plan, volume, side, style)
        if view == "square-on":
            return square_on.square_on(plan, volume, side, charted((side,)).get(side), style)
        return head.head_with_tapes(plan, volume, side, style)

    return draw


def _ratio(size_in: tuple[float, float], size_mm: tuple[float, float | None] | None) -> float:
    if size_mm is None:
        return 1.0
    ratio = size_mm[0] / (size_in[0] * MM_PER_IN)
    if size_mm[1] is not None:
        ratio = min(ratio, size_mm[1] / (size_in[1] * MM_PER_IN))
    return ratio
