"""Heads as found and their charts, each read once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from entrypoint.geometry.planes import Plane
from entrypoint.planning.chart_read import read_chart
from entrypoint.planning.ct_head import CtHead
from entrypoint.planning.ct_parts import CtParts, ct_parts
from entrypoint.planning.ct_suture import CtSuture
from entrypoint.planning.entry import MidlineTape
from entrypoint.planning.model import Rule, Side
from entrypoint.planning.site_chart import SiteChart
from entrypoint.volume.volume import Volume


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """What a chart is read from, and the charts."""

    parts: CtParts
    head: CtHead
    tape: MidlineTape
    midsagittal: Plane
    suture: CtSuture
    rule: Rule
    charts: dict[Side, SiteChart]


_KEPT: dict[int, tuple[Volume, Found]] = {}


def found(volume: Volume) -> Found:
    """The head of a volume and both charts; kept by the volume itself."""
    kept = _KEPT.get(id(volume))
    if kept is None:
        kept = _KEPT[id(volume)] = (volume, _find(volume))
    return kept[1]


def _find(volume: Volume) -> Found:
    parts = ct_parts(volume, rule=Rule())
    charts = {
        s: read_chart(parts.head, parts.tape, parts.midsagittal, parts.suture, parts.rule, s)
        for s in Side
    }
    return Found(
        parts=parts,
        head=parts.head,
        tape=parts.tape,
        midsagittal=parts.midsagittal,
        suture=parts.suture,
        rule=parts.rule,
        charts=charts,
    )


@cache
def scanned_charts(name: str) -> Found:
    """The same for a phantom that was scanned by name."""
    from tests.planning.ct.heads import scanned

    return found(scanned(name).volume)
