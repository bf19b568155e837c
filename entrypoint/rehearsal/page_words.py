"""What the page says: the core's figures and sentences, in the form that the page shows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from entrypoint.planning.model import CAVEAT
from entrypoint.reference import row
from entrypoint.rehearsal.session import Hidden, passed
from entrypoint.rehearsal.words import NOT_SUMMED, TEACHES, score_json
from entrypoint.report.rounding import down, figure_mm, tape, up
from entrypoint.report.wording import PRACTICE_BANNER

if TYPE_CHECKING:
    from entrypoint.rehearsal.heads import StageHead
    from entrypoint.rehearsal.own_path import OwnPath
    from entrypoint.rehearsal.scoring import Score
    from entrypoint.rehearsal.session import Session
    from entrypoint.rehearsal.tape import LaidTape

__all__ = [
    "OWN_SCAN",
    "estimate",
    "page_words",
    "reveal_json",
    "section_words",
    "session_words",
    "tape_json",
]

OWN_SCAN = "The scan that was given with the command; it is read on this machine only."
_TICK_MM = 10.0
_LINE_STEP_MM = 1.5


def page_words() -> dict[str, str]:
    """What every page says."""
    return {"caveat": CAVEAT, "banner": PRACTICE_BANNER, "teaches": TEACHES}


def estimate() -> str:
    """Thickness as published for other heads, for a stop that is set without a scan."""
    scalp, skull = row("scalp_frontal"), row("skull_frontal")
    return (
        "Without a scan, from other heads: scalp at the frontal point about "
        f"{scalp.value:g} mm (seen {scalp.low:g} to {scalp.high:g}), skull about "
        f"{skull.value:.1f} mm (seen {skull.low:g} to {skull.high:g}). "
        "This head may be any of them."
    )


def session_words(session: Session) -> str:
    """What a session hides and asks."""
    hidden = [
        words
        for on, words in (
            (Hidden.TAPE_NUMBERS in session.hidden, "the tape's centimetres"),
            (Hidden.MIDLINE in session.hidden, "the midline"),
            (Hidden.SUTURE in session.hidden, "the suture"),
        )
        if on
    ]
    parts = [f"Hidden: {', '.join(hidden)}." if hidden else "Nothing is hidden."]
    if session.time_limit_s is not None:
        parts.append(f"Time for each head: {session.time_limit_s / 60:g} minutes.")
    return " ".join(parts)


def tape_json(laid: LaidTape, length_mm: float, *, numbers: bool) -> dict[str, Any]:
    """A tape as far as it is drawn, with its centimetres where they are shown."""
    arcs = np.append(np.arange(0.0, length_mm, _LINE_STEP_MM), length_mm)
    along = [laid.at(float(arc)).tolist() for arc in arcs]
    ticks = [
        {"cm": cm, "mm": laid.at(cm * _TICK_MM).tolist()}
        for cm in range(1, int(length_mm // _TICK_MM) + 1)
    ]
    return {
        "points": along,
        "ticks": ticks if numbers else [],
        "length_mm": length_mm,
        "words": tape(length_mm) if numbers else "",
    }


def section_words(head: StageHead, read: OwnPath) -> list[str]:
    """Thickness along the trainee's own path, or why there is none."""
    banner = [PRACTICE_BANNER + "."] if head.practice else []
    if read.skull_mm is None or read.scalp_mm is None:
        return [f"No thickness can be read here: {read.no_bone or 'no bone was found'}.", *banner]
    return [
        f"Along your path: scalp {figure_mm(read.scalp_mm)}, skull "
        f"{figure_mm(read.skull_mm, read.skull_sd_mm)}.",
        "Broken line: your path. Ruled across it: both faces of the bone. Bar: 1 cm.",
        *banner,
    ]


_ROWS = (
    ("nasion", "Nasion"),
    ("by_eye", "Entry by eye"),
    ("entry", "Entry by tape"),
    ("tilt", "Drill"),
)
_OWN = (
    ("margin_suture", "Suture"),
    ("margin_midline", "Midline"),
    ("margin_sinus", "Sinus envelope"),
    ("stop", "Drill stop"),
    ("tip", "Sensor tip"),
)
_VERDICTS = {
    "agrees": "The decision agrees with the findings",
    "more cautious": "More cautious than the findings ask",
    "less cautious": "Less cautious than the findings ask",
    "not given": "No decision was given",
}


