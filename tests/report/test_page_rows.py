"""Rows of the page: every figure of a side with its spreads, and where each is from."""

from __future__ import annotations

from dataclasses import replace

import pytest

from entrypoint.planning.model import Finding, InputKind, Level, Seat, Side
from entrypoint.report import page_rows, page_words
from entrypoint.report.rounding import down, half_width_mm, tape, up
from tests.report.plans import ct_plan, tape_plan


def rows_of(plan, side=Side.RIGHT):
    return [row for group in page_rows.side_groups(plan, side) for row in group.rows]


def test_every_length_of_a_side_has_its_row_and_its_spreads():
    found = ct_plan().sides[Side.RIGHT]
    rows = rows_of(ct_plan())
    values = " | ".join(row.value for row in rows)
    t, c, tapes = found.thickness, found.clearance, found.tapes
    lengths = [
        t.scalp_mm, t.skull_mm, t.outer_table_mm, t.diploe_mm, t.inner_table_mm,
        t.scalp_other_side_mm, t.thinnest_near_mm, c.midline_scalp_mm, c.midline_outer_table_mm,
        c.midline_inner_table_mm, c.midline_tip_mm, c.sinus_mm, c.suture_mm, c.suture_nearest_mm,
        c.suture_scalp_mm, tapes.midline_chord_mm, tapes.lateral_straight_mm,
        found.moved.suture_nearest_mm, found.moved.midline_scalp_mm, found.moved.sinus_mm,
    ]  # fmt: skip
    for length in lengths:
        assert f"{down(length):.1f} mm" in values
    for length in (
        tapes.midline_taut_mm, tapes.midline_surface_mm, tapes.midline_bone_mm,
        tapes.lateral_taut_mm, tapes.lateral_surface_mm, found.moved.midline_arc_mm,
        found.moved.lateral_arc_mm, found.moved.midline_arc_95_mm,
    ):  # fmt: skip
        assert tape(length) in values
    measured = {row.measured for row in rows}
    for sd in (
        t.scalp_sd_mm, t.skull_sd_mm, c.midline_sd_mm, c.sinus_sd_mm, c.suture_sd_mm,
        found.scalp_entry_sd_along_mm, found.scalp_entry_sd_across_mm,
    ):  # fmt: skip
        assert f"± {up(half_width_mm(sd)):.1f} mm" in measured
    readers = {row.readers for row in rows}
    assert f"± {up(half_width_mm(c.suture_definition_sd_mm)):.1f} mm" in readers
    assert "about 41 of 100" in values
    assert "fewer than 1 of 100" in values
    assert all(row.origin for row in rows)


def test_a_stop_is_no_row():
    stop = ct_plan().sides[Side.RIGHT].drill_stop
    names = " ".join(row.name for row in rows_of(ct_plan())).lower()
    assert "stop" not in names
    shown = {row.value for row in rows_of(ct_plan())}
    assert not shown & {f"{down(mm):.1f} mm" for mm in (stop.on_bone_mm, stop.on_scalp_mm)}


def test_behind_the_suture_and_unknown_are_said():
    plan = ct_plan()
    side = plan.sides[Side.LEFT]
    behind = replace(side.clearance, suture_nearest_mm=-2.0)
    plan.sides[Side.LEFT] = replace(side, clearance=behind)
    nearest = next(r for r in rows_of(plan, Side.LEFT) if r.name.startswith("Nearest"))
    assert nearest.value == "-2.0 mm (minus: behind it)"
    assert "estimated, not seen" in nearest.origin
    none = replace(side.clearance, suture_nearest_mm=None, suture_mm=None, suture_scalp_mm=None)
    plan.sides[Side.LEFT] = replace(side, clearance=none)
    nearest = next(r for r in rows_of(plan, Side.LEFT) if r.name.startswith("Nearest"))
    assert nearest.value == "not known"


def test_without_a_scan_thickness_is_a_ruled_blank():
    rows = {row.name: row for row in rows_of(tape_plan())}
    for name in ("Scalp thickness", "Skull thickness"):
        assert rows[name].value == ""
        assert rows[name].origin == "NOT KNOWN WITHOUT A SCAN"


def test_landmarks_and_places():
    rows = {row.name: row for row in page_rows.landmark_rows(ct_plan())}
    assert rows["Nasion skin"].readers == "± 4.0 mm"
    assert rows["Nasion skin"].notes == ("nasion_definition",)
    assert rows["Bregma"].value == "given, moved 2.5 mm to its surface"
    assert rows["Midsagittal plane"].measured == "± 0.6 mm, ± 0.4 degrees"
    assert rows["the same, PATIENT'S LEFT"].value == "estimated, not seen"
    points = {p.name: p for p in page_rows.point_rows(ct_plan(), [Side.LEFT])}
    tip = points["PATIENT'S LEFT: sensor tip"]
    assert (tip.right, tip.anterior, tip.superior) == ("-20.6", "44.3", "56.0")
    assert points["PATIENT'S LEFT: path, its direction inwards"].unit == ""
    assert not any(name.startswith("PATIENT'S RIGHT") for name in points)


def test_a_finding_carries_what_explain_gives():
    stop, caution, note = page_words.explained(ct_plan().sides[Side.RIGHT].findings)
    assert (stop.level, caution.level, note.level) == ("STOP", "CAUTION", "NOTE")
    assert stop.stop
    assert caution.figures == ("found 8.49 mm", "limit 10 mm")
    assert caution.means.startswith("The point lies behind the suture")
    assert "rule suture margin" in dict(caution.limits)
    assert dict(caution.limits)["as the record says"] == "made up"
    odd = Finding(code="of-tomorrow", level=Level.NOTE, text="x")
    assert "does not know" in page_words.explained((odd,))[0].means


def test_parameters_say_whether_they_were_typed():
    plan = ct_plan()
    plan = replace(
        plan, rule=replace(plan.rule, suture_margin_mm=12.0, stop_seats_on=Seat.BONE)
    )
    rows = {row.name: row for row in page_words.rule_rows(plan)}
    assert rows["Margin to the coronal suture"].value == "12 mm"
    assert rows["Margin to the coronal suture"].origin == "as typed"
    assert rows["Tape along the midline"].notes == ("rule_midline_arc",)
    assert rows["Surface that the drill stop seats on"].value == "ON BONE"
    assert rows["Whose head it is"].value == "not stated"


def test_where_a_page_comes_from():
    rows = dict(page_words.provenance_rows(ct_plan(), "abc"))
    assert rows["Its SHA-256"] == ct_plan().input.sha256
    assert rows["Voxels"] == "512 x 512 x 300"
    assert rows["Seed of the plan"] == "20240501"
    assert rows["Plan record, SHA-256 begins"] == "abc"
    tape_rows = dict(page_words.provenance_rows(tape_plan(), "abc"))
    assert tape_rows["Nasion inion"] == "366 mm"
    assert tape_plan().input.kind is InputKind.TAPE


@pytest.mark.parametrize("view", sorted(page_words.VIEW_NAMES))
def test_every_picture_says_what_it_shows_and_from_where(view):
    said = page_words.alt_text(view, Side.LEFT) + page_words.caption(view, Side.LEFT)
    assert "seen from" in said.lower()
    assert "PATIENT'S" in said
    assert "{" not in said


def test_a_source_is_one_line():
    text = page_words.source_text("suture_definition")
    assert text.startswith("Suture definition: one standard deviation 2 mm. Judgement")
    assert text.endswith(".")
