"""What a head CT and its file say of the whole head: findings that belong to no side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from entrypoint.planning import head_findings as about
from entrypoint.planning.ct_head import CtHead
from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.ct_suture import CtSuture
from entrypoint.planning.landmark_findings import landmark_doubtful, nasion_shallow
from entrypoint.planning.model import Finding, How, Level, MidsagittalPlane, Rule
from entrypoint.reference import row, spread, value
from entrypoint.volume.facts import FileFacts

__all__ = ["whole_head_findings"]

# Cortical bone of the vault peaks below the first; below the second its tables look alike.
_USUAL_TOP_HU, _LOW_TOP_HU = 2000.0, 1250.0
_USUAL_FLOOR_HU = -950.0  # a file cut off at air's own level has lost nothing


def whole_head_findings(
    parts: CtParts, plane: MidsagittalPlane, facts: FileFacts | None
) -> list[Finding]:
    """Findings about the whole head, the file and what was given, in the order they are raised."""
    head, suture, rule, given = parts.head, parts.suture, parts.rule, parts.given
    out: list[Finding] = [about.sides_as_stated()]
    if facts is not None:
        if facts.practice:
            out.append(about.practice_head())
        if facts.transforms_differ_mm is not None:
            out += about.world_matrices_differ(facts.transforms_differ_mm, facts.world_matrix_from)
        if facts.unit == "unknown":
            out.append(about.unit_assumed())
        out += _stored(facts)
    out += about.plane_uncertain(plane.sd_mm, plane.sd_deg)
    if head.nasion_hollow is not None:
        shallow = nasion_shallow(head.nasion_hollow.depth_mm, head.nasion_skin_sd_mm)
        out += shallow
        if not shallow and head.nasion_skin_sd_mm > 2.5:
            out.append(
                landmark_doubtful(
                    "nasion skin", head.nasion_skin_sd_mm, "the nasal root is long and flat"
                )
            )
    out += about.coarse_slices(head.volume.grid.slice_mm)
    out += about.noise(head.noise_hu)
    out += given.findings
    out += _child(head, suture, rule)
    out += _unusual(head, suture)
    if head.inion_bone_mm is None:
        out.append(
            about.field_of_view("the inion is", level=Level.NOTE, figures=("landmarks.inion",))
        )
    out += about.asymmetry(_sides_differ_mm(suture))
    return [*out, *parts.doubts]


def _stored(facts: FileFacts) -> list[Finding]:
    """What was done to read the file's values, each fact a note or a caution."""
    out = []
    if facts.offset_applied_hu is not None:
        out.append(
            about.stored_values(
                f"the stored values read like HU shifted by {-facts.offset_applied_hu:.0f}; they "
                "were shifted back"
            )
        )
    if facts.clipped_low_hu is not None and facts.clipped_low_hu > _USUAL_FLOOR_HU:
        out.append(
            about.stored_values(
                f"values below {facts.clipped_low_hu:.0f} HU are cut off in the file; the skin's "
                "edge is read between that value and soft tissue"
            )
        )
    if facts.clipped_high_hu is not None and facts.clipped_high_hu < _USUAL_TOP_HU:
        out.append(
            about.stored_values(
                f"values above {facts.clipped_high_hu:.0f} HU are cut off in the file: the edges "
                "of bone and its layers are less certain than their errors say",
                level=Level.CAUTION if facts.clipped_high_hu < _LOW_TOP_HU else Level.NOTE,
                figures=("thickness.skull_mm", "thickness.scalp_mm"),
            )
        )
    if facts.padding_hu is not None:
        out.append(
            about.stored_values(
                f"the file is padded with {facts.padding_hu:.0f}; that was read as air"
            )
        )
    if facts.unusable_transform is not None:
        out.append(
            about.stored_values(
                f"the file's {facts.unusable_transform} cannot be used; the other transform was"
            )
        )
    out += [about.stored_values(words) for words in facts.notes]
    out += [
        about.stored_values(
            words, level=Level.CAUTION, figures=("input.voxel_mm", "scalp_entry_mm")
        )
        for words in facts.cautions
    ]
    if facts.sizes_disagree:
        out.append(
            about.stored_values(
                "the voxel sizes in the header are not those of its transform; the transform was "
                "used",
                level=Level.CAUTION,
                figures=("input.voxel_mm", "scalp_entry_mm"),
            )
        )
    return out


def _unusual(head: CtHead, suture: CtSuture) -> list[Finding]:
    """Sizes beyond any of the published series: a wrong voxel size, or a most unusual head."""
    out = []
    length, high = _head_length_mm(head), row("head_length_men").high or 225.0
    if length is not None and length > high:
        low = row("head_length_women").low or 168.0
        found = about.measure_unusual("length of the head", length, low, high)
        out.append(replace(found, level=Level.CAUTION))
    if head.nasion_bone_mm is not None and suture.bregma_how is not How.ESTIMATED:
        chord = float(np.linalg.norm(suture.bregma_mm - head.nasion_bone_mm))
        least, most = row("nasion_bregma_chord_women").low, row("nasion_bregma_chord_men").high
        # The published chord starts at the suture, not at the deepest point.
        slack = 2.0 * spread("nasion_deepest_offset")
        if least is not None and most is not None and not least - slack < chord < most + slack:
            out.append(
                about.measure_unusual(
                    "straight distance from nasion to bregma on bone", chord, least, most
                )
            )
    return out


def _head_length_mm(head: CtHead) -> float | None:
    """Greatest length of the head in the midline; None where the back is not in view."""
    phi = head.section.angles_deg
    skin = head.frame.head_from_world(head.section.skin_points())
    seen = np.isfinite(skin[:, 1])
    brow = float(head.frame.phi_deg(head.nasion_skin_mm))  # under it lies the nose
    front, back = seen & (phi > brow) & (phi < brow + 60), seen & (phi > 150) & (phi < 200)
    # Without the back of the head in view there is no length.
    whole = front.sum() > 20 and back.sum() > 0.8 * ((phi > 150) & (phi < 200)).sum()
    length = None
    if whole:
        gap = skin[front][:, None, 1:] - skin[back][None, :, 1:]
        length = float(np.sqrt(np.square(gap).sum(axis=2)).max())
    return length


def _child(head: CtHead, suture: CtSuture, rule: Rule) -> tuple[Finding, ...]:
    """A head shorter than any adult woman's of the published series, or a vault as thin."""
    length = _head_length_mm(head)
    low = row("head_length_women").low or 168.0
    why = ""
    if length is not None and length < low - 4.0:
        why = (
            f"the head is {length:.0f} mm long, shorter than the shortest of the published "
            f"series of adult women ({low:.0f} mm)"
        )
    women = row("head_length_women")
    vault, least = float(np.nanmedian(suture.vault.thickness_mm)), value("vault_child_limit")
    short = length is not None and length < women.value - 2.0 * (women.spread or 7.5)
    if not why and short and vault < least:
        why = (
            f"the head is {length:.0f} mm long and its vault {vault:.1f} mm thick (median along "
            f"the top), under {least:.1f} mm"
        )
        return about.child(rule.person, why, value_found=vault, limit=least)
    return about.child(rule.person, why, value_found=length, limit=low)


def _sides_differ_mm(suture: CtSuture) -> float:
    """Largest smoothed difference of mirrored radii over the vault."""
    from scipy import ndimage

    radius = ndimage.uniform_filter(suture.vault.radius_mm, size=(15, 7), mode="nearest")
    return float(np.nanpercentile(np.abs(radius - radius[:, ::-1]), 99))