def reveal_json(score: Score, session: Session | None) -> dict[str, Any]:
    """The score for the page: rows of figures with one sentence each, and the truth to draw."""
    made = score_json(score)
    hand, said, judged = score.hand, made["hand"]["words"], made["judgement"]
    figures = {
        "nasion": None if hand.nasion is None else _mm(hand.nasion.along_scalp_mm),
        "by_eye": None if hand.by_eye is None else _mm(hand.by_eye.along_scalp_mm),
        "entry": _mm(hand.entry.along_scalp_mm),
        "tilt": None if hand.tilt_deg is None else f"{hand.tilt_deg:.1f} degrees",
        "stop": _past(hand.past_inner_mm),
        "tip": None if hand.tip_error_mm is None else f"{hand.tip_error_mm:+.1f} mm",
        **{
            f"margin_{m.name}": "not known" if m.value_mm is None else f"{down(m.value_mm):.1f} mm"
            for m in hand.margins
        },
    }

    def rows(wanted: tuple[tuple[str, str], ...]) -> list[dict[str, str]]:
        return [
            {"what": title, "figure": figures.get(key) or "not known", "reason": said[key]}
            for key, title in wanted
            if key in said
        ]

    failed = judged["failed"]
    verdict = _VERDICTS[judged["verdict"]]
    if failed:
        verdict = f"FAILED, whatever the millimetres: {', '.join(judged['fails'])}"
    findings = [f"{f['level'].capitalize()}: {f['text']}" for f in judged["findings"]]
    return {
        "hand": {"verdict": _hand_verdict(score, session), "rows": rows(_ROWS)},
        "judgement": {
            "verdict": verdict,
            "failed": failed,
            "reasons": judged["words"],
            "findings": findings,
        },
        "own": rows(_OWN),
        "truth": _truth(made["truth"]),
        "note": f"{NOT_SUMMED} {TEACHES}",
        "score": made,
    }


def _mm(value: float) -> str:
    return figure_mm(value, lower=False)


def _past(value: float | None) -> str | None:
    if value is None:
        return None
    return f"{up(value):.1f} mm past" if value > 0.0 else f"{down(-value):.1f} mm short"


def _hand_verdict(score: Score, session: Session | None) -> str:
    hand = score.hand
    said = f"Entry {_mm(hand.entry.along_scalp_mm)} from the truth"
    if hand.tilt_deg is not None:
        said += f", drill {hand.tilt_deg:.1f} degrees from square"
    judged = {} if session is None else passed(score, session.pass_marks)
    names = {
        "nasion_mm": "nasion",
        "entry_mm": "entry",
        "tilt_deg": "drill",
        "past_inner_mm": "drill stop",
        "tip_error_mm": "sensor tip",
    }
    within = [names[k] for k, held in judged.items() if held is True]
    beyond = [names[k] for k, held in judged.items() if held is False]
    if beyond:
        said += f"; beyond the pass marks: {', '.join(beyond)}"
    if within:
        said += f"; within the pass marks: {', '.join(within)}"
    return said


def _truth(truth: dict[str, Any]) -> dict[str, Any]:
    points = [("nasion", "nasion_mm", "true nasion"), ("entry", "entry_mm", "true entry")]
    seen = truth["suture_seen"] in ("measured", "given")
    lines = [
        ("midline", "midline_tape_mm", "true midline", False),
        ("lateral", "lateral_tape_mm", "", False),
        ("suture", "suture_mm", "coronal suture" if seen else "coronal suture, estimated", True),
    ]
    path = None
    if truth["unit_inward"] is not None:
        path = {"entry_mm": truth["rule_entry_mm"], "unit_inward": truth["unit_inward"]}
    return {
        "points": [{"name": n, "mm": truth[k], "label": words} for n, k, words in points],
        "lines": [
            {"name": n, "mm": truth[k], "label": words, "under": under}
            for n, k, words, under in lines
        ],
        "path": path,
    }
