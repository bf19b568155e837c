"""Landmark files: the two forms, aliases, spaces and units, and everything that is refused."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from entrypoint.errors import EntrypointError, FieldRefused, InputError, UnitRefused
from entrypoint.io.landmarks import ALIASES, parse_landmarks, read_landmarks

POINTS = {
    "nasion": [0.0, 95.0, -35.0],
    "inion": [1.0, -100.0, -20.0],
    "LPA": [-72.0, 0.0, -40.0],
    "RPA": [72.0, 0.5, -40.0],
    "vertex": [0.0, 5.0, 95.0],
}


def as_json(**changes):
    return json.dumps({"coordinate_space": "RAS", "unit": "mm", "landmarks": POINTS, **changes})


def as_csv(points=None, head="# coordinate_space: RAS\n# unit: mm\n"):
    rows = "".join(f"{n},{x},{y},{z}\n" for n, (x, y, z) in (points or POINTS).items())
    return f"{head}name,x,y,z\n{rows}"


def test_json_and_csv_give_the_same_set(tmp_path):
    (tmp_path / "a.json").write_text(as_json())
    (tmp_path / "a.csv").write_text("\ufeff" + as_csv())
    first, second = read_landmarks(tmp_path / "a.json"), read_landmarks(tmp_path / "a.csv")
    assert first.sha256 == second.sha256
    assert list(first.points_mm) == [
        "inion",
        "left_preauricular",
        "nasion",
        "right_preauricular",
        "vertex",
    ]
    np.testing.assert_array_equal(first.points_mm["left_preauricular"], [-72.0, 0.0, -40.0])
    assert not first.points_mm["nasion"].flags.writeable


def test_lps_and_other_units_become_ras_millimetres():
    flipped = {n: [-x / 10, -y / 10, z / 10] for n, (x, y, z) in POINTS.items()}
    given_lps = parse_landmarks(as_json(coordinate_space="LPS", unit="cm", landmarks=flipped))
    reference = parse_landmarks(as_json())
    for name, point in reference.points_mm.items():
        np.testing.assert_allclose(given_lps.points_mm[name], point, atol=1e-9)
    columns = "name,x,y,z,space,unit\nnasion,0,-9.5,-3.5,LPS,cm\n"
    np.testing.assert_allclose(parse_landmarks(columns).points_mm["nasion"], [0.0, 95.0, -35.0])


def test_dressed_entries_aliases_suture_and_practice():
    text = as_json(
        practice=True,
        coronal_suture=[[-30, 20, 80], [0, 10, 95], [30, 20, 80]],
        landmarks={
            "nasion_skin": {"ras": [0, 95, -35], "err_mm": 4},
            "INI": {"position_mm": [0, -100, -20]},
            "something else": {"note": "x"},
            "bregma_bone_outer": [0, 10, 95],
        },
    )
    found = parse_landmarks(text)
    assert sorted(found.points_mm) == ["bregma", "inion", "nasion"]
    assert found.practice
    assert found.ignored == ("something else",)
    assert found.coronal_suture_mm is not None
    assert found.coronal_suture_mm.shape == (3, 3)
    rows = as_csv() + "coronal_suture,-30,20,80\ncoronal_suture,30,20,80\n"
    assert parse_landmarks(rows).coronal_suture_mm.shape == (2, 3)


def test_every_alias_is_known_in_any_case():
    for name, aliases in ALIASES.items():
        for alias in aliases:
            found = parse_landmarks(as_json(landmarks={alias.upper(): [1, 2, 3]}))
            assert list(found.points_mm) == [name]


BAD = {
    "no space": (as_json(coordinate_space=None), "states no coordinate_space"),
    "wrong space": (as_json(coordinate_space="RAI"), "coordinate_space is 'RAI'"),
    "space of a list": (as_json(coordinate_space=["RAS"]), "coordinate_space is"),
    "no unit": (as_json(unit=None), "states no unit"),
    "wrong unit": (as_json(unit="inch"), "unit is 'inch'"),
    "no landmarks": (as_json(landmarks=None), 'no "landmarks"'),
    "empty": (as_json(landmarks={}), "no landmark that this tool knows"),
    "none known": (as_json(landmarks={"glabella": [1, 2, 3]}), "some of nasion, inion"),
    "two numbers": (as_json(landmarks={"nasion": [1, 2]}), "three numbers"),
    "text": (as_json(landmarks={"nasion": ["1", 2, 3]}), "three numbers"),
    "boolean": (as_json(landmarks={"nasion": [True, 2, 3]}), "three numbers"),
    "NaN": (as_json().replace("95.0", "NaN"), "holds NaN"),
    "infinite": (as_json().replace("95.0", "1e999"), "not finite"),
    "huge": (as_json(landmarks={"nasion": [1e6, 2, 3]}), "check the unit"),
    "metres taken for mm": (as_json(unit="m"), "check the unit"),
    "far too large": (as_json().replace("95.0", "1" + "0" * 400), "far too large"),
    "duplicate key": (
        '{"coordinate_space":"RAS","unit":"mm","landmarks":{"nasion":[1,2,3],"nasion":[1,2,4]}}',
        "'nasion' twice",
    ),
    "same by alias": (as_json(landmarks={"nasion": [1, 2, 3], "NAS": [1, 2, 4]}), "nasion twice"),
    "practice": (as_json(practice="yes"), '"practice"'),
    "suture": (as_json(coronal_suture=[[1, 2, 3]]), "list of 2"),
    "not JSON": ('{"unit": ', "not valid JSON"),
    "list": ("[1, 2]", "is a list"),
    "nothing": ("  \n", "is empty"),
    "no heading": ("nasion,1,2,3\n", "column names"),
    "short row": (as_csv() + "bregma,1,2\n", "3 cells"),
    "word in a row": (as_csv() + "bregma,1,2,x\n", "holds 'x'"),
    "NaN in a row": (as_csv() + "bregma,1,2,nan\n", "not finite"),
    "csv without space": (as_csv(head="# unit: mm\n"), "no coordinate_space"),
    "csv without unit": (as_csv(head="# space: RAS\n"), "no unit"),
    "two spaces": ("name,x,y,z,space,unit\nnasion,1,2,3,RAS,mm\ninion,1,2,3,LPS,mm\n", "2 diff"),
    "deep": ("[" * 100000, "nested too deeply|not valid JSON"),
    "control": (as_json(landmarks={"\u001b[31mnasion": [1, 2, 3]}), "control characters"),
}


@pytest.mark.parametrize("name", sorted(BAD))
def test_refused_by_name(name):
    text, words = BAD[name]
    with pytest.raises(InputError, match=words):
        parse_landmarks(text)


def test_binary_and_large_files_are_refused(tmp_path):
    (tmp_path / "a").write_bytes(b"\xff\xfe\x00{")
    with pytest.raises(InputError, match="not UTF-8"):
        read_landmarks(tmp_path / "a")
    (tmp_path / "b").write_bytes(b" " * (5 * 2**20))
    with pytest.raises(InputError, match="at most"):
        read_landmarks(tmp_path / "b")


def test_kind_of_refusal():
    with pytest.raises(UnitRefused):
        parse_landmarks(as_json(unit=None))
    with pytest.raises(FieldRefused):
        parse_landmarks(as_json(coordinate_space=None))


values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["nasion", "ras", "LPA", "x"]), inner, max_size=4)
    ),
    max_leaves=8,
)


@settings(max_examples=150, deadline=None)
@given(
    landmarks=values,
    space=st.sampled_from(["RAS", "lps", "", None, 3]),
    unit=st.sampled_from(["mm", "M", "", None, []]),
    suture=values,
)
def test_any_json_ends_in_an_answer_or_a_refusal(landmarks, space, unit, suture):
    data = {"coordinate_space": space, "unit": unit, "landmarks": landmarks}
    for text in (json.dumps(data), json.dumps({**data, "coronal_suture": suture})):
        check(text)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_mutated_text_ends_in_an_answer_or_a_refusal(data):
    text = data.draw(st.sampled_from([as_json(), as_csv()]))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text)))
        text = (
            text[:at] + data.draw(st.text(max_size=4)) + text[at + data.draw(st.integers(0, 6)) :]
        )
    check(text)


def check(text):
    try:
        found = parse_landmarks(text)
    except EntrypointError as error:
        sentence = str(error)
    else:
        sentence = ""
        assert all(np.isfinite(p).all() and p.shape == (3,) for p in found.points_mm.values())
        assert found.points_mm
    assert "\n" not in sentence
    assert len(sentence) < 600
