"""What the page of a plan says beside its figures: findings explained, rule, input, captions."""

from __future__ import annotations

from dataclasses import dataclass

from entrypoint.errors import FieldRefused
from entrypoint.planning.finding_kinds import kind
from entrypoint.planning.model import (
    Finding,
    LateralBy,
    Level,
    Plan,
    Rule,
    Seat,
    Side,
)
from entrypoint.reference import row
from entrypoint.report.rounding import of_100, tape
from entrypoint.report.wording import (
    KIND_WORDS,
    LEVEL_ORDER,
    LEVEL_WORDS,
    SEAT_WORDS,
    SIDE_WORDS,
    sentence,
)

__all__ = [
    "ONE_SIDE_FOR_A_STOP",
    "SPREADS_IN_COLUMNS",
    "TURN_CAPTION",
    "TURN_SAYS",
    "VIEW_NAMES",
    "Explained",
    "Row3",
    "alt_text",
    "caption",
    "explained",
    "looked_at_rows",
    "provenance_rows",
    "rule_rows",
    "rule_sentence",
    "source_text",
    "subtitle",
    "title",
]

ONE_SIDE_FOR_A_STOP = (
    "One stop length goes on what is printed or held, and this page holds both sides: make the "
    "page of one side, with --side right or --side left."
)
SPREADS_IN_COLUMNS = (
    "Measurement is half of the 95 % interval of the measurement: what another scan of the same "
    "head would change. Readers is how far careful readers differ in what the word means, half "
    "of 95 % too. A dash: the record holds no spread of that figure. Small numbers lead to the "
    "sources."
)
VIEW_NAMES = {
    "section": "The path in section",
    "profile": "What the path meets, from the skin inwards",
    "square-on": "The bone square to the path",
    "head": "The head, both tapes and the path",
    "map": "The site in tape distances",
    "tape": "The two tapes",
}
_VIEW_WORDS = {
    "section": "Three sections that hold the path on the {side}: along the head, seen from the "
    "{side}; across it, seen from behind and above; and the path enlarged. Marked are the entry "
    "on the scalp, the sensor tip, the coronal suture with its margin, the midsagittal plane and "
    "the published envelope of the sagittal sinus.",
    "profile": "A strip of the scan along the path on the {side}, seen from the {side}, beside a "
    "ruler of the depth from the skin and the density along the path, with the edges of scalp, "
    "bone and layers, and the sensor tip.",
    "square-on": "The outer table round the path on the {side}, seen from above along the path "
    "with the nose at the top: path end on, coronal suture, midline, sinus envelope and the "
    "within-margins area with its dashed edge.",
    "head": "The head seen from in front and above, on the {side}: the skull through a "
    "translucent scalp, the midline tape and the tape to the side with a tick every centimetre, "
    "the entry, the path and the coronal suture.",
    "map": "The site on the {side}, by tape distance behind the nasion and to the side, seen from "
    "the head end with the nose at the top: where every margin holds, at the best estimate and "
    "with 95 % probability, with the rules in use, the suture and the thickness of the skull.",
    "tape": "A drawing of a head of average size, not this head's shape: the midline tape seen "
    "from the PATIENT'S RIGHT, and the tape to the side seen from the head end with the nose at "
    "the top.",
}
_SEEN = {
    "section": "Along the head, seen from the {side}; across it, seen from behind and above",
    "profile": "Seen from the {side}, the path straight down the page",
    "square-on": "Seen from above along the path, nose at the top",
    "head": "Seen from in front and above, on the {side}",
    "map": "Seen from the head end, nose at the top; the axes are tape lengths on the scalp",
    "tape": "A drawing of an average head, seen from the PATIENT'S RIGHT and from the head end",
}
TURN_SAYS = (
    "The head in three dimensions: skull under a translucent scalp, the midline tape and the tape "
    "to each planned side with a tick every centimetre, the entry, the path to the sensor tip, "
    "and the coronal suture."
)
TURN_CAPTION = (
    "The surfaces are smoothed for the look and no figure is read from them; vessels and the brain "
    "are not shown because they were not looked at."
)
FIGURES_BELOW = "Its figures are in the tables of this page."


@dataclass(frozen=True, slots=True, kw_only=True)
class Row3:
    """A name, what it is, and where that comes from."""

    name: str
    value: str
    origin: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """A finding and what is known of its kind."""

    level: str
    stop: bool
    caution: bool
    code: str
    text: str
    title: str
    figures: tuple[str, ...]  # what was found, and the limit
    means: str
    do: str
    limits: tuple[tuple[str, str], ...]  # name and origin of each row behind the limit


