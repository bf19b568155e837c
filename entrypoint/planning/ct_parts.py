"""What is found on a head CT before anything is judged: once, for the plan, map and simulation."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import MeasurementError
from entrypoint.geometry.planes import Plane
from entrypoint.planning.ct_given import Given, given_on_ct, suture_doubts, suture_given
from entrypoint.planning.ct_head import CtHead, find_head
from entrypoint.planning.ct_site import Site, read_site
from entrypoint.planning.ct_suture import CtSuture, read_suture
from entrypoint.planning.entry import MidlineTape, midline_tape
from entrypoint.planning.model import Finding, How, Rule, Side
from entrypoint.planning.site_chart import SiteChart
from entrypoint.volume.volume import Volume

__all__ = ["CtParts", "charts_of", "ct_parts"]

FloatArray = NDArray[np.float64]
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class CtParts:
    """The head, its plane, tape, suture and sites, and the rule with what given points add."""

    head: CtHead
    given: Given
    plane_given: bool
    midsagittal: Plane
    suture: CtSuture
    doubts: tuple[Finding, ...]  # about a given suture
    tape: MidlineTape
    rule: Rule
    sites: dict[Side, Site]
    refused: dict[Side, MeasurementError]  # sides on which nothing could be measured


def ct_parts(
    volume: Volume,
    *,
    rule: Rule,
    landmarks: Mapping[str, FloatArray] | None = None,
    coronal_suture_mm: FloatArray | None = None,
    plane: tuple[FloatArray, FloatArray] | None = None,
    progress: Progress | None = None,
) -> CtParts:
    """Find the head, the suture and both sites.

    Parameters
    ----------
    volume : Volume
        With its axes closest to right, anterior, superior (``Volume.canonical``).
    rule : Rule
    landmarks : mapping of name to (3,) array, optional
        Given points, world RAS mm; each replaces the one that would be found.
    coronal_suture_mm : (n, 3) array, optional
        Given suture on the outer table.
    plane : (point, unit normal), optional
        Given midsagittal plane; without it the plane is found also where landmarks are given.
    progress : callable, optional

    Raises
    ------
    FileRefused
        The volume does not read like a CT of a head.
    MeasurementError
        The nasion, the vault or the scalp at both sites cannot be found.
    FieldRefused
        A given landmark lies more than 10 mm from its surface, or on the wrong side.
    """
    say = progress or (lambda _: None)
    given = given_on_ct(volume, landmarks or {}, plane)
    head = find_head(
        volume, nasion_mm=given.nasion_mm, inion_mm=given.inion_mm, plane=plane, progress=progress
    )
    given = given.against(head)
    if given.nasion_mm is not None and rule.interpupillary_mm is None:
        rule = given.with_pupils(rule)
    midsagittal = Plane(point_mm=head.frame.origin_mm, unit_normal=head.frame.unit_right)
    say("finding the coronal suture")
    suture = read_suture(head)
    doubts: tuple[Finding, ...] = ()
    if coronal_suture_mm is not None:
        doubts = suture_doubts(suture, coronal_suture_mm)
        suture = suture_given(suture, head, coronal_suture_mm)
    elif given.bregma_mm is not None:
        suture = given.moved_to_bregma(suture, head)
    say("laying the tapes and measuring the bone")
    tape = midline_tape(head.midline_skin_mm, midsagittal)
    sites: dict[Side, Site] = {}
    refused: dict[Side, MeasurementError] = {}
    for side in (Side.RIGHT, Side.LEFT):
        seen = None if suture.how[side] is How.ESTIMATED else suture.curve_mm
        try:
            sites[side] = read_site(head, tape, midsagittal, rule, side, seen)
        except MeasurementError as error:
            refused[side] = error
    if not sites:
        raise refused[Side.RIGHT]
    return CtParts(
        head=head,
        given=given,
        plane_given=plane is not None,
        midsagittal=midsagittal,
        suture=suture,
        doubts=doubts,
        tape=tape,
        rule=rule,
        sites=sites,
        refused=refused,
    )


def charts_of(parts: CtParts, sides: Iterable[Side]) -> dict[Side, SiteChart]:
    """Charts of the sides that can be charted."""
    from entrypoint.planning.chart_read import read_chart

    charts = {}
    for side in sides:
        if side not in parts.sites:
            continue
        try:
            charts[side] = read_chart(
                parts.head, parts.tape, parts.midsagittal, parts.suture, parts.rule, side
            )
        except MeasurementError:
            continue
    return charts
