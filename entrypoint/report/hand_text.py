"""Simulated placements in words: counts out of all of them, and how far they spread.

One drill-stop length is ever shown, in its box; here there are only counts of what it did.
"""

from __future__ import annotations

from entrypoint.planning.hand_model import HandMargin, HandPoint, HandResult, HandSpreads
from entrypoint.planning.model import InputKind, Plan, Seat, Side
from entrypoint.report.document import Block, Heading, Paragraph, Table
from entrypoint.report.rounding import down, half_width_mm, up
from entrypoint.report.wording import SEAT_WORDS, SIDE_WORDS, sentence

__all__ = ["hand_blocks", "of_simulated"]

Row = tuple[str, str]

_LIMITS_OF_IT = (
    "Spreads of a hand are settable, and most of the usual ones are judgement without a source: "
    "the counts show what such a hand would do on these figures, not what will happen."
)


def of_simulated(margin: HandMargin) -> str:
    """A count of simulated placements, never none and never all.

    Examples
    --------
    >>> of_simulated(HandMargin(broken=412, draws=10000, p_broken=0.0413, p_at_most=0.0447))
    'in 412 of 10,000 simulated placements'
    >>> of_simulated(HandMargin(broken=0, draws=10000, p_broken=0.0001, p_at_most=0.0003))
    'in fewer than 1 of 10,000 simulated placements (95 % bound: 3 of 10,000)'
    """
    whole = f"{margin.draws:,}"
    if margin.broken == 0:
        text = f"in fewer than 1 of {whole} simulated placements"
        if margin.p_at_most is not None:
            bound = int(up(margin.p_at_most * margin.draws, 0))
            text += f" (95 % bound: {bound} of {whole})"
        return text
    if margin.broken == margin.draws:
        return f"in more than {margin.draws - 1:,} of {whole} simulated placements"
    return f"in {margin.broken:,} of {whole} simulated placements"


def hand_blocks(plan: Plan, side: Side) -> list[Block]:
    """Blocks of one side; none where no placements were simulated.

    Parameters
    ----------
    plan : Plan
    side : Side
    """
    hand = plan.sides[side].hand
    if hand is None:
        return []
    rows = [*_margins(plan, hand), *_spread(hand), *_drill(plan, hand)]
    blocks: list[Block] = [
        Heading(text=f"WITH A HAND: {SIDE_WORDS[side]}"),
        Paragraph(
            text=f"{hand.draws:,} simulated placements, seed {hand.seed}. Included: "
            f"{'; '.join(hand.included)}. Not included: {'; '.join(hand.not_included)}."
        ),
        Table(rows=tuple(rows)),
    ]
    if hand.outside_chart:
        blocks.append(
            Paragraph(
                text=f"{hand.outside_chart:,} of them ended outside the chart that was read from "
                "the scan; they count as broken in every margin and are in no spread."
            )
        )
    blocks.append(Paragraph(text=sentence(_spreads(hand.spreads)) + " " + _LIMITS_OF_IT))
    return blocks


def _margins(plan: Plan, hand: HandResult) -> list[Row]:
    rule = plan.rule
    named = (
        (f"Coronal suture nearer than {rule.suture_margin_mm:g} mm", hand.suture),
        ("  behind the suture", hand.behind_suture),
        (f"Midline nearer than {rule.midline_margin_mm:g} mm", hand.midline),
        (_sinus_words(rule.sinus_margin_mm), hand.sinus),
        ("No sound bone where the drill would stand", hand.sound_bone),
        ("At least one of these", hand.any_margin),
    )
    return [(words, of_simulated(margin)) for words, margin in named if margin is not None]


def _sinus_words(margin_mm: float) -> str:
    if margin_mm == 0.0:
        return "Sagittal sinus envelope entered"
    return f"Sagittal sinus envelope nearer than {margin_mm:g} mm"


