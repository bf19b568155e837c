"""Records' JSON Schemas (draft 2020-12), made from the models so that the two cannot differ."""

from __future__ import annotations

import dataclasses
import json
import types
import typing
from enum import Enum
from typing import Any

import numpy as np

from entrypoint.io.record import PLAN
from entrypoint.io.record_kind import RecordKind

_UNITS = (
    ("_mm3", "cubic millimetres"),
    ("_mm", "millimetres"),
    ("_deg", "degrees"),
    ("_hu", "HU"),
    ("_mmhg", "millimetres of mercury"),
)
_WORDS = {
    "caveat": "To be shown with everything made from this record.",
    "sides_note": "What the words right and left mean here.",
    "practice": "True for a phantom, sample or rehearsal head: never a patient.",
    "tool_version": "Version of the program that made the record.",
    "sha256": "Over the stored voxel bytes with shape, type, scaling and matrix (for a volume), "
    "or over names and values in RAS mm.",
    "name": "A short code made from the hash, or the label that the user typed; no file name.",
    "position_mm": "World position: right, anterior, superior, in millimetres.",
    "unit_normal": "Unit vector towards the patient's right.",
    "unit_inward": "Unit vector of the path, into the head.",
    "definition_sd_mm": "How far careful readers differ in what the word means (one standard "
    "deviation), in millimetres.",
    "sd_mm": "One standard deviation of the measurement, in millimetres.",
    "figures": "The record fields that this finding is about.",
    "start_on_scalp_mm": "Free length of bit, stop seated on scalp: the lower bound to start "
    "from. Null where it must not be used.",
    "start_on_bone_mm": "Free length of bit, stop seated on bone: the lower bound to start from.",
    "on_scalp_mm": "Where to expect the inner table, from the scalp, with the allowance: not a "
    "setting.",
    "on_bone_mm": "Where to expect the inner table, from the bone, with the allowance: not a "
    "setting.",
    "sinus_tip_mm": "Always null: the sinus envelope is not applied at the tip.",
    "suture_mm": "Signed distance to the coronal suture along the outer table, parallel to the "
    "midsagittal plane; positive in front.",
    "suture_nearest_mm": "Shortest distance to the suture along the outer table, same sign; the "
    "margin is judged on it.",
    "suture_scalp_mm": "The distance as a tape on the scalp reads it.",
    "p_suture_below_margin": "Probability that the suture is nearer than the margin.",
    "p_behind_suture": "Probability that the entry lies behind the suture.",
    "midline_arc_mm": "Taut tape on the scalp, from the skin nasion backwards.",
    "lateral_arc_mm": "Taut tape on the scalp, at right angles to the midline tape.",
    "checked": "What was looked at.",
    "not_checked": "What was not looked at.",
    "could_not_be_checked": "What this input does not allow to look at.",
    "comparison": "Both sides beside each other, where both are planned: reasons one by one, never "
    "added up, never a choice.",
    "prefer_side": "The side that was preferred beforehand: by default the right, common practice, "
    "no source; one row of the comparison, not a rule.",
    "speaks_for": "The side that this one row speaks for; null where it speaks for neither.",
    "right_sd": "One standard deviation of the measurement on the patient's right.",
    "left_sd": "One standard deviation of the measurement on the patient's left.",
    "sd": "One standard deviation of the difference, measurement and readers together.",
    "note": "Why the row speaks for neither side, or what stands behind it.",
    "given_path": "Label of a path of one's own: no rule led to its point. Null in a plan.",
    "along_mm": "A direction into the head, of any length.",
    "order": "Labels of the paths by order_rule.",
    "order_rule": "What the paths are ordered by: an order, not a choice.",
    "least_left_mm": "Of the smallest margin, at its worst within reach; minus: broken there.",
    "slant_mm": "Bone along the path less bone square to it at the same foot, in millimetres.",
    "tilt_back_deg": "Lean towards the back as the path goes in, in degrees; minus: to the front.",
    "tilt_away_deg": "Lean away from the midline as the path goes in, in degrees.",
    "skin_moved_mm": "How far the given point lies from the skin; over 0.3 mm it was moved to it.",
    "rule_sides": "The paths that the rule itself gives, for comparison.",
    "seed": "Seed of every random draw that went into the record.",
    "hand": "What a hand adds, from simulated placements; null where they were not asked for.",
    "draws": "How many placements were simulated.",
    "spreads": "One standard deviation of each thing that the hand does.",
    "outside_chart": "Placements where the scan was not read; they count as broken throughout.",
    "broken": "In how many of the simulated placements it happened.",
    "p_broken": "The same as a share, (broken + 1) / (draws + 2): never 0, never 1.",
    "p_at_most": "One-sided 95 % bound of that share; null where it happened in every placement.",
    "p_start_passes_inner_table": "Probability that the start length passes the inner table.",
    "tape_share": "Error of a tape as a share of its length.",
    "side_planned": "The patient's side that was named as planned.",
    "side_found": "The patient's side on which the bolt stands; null where it is too near to the "
    "midline to be told.",
    "not_a_reading": "What such a scan does not show.",
    "below_inner_table_mm": "Depth of the tip below the inner table in millimetres: positive "
    "inside, negative outside; in a plan the depth that is aimed at.",
    "why_not": "Why a figure cannot be judged.",
    "written": "When the line was written, by this computer's clock, UTC.",
    "done_at": "When it was done, as typed, UTC.",
    "previous": "Hash of the entry before, or 64 noughts.",
    "corrects": "Number of the entry that this one stands for.",
    "torn": "An unfinished line before this one, by its length and hash.",
    "role": "A role, never a person.",
    "start_past_inner": "The start length of the seat that the rule names, more than past_inner_mm "
    "past the inner table.",
    "bone_left_at_through": "Bone still left at the depth where the inner table is expected, with "
    "the allowance.",
    "not_a_setting_past_in_1_percent_mm": "Not a setting, for study alone: the length in "
    "millimetres that is more than past_inner_mm past the inner table in at most 1 % of "
    "placements.",
    "not_a_setting_bone_left_in_5_percent_mm": "Not a setting, for study alone: the length in "
    "millimetres that leaves bone in at most 5 % of placements.",
}


