"""Plans that a sheet is made from, and what a sheet's page and file hold."""

from __future__ import annotations

import re
import zlib
from dataclasses import replace

import numpy as np

from entrypoint import Rule, Side, api
from entrypoint.figures.save import MM_PER_IN
from entrypoint.planning.model import DrillStop, Finding, Level, Seat, Thickness


def named(plan, *, seat=Seat.BONE, person="adult"):
    return replace(plan, rule=replace(plan.rule, stop_seats_on=seat, person=person))


def tape_plan(person="adult", **measures):
    rule = Rule(person=person, midline_arc_mm=105.0, lateral_arc_mm=25.0)
    return api.plan_tape(measures, rule=rule)


def with_findings(plan, side, *findings):
    """The plan with other findings on a side."""
    sides = {**plan.sides, side: replace(plan.sides[side], findings=findings)}
    return replace(plan, sides=sides)


def without_bone(plan, side):
    """As a plan is over a gap in the bone: depths null, and a stop finding that says why."""
    found = plan.sides[side]
    gap = Finding(code="bone-missing", level=Level.STOP, figures=("thickness", "drill_stop"),
                  text="bone is missing 3 mm from the path: no drill stop is given")  # fmt: skip
    sensor = replace(found.sensor, from_outer_table_mm=None, from_scalp_mm=None)
    bare = replace(found, thickness=Thickness(), drill_stop=DrillStop(), sensor=sensor,
                   findings=(gap,))  # fmt: skip
    return replace(plan, sides={**plan.sides, side: bare})


def page_mm(figure, line):
    """Points of a line on the page, mm from its lower left corner, (k, 2)."""
    width, height = figure.get_size_inches() * MM_PER_IN
    return np.column_stack([line.get_xdata(), line.get_ydata()]) * (width, height)


def lines(figure, gid):
    return [a for a in figure.lines + figure.artists if a.get_gid() == gid]


def patches(figure, gid):
    return [p for p in figure.patches + figure.artists if p.get_gid() == gid]


def named_texts(figure, gid):
    return [t.get_text() for t in figure.texts if t.get_gid() == gid]


def pdf_words(content):
    """The text of a PDF as it is stored: one string for each piece of text, UTF-16 inside."""
    out = []
    for packed in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", content, re.S):
        try:
            plain = zlib.decompress(packed)
        except zlib.error:
            continue
        for block in re.findall(rb"BT\n(.*?)\nET", plain, re.S):
            pieces = re.findall(rb"\(((?:\\.|[^\\)])*)\)", block, re.S)
            raw = b"".join(re.sub(rb"\\(.)", rb"\1", piece, flags=re.S) for piece in pieces)
            out.append(raw.decode("utf-16-be"))
    return out


SIDES = tuple(Side)