def _spread(hand: HandResult) -> list[Row]:
    rows = []
    point = hand.point
    if point is not None:
        rows.append(
            (
                "Point on the scalp, 95 of 100",
                f"± {up(half_width_mm(point.sd_along_mm)):.1f} mm along the midline, "
                f"± {up(half_width_mm(point.sd_across_mm)):.1f} mm to the side; "
                f"{_ellipse(point)}",
            )
        )
        rows.append(
            (
                "  of it the hand alone",
                f"± {up(half_width_mm(point.hand_sd_along_mm)):.1f} mm along, "
                f"± {up(half_width_mm(point.hand_sd_across_mm)):.1f} mm to the side",
            )
        )
    if hand.tilt is not None:
        rows.append(
            (
                "Tilt of the drill from square",
                f"half of them within {up(hand.tilt.median_deg):.1f} degrees, 95 of 100 within "
                f"{up(hand.tilt.within_95_deg):.1f} degrees",
            )
        )
    return rows


def _ellipse(point: HandPoint) -> str:
    turn = round(point.ellipse_turn_deg)
    where = "away from" if turn >= 0 else "towards"
    return (
        f"an ellipse of half-axes {up(point.ellipse_long_mm):.1f} and "
        f"{up(point.ellipse_short_mm):.1f} mm, the longer turned {_degrees(abs(turn))} from "
        f"straight back {where} the midline"
    )


def _degrees(number: float) -> str:
    return f"{number:.2g} degree" + ("" if number == 1.0 else "s")


def _drill(plan: Plan, hand: HandResult) -> list[Row]:
    rows: list[Row] = []
    bone, tip, stop = hand.bone, hand.tip, hand.stop
    if bone is not None:
        rows.append(
            (
                "Bone along the path as drilled (not a setting)",
                f"{down(bone.median_mm):.1f} mm (90 of 100: {down(bone.low_mm):.1f} to "
                f"{up(bone.high_mm):.1f} mm)",
            )
        )
    if tip is not None:
        rows.append(
            (
                "Sensor tip, 95 of 100",
                f"± {up(half_width_mm(tip.sd_along_mm)):.1f} mm along the midline, "
                f"± {up(half_width_mm(tip.sd_across_mm)):.1f} mm to the side, "
                f"± {up(half_width_mm(tip.sd_deep_mm)):.1f} mm along the path; within "
                f"{up(tip.radius_95_mm):.1f} mm of the planned tip",
            )
        )
        rows.append(
            (
                "  below the inner table",
                f"{down(tip.below_inner_median_mm):.1f} mm (90 of 100: "
                f"{down(tip.below_inner_low_mm):.1f} to {up(tip.below_inner_high_mm):.1f} mm)",
            )
        )
    seat = plan.rule.stop_seats_on
    if stop is not None and seat is not None:
        rows += _stop(seat, plan, hand)
    elif bone is not None and seat is None and plan.input.kind is InputKind.CT:
        rows.append(("Stop length", "no surface was named for its seat: not simulated"))
    return rows


def _stop(seat: Seat, plan: Plan, hand: HandResult) -> list[Row]:
    stop = hand.stop
    if stop is None:
        return []
    past = "past the inner table"
    if stop.past_inner_mm > 0.0:
        past = f"more than {stop.past_inner_mm:g} mm past the inner table"
    rows = [
        (
            f"Stop length of the box, stop seated {SEAT_WORDS[seat]}: {past}",
            of_simulated(stop.start_past_inner),
        )
    ]
    if stop.bone_left_at_through is not None:
        rows.append(
            (
                "  bone left where the inner table is expected and "
                f"{plan.rule.drill_allowance_mm:g} mm more (not a setting)",
                of_simulated(stop.bone_left_at_through),
            )
        )
    return rows


def _spreads(s: HandSpreads) -> str:
    return (
        "one standard deviation of this hand: nasion "
        f"{s.nasion_along_mm:g} mm along the profile and {s.nasion_sideways_mm:g} mm sideways; "
        f"midline {s.midline_offset_mm:g} mm and {_degrees(s.midline_yaw_deg)}; tape "
        f"{100.0 * s.tape_share:g} % and {s.tape_reading_mm:g} mm; lateral tape "
        f"{_degrees(s.lateral_angle_deg)}; mark {s.mark_mm:g} mm; drill {_degrees(s.tilt_deg)} "
        f"about each axis and {s.skate_mm:g} mm of slip"
    )
