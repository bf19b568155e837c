"""A site map as a short text: what was looked at first, then the areas and the rules in them."""

from __future__ import annotations

from entrypoint.planning.model import LookedAt, Side
from entrypoint.planning.site_map_model import (
    OWN_RULE,
    MapArea,
    MapPoint,
    Margin,
    SideMap,
    SiteMap,
)
from entrypoint.report.document import Block, Document, Heading, Paragraph, Table
from entrypoint.report.rounding import down, figure_mm, half_width_mm, of_100, tape, up
from entrypoint.report.text import findings_blocks
from entrypoint.report.wording import HOW_WORDS, KIND_WORDS, PRACTICE_BANNER, SIDE_WORDS

__all__ = ["map_document"]

Row = tuple[str, str]
MARGIN_WORDS = {
    Margin.SUTURE: "coronal suture",
    Margin.MIDLINE: "midline",
    Margin.SINUS: "sinus envelope",
    Margin.BONE: "missing or cracked bone or metal",
    Margin.THICKNESS: "skull too thin",
    Margin.MAP: "end of the map",
}
_LIMIT_WORDS = {
    Margin.SUTURE: "in front of the coronal suture, nearest",
    Margin.MIDLINE: "to the side of the midline plane",
    Margin.SINUS: "outside the sagittal sinus envelope",
    Margin.BONE: "from missing or cracked bone or metal",
    Margin.THICKNESS: "of skull along the path",
}


def map_document(site_map: SiteMap, *, brief: bool = False) -> Document:
    """A site map as blocks of text.

    Parameters
    ----------
    site_map : SiteMap
    brief : bool
        Leave out notes.

    Returns
    -------
    Document
        Begins and ends with the caveat.
    """
    banner: list[Block] = [Heading(text=PRACTICE_BANNER, rank=1)] if site_map.practice else []
    blocks: list[Block] = [Paragraph(text=site_map.caveat), *banner]
    blocks.append(Paragraph(text=_title(site_map)))
    blocks.append(_looked_at(site_map.looked_at))
    blocks += findings_blocks("FINDINGS: whole head", site_map.findings, brief)
    sides = [side for side in (Side.RIGHT, Side.LEFT) if side in site_map.sides]
    for side in sides:
        title = f"FINDINGS at the rule's point: {SIDE_WORDS[side]}"
        blocks += findings_blocks(title, site_map.sides[side].findings, brief, always=True)
    blocks.append(Heading(text="WITHIN-MARGINS AREA: what is not in it"))
    blocks.append(
        Paragraph(
            text="The area is where every margin below holds, and no more than that. Not looked "
            "at, and not in it: " + "; ".join(site_map.not_in_it) + "."
        )
    )
    for side in sides:
        blocks += _side(site_map, side)
    blocks.append(Paragraph(text=_meaning(site_map)))
    blocks += [*banner, Paragraph(text=site_map.caveat)]
    return tuple(blocks)


def _title(site_map: SiteMap) -> str:
    return (
        f"Site map from {KIND_WORDS[site_map.input.kind]}, {site_map.input.name}: every "
        f"{site_map.step_mm:g} mm of tape from {tape(site_map.midline_arc_first_mm)} to "
        f"{tape(site_map.midline_arc_last_mm)} behind the nasion and from "
        f"{tape(site_map.lateral_arc_first_mm)} to {tape(site_map.lateral_arc_last_mm)} to the "
        f"side. {site_map.sides_note}"
    )


def _looked_at(looked: LookedAt) -> Table:
    parts = (
        ("Checked", looked.checked),
        ("Not checked", looked.not_checked),
        ("Could not be checked", looked.could_not_be_checked),
    )
    return Table(rows=tuple((word, "; ".join(items) or "none of these") for word, items in parts))


