"""All pictures by name, what is refused, and files whose text is text and whose bytes are one."""

from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ET

import pytest

from entrypoint import Side, api
from entrypoint.errors import FieldRefused, FileRefused
from entrypoint.figures.page import Page
from entrypoint.figures.pictures import NEEDS_VOLUME, VIEWS, check_match, pictures
from entrypoint.figures.save import to_bytes
from entrypoint.figures.style import Style
from tests.report.plans import tape_plan


def test_a_volume_of_another_plan_is_refused_by_name(adult, small_head):
    with pytest.raises(FileRefused, match="not the one that the plan was made from") as refused:
        api.draw(adult.plan, small_head.loaded)
    assert adult.loaded.code in str(refused.value)
    assert small_head.loaded.code in str(refused.value)
    with pytest.raises(FileRefused, match="made from tape input"):
        check_match(tape_plan(), adult.loaded.sha256)
    check_match(adult.plan, adult.loaded.sha256)


def test_without_a_volume_only_the_tapes_are_drawn(adult):
    made = {p.name: p for p in pictures(adult.plan, None, sides=(Side.LEFT,))}
    assert list(made) == ["section-left", "profile-left", "square-on-left", "head-left",
                          "map-left", "tape-left"]  # fmt: skip
    for picture in made.values():
        assert (picture.figure is None) == (picture.view in NEEDS_VOLUME)
        assert (picture.refused is None) == (picture.view not in NEEDS_VOLUME)
    assert "without its volume" in str(made["map-left"].refused)


def test_names_and_sides_that_are_not_there_are_refused(adult):
    with pytest.raises(FieldRefused, match="axial"):
        list(pictures(adult.plan, None, views=("axial",)))
    one = dataclasses.replace(adult.plan, sides={Side.RIGHT: adult.plan.sides[Side.RIGHT]})
    with pytest.raises(FieldRefused, match="No left side"):
        list(pictures(one, None, sides=(Side.LEFT,)))


def test_a_side_without_a_path_carries_its_error_and_the_rest_is_drawn(adult):
    bare = dataclasses.replace(adult.plan.sides[Side.LEFT], scalp_entry_mm=None)
    plan = dataclasses.replace(
        adult.plan, sides={Side.RIGHT: adult.plan.sides[Side.RIGHT], Side.LEFT: bare}
    )
    right, left = pictures(plan, adult.loaded.volume, views=("profile",), size_mm=(150.0, 60.0))
    assert right.figure is not None
    assert right.figure.get_size_inches()[1] * 25.4 == pytest.approx(60.0)
    assert left.figure is None
    assert "No path on the patient's left" in str(left.refused)


@pytest.fixture(scope="module")
def drawn(adult):
    (section,) = pictures(adult.plan, adult.loaded.volume, views=("section",), sides=(Side.LEFT,))
    (tape,) = pictures(adult.plan, None, views=("tape",))
    return [section.figure, tape.figure]


def test_a_vector_picture_keeps_its_text_and_names_no_one(adult, drawn):
    for figure in drawn:
        svg = to_bytes(figure, "svg", dpi=80)
        assert svg == to_bytes(figure, "svg", dpi=80)
        root = ET.fromstring(svg)
        words = " ".join(
            " ".join(t for t in node.itertext() if t.strip())
            for node in root.iter("{http://www.w3.org/2000/svg}text")
        )
        for needed in ("PATIENT'S LEFT", "Seen from", "PRACTICE HEAD, NOT A PATIENT",
                       "For planning and teaching only.", "FRONT", "5 cm"[:1]):  # fmt: skip
            assert needed in words, needed
        assert b"sans-serif" in svg
        text = svg.decode()
        assert not re.search(r"<dc:date>|20[0-9]{2}-[0-9]{2}-[0-9]{2}", text)
        assert adult.path.name not in text
    assert root.find(".//{http://www.w3.org/2000/svg}path") is not None


def test_a_pdf_holds_true_letters_and_no_date(adult):
    page = Page(adult.plan, Style(), (6.0, 2.0))
    page.heading(Side.RIGHT, "a page", "")
    pdf = to_bytes(page.figure, "pdf")
    assert pdf == to_bytes(page.figure, "pdf")
    assert pdf.startswith(b"%PDF")
    assert b"/Subtype /CIDFontType2" in pdf or b"/FontFile2" in pdf
    assert b"/Type3" not in pdf
    assert b"CreationDate" not in pdf


def test_every_view_has_its_name():
    assert VIEWS == ("section", "profile", "square-on", "head", "map", "tape")
