"""What every plate must carry, its form, and what lies beside it."""

from __future__ import annotations

import dataclasses
import itertools
import json
import re

import numpy as np
import pytest
from matplotlib.text import Annotation, Text

from entrypoint.errors import FieldRefused, MeasurementError
from entrypoint.figures.save import to_bytes
from entrypoint.figures.style import DARK, LIGHT, PICTURE, Ground, contrast_ratio
from entrypoint.figures.teach.head import scanned_head
from entrypoint.figures.teach.model import Lesson, NotDrawn
from entrypoint.figures.teach.page import crossing
from entrypoint.figures.teach.plates import PLATES, beside, files_of, lessons
from entrypoint.planning.model import DrillStop, Finding, Level, Side
from entrypoint.reference import ROWS, row
from tests.figures.looking import (
    assert_carries_what_it_must,
    assert_tidy,
    pixels,
    said,
    text_contrast,
    texts,
)

NAMES = list(PLATES)
LENGTH = re.compile(r"\d+\.\d mm|about \d+ of 100|\d\.\d{4}")


def leaders(figure):
    """Leaders on the page, inches."""
    size = figure.get_size_inches()
    return [
        np.column_stack([line.get_xdata(), line.get_ydata()]) * size
        for line in figure.lines + figure.artists
        if line.get_gid() == "leader"
    ]


def all_sets(drawn, forms, left_on_dark, name):
    return drawn[name], forms[name], left_on_dark[name]


@pytest.mark.parametrize("name", NAMES)
def test_a_plate_says_what_it_must_and_no_text_covers_another(drawn, forms, left_on_dark, name):
    for lesson in all_sets(drawn, forms, left_on_dark, name):
        assert_carries_what_it_must(lesson.figure)
        assert_tidy(lesson.figure)
        words = said(lesson.figure)
        edges = {t.get_text() for t in texts(lesson.figure) if t.get_gid() == "edge"}
        assert {"BACK", "FRONT"} <= edges or {"PATIENT'S LEFT", "PATIENT'S RIGHT"} <= edges
        assert re.search(r"\b\d+ cm\b", words)
        for seen in lesson.seen_from:
            assert seen in words
        bars = [x for a in lesson.figure.axes for x in a.lines if x.get_gid() == "scale-bar"]
        assert bars
        for axes in {bar.axes for bar in bars}:
            ends = np.concatenate([b.get_xdata() for b in bars if b.axes is axes])
            stated = f"{np.ptp(ends) / 10:g} cm"
            assert stated in {t.get_text() for t in axes.texts}
            assert axes.get_aspect() == 1.0


@pytest.mark.parametrize("name", NAMES)
def test_leaders_cross_neither_each_other_nor_a_text(drawn, forms, left_on_dark, name):
    for lesson in all_sets(drawn, forms, left_on_dark, name):
        lines = leaders(lesson.figure)
        for one, other in itertools.combinations(lines, 2):
            assert not crossing(one, other)
        renderer, dpi = lesson.figure.canvas.get_renderer(), lesson.figure.dpi
        for text in texts(lesson.figure):
            if isinstance(text, Annotation):
                text.update_positions(renderer)
            box = Text.get_window_extent(text, renderer)
            for line in lines:
                for a, b in itertools.pairwise(line * dpi):
                    run = a + np.linspace(0.0, 1.0, 40)[:, None] * (b - a)
                    inside = (
                        (run[:, 0] > box.x0 + 1) & (run[:, 0] < box.x1 - 1)
                        & (run[:, 1] > box.y0 + 1) & (run[:, 1] < box.y1 - 1)
                    )  # fmt: skip
                    assert not inside.any(), text.get_text()


@pytest.mark.parametrize("name", NAMES)
def test_a_form_keeps_its_answers_to_itself(drawn, forms, name):
    full, form = drawn[name], forms[name]
    assert form.answers
    assert [a.number for a in form.answers] == list(range(1, len(form.answers) + 1))
    assert {a.text for a in full.answers} == {a.text for a in form.answers}
    svg = to_bytes(form.figure, "svg").decode()
    words = said(form.figure)
    assert full.title in said(full.figure)
    assert full.title not in svg
    # Whatever the full figure says and the form does not, is nowhere in the form.
    kept = {t.get_text() for t in texts(form.figure)}
    hidden = {t.get_text() for t in texts(full.figure)} - kept - {full.title}
    assert hidden
    for text in hidden:
        assert text not in words
    for answer in form.answers:
        assert f"{answer.number} ___" in words
        for figure in LENGTH.findall(answer.text):
            assert figure not in words
            assert figure not in svg


@pytest.mark.parametrize("name", NAMES)
def test_beside_it_lie_caption_words_for_the_blind_and_the_rows_sources(drawn, forms, name):
    for lesson in (drawn[name], forms[name]):
        told = json.loads(beside(lesson))
        assert (told["record"], told["version"]) == ("entrypoint.teaching-figure", 1)
        assert told["practice"] is True
        assert told["blank"] is lesson.blank
        assert told["caveat"] == lesson.caveat
        assert min(len(told["caption"]), len(told["alt"])) > 150
        assert len(told["sources"]) >= 2
        for source in told["sources"]:
            found = row(source["key"])
            assert (source["value"], source["spread"], source["cited"], source["unit"]) == (
                found.value, found.spread, found.cited(), found.unit
            )  # fmt: skip
        assert told["answers"]
        for word in ("safe", "clear", "OK"):
            assert f" {word} " not in told["caption"] + told["alt"]