def title(plan: Plan) -> str:
    """Side and subject, in full words."""
    sides = [SIDE_WORDS[s] for s in (Side.RIGHT, Side.LEFT) if s in plan.sides]
    subject = "Entry plan" if plan.given_path is None else f"Given path: {plan.given_path}"
    return f"{subject}, {' and '.join(sides)}"


def subtitle(plan: Plan) -> str:
    """What the plan was made from."""
    return f"From {KIND_WORDS[plan.input.kind]}, {plan.input.name}. {plan.sides_note}"


def rule_sentence(plan: Plan) -> str:
    """The rule, or a given path by tape, in one sentence."""
    rule = plan.rule
    lateral = (
        "half the interpupillary distance"
        if rule.lateral_by is LateralBy.MID_PUPILLARY
        else tape(rule.lateral_arc_mm)
    )
    if plan.given_path is not None:
        return (
            f"The given path, read by tape: {tape(rule.midline_arc_mm)} behind the nasion, "
            f"{lateral} to the side."
        )
    return (
        f"The rule: {tape(rule.midline_arc_mm)} behind the nasion, {lateral} to the side, at least "
        f"{rule.suture_margin_mm:g} mm in front of the coronal suture."
    )


def looked_at_rows(plan: Plan) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """What was checked, what not, and what could not be, of the sides in the plan alone."""
    looked = plan.looked_at
    other = [SIDE_WORDS[s] for s in Side if s not in plan.sides]
    return tuple(
        (word, tuple(item for item in items if not any(o in item for o in other)))
        for word, items in (
            ("Checked", looked.checked),
            ("Not checked", looked.not_checked),
            ("Could not be checked", looked.could_not_be_checked),
        )
    )


def explained(findings: tuple[Finding, ...]) -> tuple[Explained, ...]:
    """Findings with their explanation, stops first.

    Parameters
    ----------
    findings : tuple of Finding
    """
    ordered = sorted(findings, key=lambda f: LEVEL_ORDER.index(f.level))
    return tuple(_explained(finding) for finding in ordered)


def _explained(finding: Finding) -> Explained:
    try:
        known = kind(finding.code)
        heading, means, do, keys = known.title, known.means, known.do, known.rows
    except FieldRefused:  # of a newer version
        heading, keys = finding.code.replace("-", " ").capitalize(), ()
        means = "This version of the program does not know findings of this kind."
        do = "Make the page with the version that made the plan."
    figures = []
    for name, value in (("found", finding.value), ("limit", finding.limit)):
        if value is not None:
            figures.append(f"{name} {_figure(value, finding.unit)}")
    limits = tuple((key.replace("_", " "), row(key).cited()) for key in keys)
    if finding.source and finding.source not in "; ".join(origin for _, origin in limits):
        limits = (*limits, ("as the record says", finding.source))
    return Explained(
        level=LEVEL_WORDS[finding.level], stop=finding.level is Level.STOP,
        caution=finding.level is Level.CAUTION, code=finding.code, text=sentence(finding.text),
        title=heading, figures=tuple(figures), means=means, do=do, limits=limits,
    )  # fmt: skip


def _figure(value: float, unit: str) -> str:
    if unit == "1":
        return of_100(value) if 0.0 <= value <= 1.0 else f"{value:.3g}"
    words = {"deg": "degrees"}.get(unit, unit)
    return f"{value:.3g} {words}".strip()


def rule_rows(plan: Plan) -> tuple[Row3, ...]:
    """The parameters of the plan, each with where it comes from.

    Parameters
    ----------
    plan : Plan
    """
    rule, usual = plan.rule, Rule()
    rows = []
    for name, value, default, key in (
        ("Tape along the midline", rule.midline_arc_mm, usual.midline_arc_mm, "rule_midline_arc"),
        ("Tape to the side", rule.lateral_arc_mm, usual.lateral_arc_mm, "rule_lateral_arc"),
    ):
        if key == "rule_lateral_arc" and rule.lateral_by is LateralBy.MID_PUPILLARY:
            said = "half the interpupillary distance"
            rows.append(Row3(name=name, value=said, origin="as typed"))
            continue
        rows.append(_parameter(name, tape(value), value == default, key))
    if rule.interpupillary_mm is not None:
        rows.append(
            Row3(name="Distance between the pupils", value=f"{rule.interpupillary_mm:g} mm",
                 origin="as typed")
        )  # fmt: skip
    for name, value, default, key in (
        ("Margin to the coronal suture", rule.suture_margin_mm, usual.suture_margin_mm,
         "rule_suture_margin"),
        ("Margin to the midline", rule.midline_margin_mm, usual.midline_margin_mm,
         "rule_midline_margin"),
        ("Margin to the sagittal sinus envelope", rule.sinus_margin_mm, usual.sinus_margin_mm,
         "rule_sinus_margin"),
        ("Sensor tip below the inner table", rule.sensor_depth_mm, usual.sensor_depth_mm,
         "rule_sensor_depth"),
        ("Past the expected inner table", rule.drill_allowance_mm, usual.drill_allowance_mm,
         "rule_drill_allowance"),
    ):  # fmt: skip
        rows.append(_parameter(name, f"{value:g} mm", value == default, key))
    typed = (
        ("Surface that the drill stop seats on", _seat(rule.stop_seats_on)),
        ("Length of the bolt", _mm(rule.bolt_length_mm)),
        ("Engagement of the bolt", _mm(rule.engagement_mm)),
        ("Pitch of its thread", _mm(rule.thread_pitch_mm)),
        ("Whose head it is", rule.person or "not stated"),
    )
    rows += [
        Row3(name=name, value=value, origin="" if value.startswith("not ") else "as typed")
        for name, value in typed
    ]
    return tuple(rows)


