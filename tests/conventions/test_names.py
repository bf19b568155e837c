"""Units in names: every float of a value object says what it is measured in."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import entrypoint

ROOT = Path(entrypoint.__file__).parent
UNIT = re.compile(r"(_(mm|mm2|mm3|mmhg|in|deg|hu|ijk|s|ml|pt|index|per_mm)$|^unit_|_from_)")
# Plain numbers: probabilities, ratios, counts, and the scaling of stored values.
PLAIN = re.compile(r"^(p_|n_|share|ratio|fraction|factor)|_(ratio|fraction|factor|share)$")
NAMED = {
    "padding": "as stored, like the pixels",
    "slope": "HU per stored unit, as the file format names it",
    "inter": "HU, as the file format names it",
    "value": "in the unit that the row or finding names beside it",
    "limit": "in the unit that the finding names beside it",
    "spread": "in the unit that the row names beside it",
    "half_turns": "a count",
    "pixdim": "in the file's own unit",
    "quatern": "a quaternion",
    "qoffset": "in the file's own unit",
    "srow": "in the file's own unit",
    "low": "in the unit that the row names beside it",
    "high": "in the unit that the row names beside it",
    "right": "in the unit that the row names beside it",
    "left": "in the unit that the row names beside it",
    "right_sd": "in the unit that the row names beside it",
    "left_sd": "in the unit that the row names beside it",
    "sd": "in the unit that the row names beside it",
    "rotation": "a rotation matrix",
    "translation": "in the unit of the two frames that the transform names",
    "x": "the parameters of a fit, whatever they are",
    "cost": "of a fit, in squared residuals",
    "covariance": "of the parameters of a fit",
    "plane_covariance": "of a shift in mm and its change per mm",
    "residual": "share of the mirrored points that do not fit",
    "row": "along the rows of a map",
    "evidence": "in standard deviations of the map's own texture",
    "rival": "the same, of the next best path",
    "against": "half a chi-square",
    "contrast": "darkness of a line against the bone beside it, in the map's own scale",
    "midline_seen": "a share",
    "hu": "HU",
    "rows": "rows of a map, with fractions",
    "points": "world mm, as every position inside the package",
    "seconds": "s, by the name of a step",
    "error": "in the unit that its curve's figure names",
    "median_lately": "in the unit that its curve's figure names",
    "per_ten": "in the unit that the figure names, in ten attempts",
    "per_ten_95": "the same, both ends of its 95 % interval",
}
# Analytic heads have shape parameters of their own; their answers follow the rule.
APART = {"phantoms"}


def float_fields():
    for path in sorted(ROOT.rglob("*.py")):
        if path.relative_to(ROOT).parts[0] in APART:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ClassDef):
                continue
            if not any("dataclass" in ast.unparse(d) for d in node.decorator_list):
                continue
            for item in node.body:
                if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name):
                    kind = ast.unparse(item.annotation)
                    if re.search(r"\bfloat\b|FloatArray|np\.float", kind):
                        yield f"{path.relative_to(ROOT)}:{node.name}.{item.target.id}"


FIELDS = sorted(float_fields())


def test_there_is_something_to_look_at():
    assert len(FIELDS) > 80


@pytest.mark.parametrize("field", FIELDS)
def test_a_float_says_its_unit(field):
    name = field.rsplit(".", 1)[-1]
    assert UNIT.search(name) or PLAIN.search(name) or name in NAMED, field