def test_no_number_of_a_caption_is_typed_in(drawn):
    # Every decimal in a caption is a figure of the plan or of a row that is named beside it.
    for lesson in drawn.values():
        numbers = set(re.findall(r"\d+\.\d+", lesson.caption))
        rows = {f"{s.value:.1f}" for s in lesson.sources} | {
            f"{s.spread:.1f}" for s in lesson.sources if s.spread
        }
        shown = set(re.findall(r"\d+\.\d+", said(lesson.figure)))
        loose = numbers - rows - shown
        # What is left is said in the caption alone: half-widths, and sums of what is shown.
        assert len(loose) <= 4, (lesson.name, loose)


@pytest.mark.parametrize("name", NAMES)
def test_every_text_has_the_contrast_that_reading_needs(drawn, left_on_dark, name):
    for lesson, palette in ((drawn[name], LIGHT), (left_on_dark[name], DARK)):
        for text in texts(lesson.figure):
            if text.get_gid() == "practice":
                continue  # on its own strip, see test_style
            dark_panel = text.axes is not None and text.axes.get_facecolor()[:3] == (0, 0, 0)
            black = dark_panel and text.axes.get_facecolor()[3] == 1.0
            assert text_contrast(text, "#000000" if black else palette.paper) >= 4.5
    for palette in (LIGHT, DARK):
        for colour in (palette.path, palette.suture, palette.margin, palette.plane, palette.quiet):
            assert contrast_ratio(colour, palette.paper) >= 3.0
    assert contrast_ratio(PICTURE.path, "#000000") >= 3.0


@pytest.mark.parametrize("name", NAMES)
def test_there_is_a_drawing(drawn, name):
    picture = pixels(drawn[name].figure, dpi=40)
    middle = picture[int(0.2 * len(picture)) : int(0.8 * len(picture))]
    assert 0.02 < (middle.min(axis=2) < 200).mean() < 0.6


def test_the_same_bytes_each_time_and_text_stays_text(head):
    name = "sinus-and-suture"
    one, other = (files_of(next(lessons(head, [name])), dpi=50) for _ in range(2))
    assert one == other
    assert list(one) == [f"{name}.svg", f"{name}.png", f"{name}.json"]
    assert b"coronal suture</text>" in one[f"{name}.svg"]
    form = files_of(next(lessons(head, [name], blank=True)), dpi=50)
    assert list(form) == [f"{name}-form.svg", f"{name}-form.png", f"{name}-form.answers.json"]


def test_a_size_is_filled_without_changing_the_shape(head):
    (lesson,) = lessons(head, ["converging-path"], size_mm=(165.1, 400.0))
    assert lesson.figure.get_size_inches() == pytest.approx([6.5, 3.9])


def test_a_wrong_name_and_a_head_without_bone_there_are_refused(head, scan, monkeypatch):
    with pytest.raises(FieldRefused, match="named 'brain'"):
        next(lessons(head, ["brain"]))
    monkeypatch.setattr("entrypoint.figures.teach.head.plan_from_parts",
                        lambda *_, **__: _without_bone(head.plan))  # fmt: skip
    monkeypatch.setattr("entrypoint.figures.teach.head.ct_parts", lambda *_, **__: None)
    with pytest.raises(MeasurementError, match="PATIENT'S RIGHT of this scan does not show bone"):
        scanned_head(scan, Side.RIGHT)


def _without_bone(plan):
    bare = dataclasses.replace(plan.sides[Side.RIGHT], inner_table_mm=None)
    return dataclasses.replace(plan, sides={**plan.sides, Side.RIGHT: bare})


def test_what_stops_a_plan_is_said_and_a_patients_head_carries_no_banner(head):
    stop = Finding(code="scan-unread", level=Level.STOP, text="for this test")
    plan = dataclasses.replace(head.plan, practice=False, findings=(stop,))
    other = dataclasses.replace(head, plan=plan)
    (lesson,) = lessons(other, ["converging-path"])
    words = said(lesson.figure)
    assert "STOP findings on this scan: scan-unread" in words
    assert_carries_what_it_must(lesson.figure, practice=False)
    assert_tidy(lesson.figure)
    assert lesson.practice is False
    assert f"Scan {plan.input.name}" in words


def test_without_a_stop_length_that_figure_is_refused_by_name(head):
    side = dataclasses.replace(head.planned, drill_stop=DrillStop())
    plan = dataclasses.replace(head.plan, sides={head.side: side})
    other = dataclasses.replace(head, plan=plan)
    refused, drawn_still = lessons(other, ["swollen-scalp", "converging-path"])
    assert isinstance(refused, NotDrawn)
    assert refused.name == "swollen-scalp"
    assert "No drill-stop length" in str(refused.refused)
    assert isinstance(drawn_still, Lesson)


def test_grounds_and_rows_are_known():
    assert set(Ground) == {Ground.LIGHT, Ground.DARK}
    for module_rows in (
        __import__(f"entrypoint.figures.teach.{m}", fromlist=["ROWS"]).ROWS
        for m in ("landmarks", "spread", "layers", "slant", "converge", "margins", "swelling")
    ):
        assert set(module_rows) <= set(ROWS)