def _parameter(name: str, value: str, is_default: bool, key: str) -> Row3:
    if is_default:
        return Row3(name=name, value=value, origin="the default", notes=(key,))
    return Row3(name=name, value=value, origin="as typed")


def _mm(value: float | None) -> str:
    return "not typed" if value is None else f"{value:g} mm"


def _seat(seat: Seat | None) -> str:
    return "not named" if seat is None else SEAT_WORDS[seat]


def provenance_rows(plan: Plan, code: str) -> tuple[tuple[str, str], ...]:
    """What this page was made from.

    Parameters
    ----------
    plan : Plan
    code : str
        The first digits of the record's own hash.
    """
    given = plan.input
    rows = [
        ("Program", f"entrypoint {plan.tool_version}"),
        ("Plan record, SHA-256 begins", code),
        ("Input", KIND_WORDS[given.kind]),
        ("Its name here", given.name),
        ("Its SHA-256", given.sha256),
        ("Unit and space", f"{given.unit}, {given.space}"),
    ]
    if given.shape is not None:
        rows.append(("Voxels", " x ".join(f"{n}" for n in given.shape)))
    if given.voxel_mm is not None:
        rows.append(("Voxel, mm", " x ".join(f"{mm:.3g}" for mm in given.voxel_mm)))
    if given.world_matrix_from is not None:
        rows.append(("Millimetres from the file's", given.world_matrix_from))
    for name, value in given.measures_mm.items():
        rows.append((name.removesuffix("_mm").replace("_", " ").capitalize(), f"{value:g} mm"))
    quality = plan.quality
    if quality is not None:
        rows += [
            (words, f"{value:.1f} {unit}")
            for words, value, unit in (
                ("Slices of the scan", quality.slice_mm, "mm"),
                ("Blur of the scan, full width at half height", quality.blur_fwhm_mm, "mm"),
                ("Noise of the scan", quality.noise_hu, "HU"),
                ("Air reads", quality.air_hu, "HU"),
                ("Soft tissue reads", quality.soft_hu, "HU"),
            )
            if value is not None
        ]
    hands = {found.hand.seed: found.hand for found in plan.sides.values() if found.hand is not None}
    for hand in hands.values():
        rows.append(("Simulated placements", f"{hand.draws:,}, seed {hand.seed}"))
    rows.append(("Seed of the plan", "none was drawn" if plan.seed is None else f"{plan.seed}"))
    return tuple(rows)


def alt_text(view: str, side: Side | None) -> str:
    """What a picture shows, for whoever does not see it."""
    words = SIDE_WORDS[side] if side is not None else "PATIENT'S RIGHT and the PATIENT'S LEFT"
    return f"{_VIEW_WORDS[view].format(side=words)} {FIGURES_BELOW}"


def caption(view: str, side: Side | None) -> str:
    """From where a picture is seen."""
    return _SEEN[view].format(side=SIDE_WORDS[side] if side is not None else "") + "."


def source_text(key: str) -> str:
    """A reference row in one line: what it is, its value and spread, and its origin."""
    found = row(key)
    parts = []
    if found.value or found.spread is None:
        parts.append(_figure(found.value, found.unit))
    if found.spread is not None:
        parts.append(f"one standard deviation {_figure(found.spread, found.unit)}")
    if found.low is not None and found.high is not None:
        parts.append(f"range {found.low:g} to {found.high:g}")
    if found.n is not None:
        parts.append(f"{found.n} measured")
    # A judgement is cited by how it was measured.
    told = (found.population, "" if found.how_measured in found.cited() else found.how_measured)
    parts += [text for text in told if text]
    name = key.replace("_", " ").capitalize()
    return f"{name}: {', '.join(parts)}. {sentence(found.cited())}"