def schema_of(kind: RecordKind[Any]) -> dict[str, Any]:
    """The JSON Schema of a kind of record."""
    definitions: dict[str, Any] = {}
    _reference(kind.model, definitions)
    top = definitions.pop(kind.model.__name__)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": kind.name,
        "description": kind.description,
        "type": "object",
        "properties": {
            "record": {"const": kind.name, "description": "What kind of record this is."},
            "version": {"const": kind.version, "description": "Version of the record's form."},
            **top["properties"],
        },
        "required": ["record", "version", *top["required"]],
        "$defs": dict(sorted(definitions.items())),
    }


def text_of(kind: RecordKind[Any]) -> str:
    """The schema of a kind of record as JSON text."""
    return json.dumps(schema_of(kind), indent=1, ensure_ascii=False) + "\n"


def schema() -> dict[str, Any]:
    """The JSON Schema of the plan record."""
    return schema_of(PLAN)


def schema_text() -> str:
    """The schema of the plan record as JSON text."""
    return text_of(PLAN)


def _reference(kind: type, definitions: dict[str, Any]) -> dict[str, Any]:
    if kind.__name__ not in definitions:
        definitions[kind.__name__] = {}  # holds the place while its fields are walked
        hints = typing.get_type_hints(kind)
        properties = {}
        for field in dataclasses.fields(kind):
            properties[field.name] = {
                **_schema_of(hints[field.name], field.name, definitions),
                "description": _describe(field.name),
            }
        definitions[kind.__name__] = {
            "type": "object",
            "description": (kind.__doc__ or "").strip().split("\n")[0],
            "properties": properties,
            "required": [
                f.name
                for f in dataclasses.fields(kind)
                if f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
            ],
        }
    return {"$ref": f"#/$defs/{kind.__name__}"}


def _describe(name: str) -> str:
    if name in _WORDS:
        return _WORDS[name]
    words = name
    unit = ""
    for suffix, word in _UNITS:
        if name.endswith(suffix):
            words, unit = name.removesuffix(suffix), f", in {word}"
            break
    words = words.replace("_", " ")
    words = words.replace(" sd", " (one standard deviation)")
    return f"{words[:1].upper()}{words[1:]}{unit}."


def _schema_of(kind: Any, name: str, definitions: dict[str, Any]) -> dict[str, Any]:
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        return _reference(kind, definitions)
    if isinstance(kind, type) and issubclass(kind, Enum):
        return {"enum": [member.value for member in kind]}
    origin, args = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        inner = next(a for a in args if a is not type(None))
        found = _schema_of(inner, name, definitions)
        if isinstance(found.get("type"), str):
            return {**found, "type": [found["type"], "null"]}
        return {"anyOf": [found, {"type": "null"}]}
    if origin is np.ndarray:
        triple = {
            "type": "array",
            "items": {"type": "number"},
            "minItems": 3,
            "maxItems": 3,
        }
        return {"type": "array", "items": triple} if name == "curve_mm" else triple
    if origin is tuple:
        return {"type": "array", "items": _schema_of(args[0], name, definitions)}
    if origin is dict:
        found = {
            "type": "object",
            "additionalProperties": _schema_of(args[1], name, definitions),
        }
        if isinstance(args[0], type) and issubclass(args[0], Enum):
            found["propertyNames"] = {"enum": [member.value for member in args[0]]}
        return found
    return {"type": {bool: "boolean", float: "number", int: "integer", str: "string"}[kind]}
