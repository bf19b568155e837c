"""The bedside sheet: one page, one side, one stop length, and nothing that is not in the record."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.colors import to_hex

from entrypoint import Side
from entrypoint.errors import FieldRefused
from entrypoint.figures.sheet import bedside_sheet, record_code, sheet_pdf
from entrypoint.figures.sheet_page import SHADE, Paper
from entrypoint.figures.sheet_words import Person
from entrypoint.figures.style import contrast_ratio
from entrypoint.planning.model import CAVEAT, Finding, Level, Seat
from entrypoint.report.rounding import down
from tests.figures.looking import BANNER, assert_tidy, said
from tests.figures.sheets import (
    lines,
    named,
    named_texts,
    page_mm,
    patches,
    pdf_words,
    tape_plan,
    with_findings,
    without_bone,
)

PROMPTS = ("Anticoagulants and clotting", "Previous surgery or shunt", "Infection", "Allergy",
           "Consent", "Side marked", "Device and MRI conditions", "Imaging reviewed",
           "Sensor zeroed before insertion")  # fmt: skip
BOXES = ("Patient's label", "Date of the scan", "Hours since the scan", "Operator",
         "Second checker", "Date and time", "Depth used", "Zero reference", "First reading",
         "Complications")  # fmt: skip


def assert_a_sheet(figure, side, *, practice):
    assert_tidy(figure, least_pt=8.0)
    words = said(figure)
    assert " ".join(CAVEAT.split()) in words
    assert words.count(BANNER) == (2 if practice else 0)
    assert named_texts(figure, "title") == [f"PATIENT'S {side.value.upper()}"]
    for needed in (*PROMPTS, *BOXES, "seen from the head end, nose at the top", "50 mm"):
        assert needed in words, needed
    for word in ("safe", "clear", "OK", "\N{CHECK MARK}"):
        assert f" {word} " not in words
    # What was looked at stands above every figure.
    height = {t.get_text(): t.get_position()[1] for t in figure.texts}
    first = max(y for text, y in height.items() if text.endswith((" mm)", " mm")))
    assert min(height[w] for w in ("Checked", "Not checked", "Could not be checked")) > first
    assert len(named_texts(figure, "stop-length")) <= 1
    # From the top down, nothing over another: findings, boxes, ticks, fields, the bar.
    low = [[b.get_y() for b in patches(figure, g)] for g in ("seat-strip", "tick-box", "field")]
    bar = max(line.get_ydata().max() for line in lines(figure, "bar-tick"))
    filled = sorted(low[2])[:-1]  # but the label's, which stands on top
    assert min(low[0]) > max(low[1]) > min(low[1]) > max(filled) > min(filled) > bar


@pytest.mark.parametrize(
    ("side", "paper"), [(Side.RIGHT, Paper.A4), (Side.RIGHT, Paper.LETTER), (Side.LEFT, Paper.A4)]
)
def test_an_adult_on_bone(adult, side, paper):
    figure = bedside_sheet(named(adult.plan), side=side, paper=paper)
    assert_a_sheet(figure, side, practice=True)
    found = adult.plan.sides[side]
    whole = f"{down(found.drill_stop.start_on_bone_mm, 0):.0f} mm"
    assert named_texts(figure, "stop-length") == [whole]
    assert named_texts(figure, "seat") == ["DRILL STOP: stop seated ON BONE"]
    words = said(figure)
    assert "NOT A SETTING" in words
    assert named_texts(figure, "tape") == ["11 cm (110 mm)", "3 cm (30 mm)"]
    assert "ON SCALP" not in words
    other = Side.LEFT if side is Side.RIGHT else Side.RIGHT
    assert words.count(f"PATIENT'S {other.value.upper()}") == 1  # the map's far edge
    faces = (15.0, found.sensor.from_outer_table_mm, found.sensor.from_scalp_mm)
    assert named_texts(figure, "sensor") == [f"{down(v, 0):.0f} mm" for v in faces]
    clearances = named_texts(figure, "clearance")
    assert f"{down(found.clearance.suture_nearest_mm, 0):.0f} mm" in clearances
    assert f"{down(found.clearance.sinus_mm, 0):.0f} mm" in clearances
    wide, high = figure.get_size_inches() * 25.4
    assert (wide, high) == pytest.approx((210, 297) if paper is Paper.A4 else (215.9, 279.4))


def test_what_is_found_is_told_in_whole_millimetres(adult):
    found = (
        Finding(code="scalp-swelling", level=Level.CAUTION, text="the scalp is 8.1 mm thicker"),
        Finding(code="suture-margin", level=Level.CAUTION,
                text="6.9 mm in front (95 %: 3.2 to 9.1); 10.5 cm would keep it"),
        Finding(code="coarse-slices", level=Level.NOTE, text="slices of 2.5 mm"),
    )  # fmt: skip
    plan = with_findings(named(adult.plan), Side.LEFT, *found)
    words = " ".join(said(bedside_sheet(plan, side=Side.LEFT)).split())
    assert "The scalp is 8 mm thicker. [scalp-swelling]" in words
    assert "6 mm in front (95 %: 3 to 9); 10.5 cm would keep it." in words
    assert "Slices of 2.5 mm." in words


def test_the_bar_and_the_boxes_have_their_sizes(adult):
    figure = bedside_sheet(named(adult.plan), side=Side.LEFT, paper=Paper.LETTER)
    (bar,) = lines(figure, "bar-50-mm")
    assert np.ptp(page_mm(figure, bar)[:, 0]) == pytest.approx(50.0, abs=1e-6)
    height = figure.get_size_inches()[1] * 25.4
    assert len(patches(figure, "tick-box")) == len(PROMPTS)
    assert min(p.get_height() * height for p in patches(figure, "tick-box")) >= 4.0
    assert len(patches(figure, "field")) == len(BOXES)
    assert min(p.get_height() * height for p in patches(figure, "field")) >= 8.5


def test_it_reads_in_black_and_white(adult):
    figure = bedside_sheet(without_bone(named(adult.plan), Side.LEFT), side=Side.LEFT)
    assert {to_hex(t.get_color()) for t in figure.texts} == {"#000000", "#ffffff"}
    fills = {to_hex(p.get_facecolor(), keep_alpha=True) for p in figure.artists + figure.patches
             if hasattr(p, "get_facecolor")}  # fmt: skip
    assert fills <= {"#000000ff", "#ffffffff", "#00000000", f"{SHADE}ff"}
    assert contrast_ratio("#000000", SHADE) > 4.5
    assert {to_hex(line.get_color()) for line in figure.lines} <= {"#000000"}


def test_no_bone_takes_the_stop_away_in_words_that_are_not_missed(adult):
    figure = bedside_sheet(without_bone(named(adult.plan), Side.LEFT), side=Side.LEFT)
    assert_a_sheet(figure, Side.LEFT, practice=True)
    assert named_texts(figure, "stop-length") == []
    assert named_texts(figure, "no-stop") == ["NO STOP LENGTH IS GIVEN"]
    assert "Bone is missing 3 mm" in " ".join(named_texts(figure, "why-no-stop"))
    assert "[bone-missing]" in " ".join(named_texts(figure, "stop"))
    assert len(patches(figure, "stop-frame")) == 1
    assert "none is given from the bone" in said(figure)
    right = bedside_sheet(without_bone(named(adult.plan), Side.LEFT), side=Side.RIGHT)
    assert "bone-missing" not in said(right)
    assert named_texts(right, "stop-length")


def test_a_swollen_scalp_withholds_the_scalp_seat_alone(haematoma):
    side = next(s for s, p in haematoma.plan.sides.items()
                if p.drill_stop.start_on_scalp_mm is None)  # fmt: skip
    on_scalp = bedside_sheet(named(haematoma.plan, seat=Seat.SCALP), side=side, paper=Paper.LETTER)
    assert_a_sheet(on_scalp, side, practice=True)
    assert named_texts(on_scalp, "stop-length") == []
    assert named_texts(on_scalp, "seat") == ["DRILL STOP: stop seated ON SCALP"]
    assert "seats on scalp" in " ".join(named_texts(on_scalp, "why-no-stop"))
    on_bone = bedside_sheet(named(haematoma.plan), side=side)
    assert len(named_texts(on_bone, "stop-length")) == 1


@pytest.mark.parametrize("count", [0, 1, 12])
def test_findings_stops_first_and_what_has_no_room_is_counted(adult, count):
    stops = [Finding(code=f"stop-{k}", level=Level.STOP, text="something stands in the way " * 5)
             for k in range(count)]  # fmt: skip
    cautions = [Finding(code=f"caution-{k}", level=Level.CAUTION, text="a margin is broken " * 12)
                for k in range(9)]  # fmt: skip
    plan = with_findings(named(adult.plan), Side.RIGHT, *cautions, *stops)
    figure = bedside_sheet(plan, side=Side.RIGHT, paper=Paper.LETTER)
    assert_a_sheet(figure, Side.RIGHT, practice=True)
    told = " ".join(named_texts(figure, "stop"))
    for finding in stops:
        assert re.search(rf"\b{finding.code}\b", told), finding.code
    shown = sum(f"[caution-{k}]" in said(figure) for k in range(9))
    more = " ".join(named_texts(figure, "more"))
    left = int(re.search(r"for (\d+) more", more)[1])
    assert shown + left == 9 + 1  # with the note on the sides
    assert "no stop among them" in more
    assert "caution-8" in more


def test_a_tape_leaves_ruled_blanks():
    plan = tape_plan(nasion_inion_mm=350.0)
    figure = bedside_sheet(plan, side=Side.LEFT, paper=Paper.LETTER)
    assert_a_sheet(figure, Side.LEFT, practice=False)
    assert named_texts(figure, "tape") == ["10.5 cm (105 mm)", "2.5 cm (25 mm)"]
    assert named_texts(figure, "stop-length") == []
    assert len(lines(figure, "stop-blank")) == 1
    words = said(figure)
    assert words.count("NOT KNOWN WITHOUT A SCAN") >= 5
    assert "of 100 other heads" in words
    assert len(patches(figure, "map-suture-band")) == 1
    (suture,) = lines(figure, "map-suture")
    assert suture.get_linestyle() == "--"  # as the library calls any pattern


def test_a_child_has_geometry_alone(adult):
    plan = named(adult.plan, person=None)
    figure = bedside_sheet(plan, side=Side.RIGHT, person=Person.CHILD)
    assert_a_sheet(figure, Side.RIGHT, practice=True)
    assert named_texts(figure, "no-stop") == ["NO STOP LENGTH IS GIVEN"]
    assert named_texts(figure, "sensor") == ["none"]
    (who,) = named_texts(figure, "person")
    assert "CHILD: geometry only" in who
    assert who.endswith(f"{plan.input.name}.")
    assert "Midline to the sensor tip" not in said(figure)


def test_a_child_needs_a_plan_without_published_adults():
    plan = named(tape_plan(), seat=None, person=None)
    with pytest.raises(FieldRefused, match="plan again with --child"):
        bedside_sheet(plan, side=Side.LEFT, person=Person.CHILD)
    own = named(tape_plan("child"), seat=None, person=None)
    figure = bedside_sheet(named(own, seat=None, person="child"), side=Side.LEFT)
    assert_a_sheet(figure, Side.LEFT, practice=False)
    assert "other heads" not in said(figure)
    assert named_texts(figure, "sensor") == ["none"]


@pytest.mark.parametrize(
    ("change", "given", "words"),
    [
        ({"person": None}, {}, "--adult or --child"),
        ({}, {"person": Person.CHILD}, "the plan states adult, the sheet child"),
        ({}, {"seat": Seat.SCALP}, "seats on bone, the sheet on scalp"),
        ({"seat": None}, {}, "--stop-seats-on bone or --stop-seats-on scalp"),
    ],
)
def test_what_is_not_stated_or_differs_is_refused(adult, change, given, words):
    with pytest.raises(FieldRefused, match=re.escape(words[0].upper() + words[1:])[1:]):
        bedside_sheet(named(adult.plan, **change), side=Side.RIGHT, **given)


def test_a_side_that_is_not_planned_is_refused(adult):
    plan = named(adult.plan)
    one = replace(plan, sides={Side.RIGHT: plan.sides[Side.RIGHT]})
    with pytest.raises(FieldRefused, match="No PATIENT'S LEFT in this plan"):
        bedside_sheet(one, side=Side.LEFT)


def test_the_file_is_one_page_with_its_letters_and_the_same_bytes_each_time(adult):
    plan = named(adult.plan)
    content = sheet_pdf(plan, side=Side.RIGHT)
    assert content == sheet_pdf(plan, side=Side.RIGHT)
    assert len(re.findall(rb"/Type /Page\b", content)) == 1
    assert b"/FontFile2" in content
    assert b"/Type3" not in content
    assert b"/Subtype /Image" not in content
    assert b"CreationDate" not in content
    words = pdf_words(content)
    for needed in ("PATIENT'S RIGHT", "DRILL STOP: stop seated ON BONE", "11 cm (110 mm)", BANNER):
        assert needed in words, needed
    assert any(record_code(plan) in w for w in words)