def _side(site_map: SiteMap, side: Side) -> list[Block]:
    found = site_map.sides[side]
    kept = f"{round(100 * site_map.p_kept)} of 100"
    margins = [
        (f"At least {limit.limit_mm:g} mm {_LIMIT_WORDS[limit.margin]}",
         f"broken on {up(100 * limit.share_broken, 0):.0f} % of the map")
        for limit in found.limits
    ]  # fmt: skip
    rows: list[Row] = [
        ("Area within margins, best estimate", _size(found.best)),
        *_centre(found.best),
        (f"Area within margins in {kept}", _size(found.kept)),
        *_centre(found.kept),
        *_bone(found),
        ("The suture was", HOW_WORDS[found.suture]),
    ]
    if found.hand is not None:
        rows.append(
            (
                "A hand adds to the place of the mark",
                f"± {up(half_width_mm(found.hand.sd_along_mm)):.1f} mm along the midline, "
                f"± {up(half_width_mm(found.hand.sd_across_mm)):.1f} mm to the side",
            )
        )
    own = found.rule_point
    others = [
        point
        for point in found.rules
        if (point.midline_arc_mm, point.lateral_arc_mm) != (own.midline_arc_mm, own.lateral_arc_mm)
    ]
    rules = [_rule_row(point) for point in (own, *others)]
    return [
        Heading(text=f"SITE MAP: {SIDE_WORDS[side]}"),
        Table(rows=tuple(margins)),
        Table(rows=tuple(rows)),
        Paragraph(
            text="Rules in use, as tape behind the nasion and tape to the side (mid-pupillary: "
            "half the distance between the pupils, straight):"
        ),
        Table(rows=tuple(rules)),
    ]


def _size(area: MapArea) -> str:
    if not area.area_mm2 > 0.0:
        return "none on this map"
    text = f"{down(area.area_mm2 / 100.0):.1f} square cm of scalp"
    if area.parts > 1:
        text += f" in {area.parts} parts"
    if area.reaches_end_of_map:
        text += "; it reaches the end of the map"
    return text


def _centre(area: MapArea) -> list[Row]:
    centre = area.centre
    if centre is None:
        return []
    return [
        (
            "  farthest from its edges (no entry)",
            f"{tape(centre.midline_arc_mm)} behind the nasion, {tape(centre.lateral_arc_mm)} to "
            f"the side; {figure_mm(centre.edge_mm)} from the edge "
            f"({MARGIN_WORDS[centre.edge_is]})",
        )
    ]


def _bone(found: SideMap) -> list[Row]:
    if found.skull_least_mm is None or found.skull_most_mm is None:
        return [("Skull thickness over the map", "not known")]
    text = f"{down(found.skull_least_mm):.1f} to {up(found.skull_most_mm):.1f} mm"
    if found.skull_median_mm is not None:
        text += f", middle {down(found.skull_median_mm):.1f} mm"
    if found.skull_sd_mm is not None:
        text += f", each ± {up(half_width_mm(found.skull_sd_mm)):.1f} mm"
    rows = [("Skull thickness over the map", text)]
    if found.share_without_sound_bone > 0.0:
        share = up(100 * found.share_without_sound_bone, 0)
        rows.append(("  no thickness (bone missing, cracked, metal)", f"{share:.0f} % of the map"))
    return rows


def _rule_row(point: MapPoint) -> Row:
    name = point.name[:1].upper() + point.name[1:]
    if point.name == OWN_RULE and point.lateral_arc_mm is not None:
        name += f": {point.midline_arc_mm / 10:g} cm and {point.lateral_arc_mm / 10:.3g} cm"
    if not point.in_map:
        return name, "off the map: not looked at"
    where = "within margins" if point.within_best else "outside margins"
    edge = point.edge_best_mm
    if edge is None:
        text = where
    else:
        by = figure_mm(edge) if edge >= 0 else f"{up(-edge):.1f} mm"
        reason = f" ({MARGIN_WORDS[point.edge_best_is]})" if point.edge_best_is else ""
        text = f"{where}, {by} from the edge{reason}"
    if point.broken:
        text += "; broken: " + ", ".join(MARGIN_WORDS[m] for m in point.broken)
    if point.p_margin_broken is not None:
        text += f"; a margin broken in {of_100(point.p_margin_broken)}"
    if point.skull_mm is not None:
        text += f"; skull {figure_mm(point.skull_mm)}"
    return name, text


def _meaning(site_map: SiteMap) -> str:
    hand = any(found.hand is not None for found in site_map.sides.values())
    spreads = "the scan's own errors and how far careful readers differ"
    if hand:
        spreads += ", and a simulated hand"
    return (
        f'"{round(100 * site_map.p_kept)} of 100" counts {spreads}, taken as normal errors, and '
        "rounds against the area. Distances from the edge run on the scalp. The place farthest "
        "from the edges is a property of the area, not an entry: nobody has looked at what lies "
        "under it."
    )
