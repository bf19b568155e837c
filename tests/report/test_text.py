"""The plan as text: what comes first, one stop length, full words, and nothing that reassures."""

from __future__ import annotations

import dataclasses
import io
import re

import pytest
from rich.console import Console

from entrypoint.planning.finding_kinds import CATALOGUE
from entrypoint.planning.model import (
    CAVEAT,
    DrillStop,
    Finding,
    InputKind,
    Level,
    MovedPoint,
    Rule,
    Seat,
    Side,
)
from entrypoint.report.explain import explain_document, list_document
from entrypoint.report.plain import render
from entrypoint.report.terminal import show
from entrypoint.report.text import plan_document
from tests.report.plans import ct_plan, side_plan, tape_plan

REASSURING = re.compile(r"\b(safe|safely|clear|ok|okay|fine)\b|[✓✔☑]", re.IGNORECASE)


def text_of(plan, **options):
    return render(plan_document(plan, **options))


def flat(text):
    return " ".join(text.split())


def on_terminal(document):
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=90, highlight=False, markup=False)
    show(document, console)
    return re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue())


PLANS = {
    "ct": ct_plan(),
    "ct bone": ct_plan(rule=Rule(stop_seats_on=Seat.BONE)),
    "ct scalp": ct_plan(rule=Rule(stop_seats_on=Seat.SCALP)),
    "tape": tape_plan(),
    "practice": ct_plan(practice=True),
}


@pytest.mark.parametrize("name", sorted(PLANS))
@pytest.mark.parametrize("setting", ["plain", "terminal", "brief"])
def test_what_every_text_holds(name, setting):
    document = plan_document(PLANS[name], brief=setting == "brief")
    text = on_terminal(document) if setting == "terminal" else render(document)
    words = flat(text)
    assert words.startswith(CAVEAT)
    assert words.endswith(CAVEAT)
    assert not REASSURING.search(words.replace(CAVEAT, ""))
    assert words.index("Checked") < words.index("FINDINGS") < words.index("FIGURES")
    banner = "PRACTICE HEAD, NOT A PATIENT"
    assert words.count(banner) == (2 if PLANS[name].practice else 0)
    if setting != "terminal":
        assert max(len(line) for line in text.splitlines()) <= 80
        assert "\u00a0" not in text
        assert not any(line != line.rstrip() for line in text.splitlines())


def test_sides_are_in_full_words_and_in_order():
    text = text_of(PLANS["ct"])
    assert text.index("FIGURES: PATIENT'S RIGHT") < text.index("FIGURES: PATIENT'S LEFT")
    one = text_of(tape_plan())
    assert "PATIENT'S LEFT" not in one


def test_findings_come_worst_first_and_in_words():
    text = text_of(PLANS["ct"])
    part = text[text.index("FINDINGS: PATIENT'S RIGHT") : text.index("FINDINGS: PATIENT'S LEFT")]
    assert part.index("STOP") < part.index("CAUTION") < part.index("NOTE")
    assert "[suture-margin]" in part
    brief = text_of(PLANS["ct"], brief=True)
    assert "STOP" in brief
    assert "CAUTION" in brief
    assert "NOTE " not in brief


def test_no_stop_length_before_a_seat_is_named():
    text = flat(text_of(PLANS["ct"]))
    assert "--stop-seats-on bone or --stop-seats-on scalp" in text
    assert "stop seated" not in text
    assert "not a setting" not in text


@pytest.mark.parametrize(
    ("seat", "words", "length", "through", "hidden"),
    [
        (Seat.BONE, "ON BONE", "5 mm", "about 7 mm", ("11 mm", "about 13 mm")),
        (Seat.SCALP, "ON SCALP", "11 mm", "about 13 mm", ("5 mm", "about 7 mm")),
    ],
)
def test_exactly_one_stop_length_for_the_named_seat(seat, words, length, through, hidden):
    text = text_of(ct_plan(rule=Rule(stop_seats_on=seat)))
    box = text[text.index("DRILL AND SENSOR: PATIENT'S RIGHT") :]
    box = box[: box.index("+---", 20)]
    lines = [line for line in box.splitlines() if "stop seated" in line]
    assert len(lines) == 1
    assert re.search(rf"stop seated {words} +{length} ", lines[0])
    assert text.count(f"stop seated {words}") == 2  # one a side
    assert "stop seated ON " + ("SCALP" if seat is Seat.BONE else "BONE") not in text
    words_of_box = flat(box.replace("|", " "))
    assert "expect the inner table:" in words_of_box
    assert through in words_of_box
    assert "not a setting" in words_of_box
    drill = "\n".join(line for line in box.splitlines() if "Sensor tip" not in line)
    assert not any(re.search(rf"(?<![0-9]){re.escape(value)}", drill) for value in hidden)


def test_a_withheld_stop_says_so():
    side = dataclasses.replace(side_plan(1.0), drill_stop=DrillStop())
    plan = ct_plan(rule=Rule(stop_seats_on=Seat.SCALP), sides={Side.RIGHT: side})
    assert "none is given here: see the findings" in flat(text_of(plan))


@pytest.mark.parametrize("kind", [InputKind.TAPE, InputKind.LANDMARKS, InputKind.SCALP])
def test_without_a_scan_there_are_blanks_and_no_lengths(kind):
    plan = tape_plan()
    info = dataclasses.replace(plan.input, kind=kind)
    rule = Rule(stop_seats_on=Seat.BONE)
    text = text_of(dataclasses.replace(plan, input=info, rule=rule))
    assert text.count("________ mm  NOT KNOWN WITHOUT A SCAN") == 4
    assert "stop seated" not in text


def test_rounding_reaches_the_text():
    text = flat(text_of(PLANS["ct"]))
    for words in (
        "7.1 ± 0.5 mm",  # skull 7.19, SD 0.21: down, half-width 0.412 up
        "6.3 ± 0.6 mm",
        "8.4 ± 2.2 mm in front",
        "about 41 of 100",
        "fewer than 1 of 100",
        "11 cm (110 mm) behind the nasion",
        "14.2 ± 1.2 mm",
    ):
        assert words in text, words


def test_unknown_figures_are_said_and_never_nan():
    side = dataclasses.replace(
        side_plan(1.0),
        thickness=type(side_plan(1.0).thickness)(),
        clearance=type(side_plan(1.0).clearance)(),
        moved=MovedPoint(exists=False, text="no such point"),
    )
    text = flat(text_of(ct_plan(sides={Side.RIGHT: side}, coronal_suture=None)))
    assert "Skull thickness along the path not known" in text
    assert "Coronal suture not known" in text
    assert "No such point." in text
    assert not re.search(r"\bnan\b", text)
    assert "None" not in text.replace("None raised", "")


def test_markup_in_fields_does_nothing():
    finding = Finding(code="x", level=Level.NOTE, text="[bold red]see[/] [link=http://a]b[/link]")
    plan = ct_plan(findings=(finding,))
    for text in (text_of(plan), on_terminal(plan_document(plan))):
        assert "[bold red]see[/] [link=http://a]b[/link]" in flat(text)


@pytest.mark.parametrize("code", sorted(CATALOGUE))
def test_every_finding_is_explained(code):
    text = flat(render(explain_document(code)))
    assert text.startswith(CAVEAT)
    assert text.endswith(CAVEAT)
    assert f"[{code}]" in text
    assert "What it means" in text
    if CATALOGUE[code].rows:
        assert "WHERE THE LIMIT COMES FROM" in text
    assert code in render(list_document())
