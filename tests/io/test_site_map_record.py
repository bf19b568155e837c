"""The map record, its schema (jsonschema as the judge), its grids and its labels."""

from __future__ import annotations

import json
from dataclasses import replace

import jsonschema
import nibabel
import numpy as np
import pytest

from entrypoint.errors import FieldRefused, OutputRefused
from entrypoint.io.site_map_record import (
    arrays_of,
    dumps_map,
    label_volume,
    loads_map,
    map_schema,
    map_schema_text,
    map_to_dict,
    write_arrays,
    write_labels,
    write_map,
)
from entrypoint.planning.map_margins import Spreads
from entrypoint.planning.model import CAVEAT, How, InputInfo, InputKind, Rule, Side
from entrypoint.planning.site_map import label_of, side_map
from entrypoint.planning.site_map_model import SiteMap
from entrypoint.volume.grid import Grid
from tests.planning.charts import sphere_chart

SPREADS = Spreads(suture_mm=3.0, midline_mm=1.0, sinus_mm=1.0, along_mm=2.0, across_mm=1.0)


def made(practice=False):
    """A map of two spherical sides, with a part of one that is not seen."""
    charts = {side: sphere_chart(side) for side in Side}
    hidden = charts[Side.LEFT].midline_arc_mm > 130.0
    skull = charts[Side.LEFT].skull_mm.copy()
    skull[hidden] = np.nan
    charts[Side.LEFT] = replace(
        charts[Side.LEFT], skull_mm=skull, no_sound_bone=np.repeat(hidden[:, None], 36, axis=1)
    )
    both = {s: side_map(c, Rule(), SPREADS, How.MEASURED) for s, c in charts.items()}
    site_map = SiteMap(
        tool_version="0.1.0", input=InputInfo(kind=InputKind.CT, name="x", sha256="0"),
        rule=Rule(), midline_arc_first_mm=80.0, midline_arc_last_mm=140.0,
        lateral_arc_first_mm=15.0, lateral_arc_last_mm=50.0, step_mm=1.0, p_kept=0.95,
        sides={s: b[0] for s, b in both.items()}, practice=practice,
    )  # fmt: skip
    return site_map, charts, {s: b[1] for s, b in both.items()}


MAP, CHARTS, FIELDS = made()


def test_there_and_back_gives_the_same_bytes():
    text = dumps_map(MAP)
    assert dumps_map(loads_map(text)) == text
    assert "NaN" not in text
    assert "Infinity" not in text
    record = map_to_dict(MAP)
    assert (record["record"], record["version"]) == ("entrypoint.map", 1)
    assert record["caveat"] == CAVEAT
    assert list(record["sides"]) == ["right", "left"]
    assert any("vessels" in words for words in record["not_in_it"])


def test_the_schema_judges_it():
    schema = map_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert json.loads(map_schema_text()) == schema
    record = json.loads(dumps_map(MAP))
    jsonschema.validate(record, schema)
    for spoil in (
        {"version": 2}, {"sides": {"middle": record["sides"]["right"]}}, {"p_kept": "most"},
    ):  # fmt: skip
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate({**record, **spoil}, schema)


@pytest.mark.parametrize(
    "text",
    ['{"record": "entrypoint.plan", "version": 1}', '{"record": "entrypoint.map", "version": 0}',
     '{"record": "entrypoint.map", "version": 1}', "[]", '{"p_kept": NaN}'],
)  # fmt: skip
def test_what_is_no_map_record_is_refused(text):
    with pytest.raises(FieldRefused):
        loads_map(text)


def test_unknown_fields_are_ignored_and_no_side_is_refused():
    record = json.loads(dumps_map(MAP))
    assert loads_map(json.dumps({**record, "later": 1})).p_kept == 0.95
    with pytest.raises(FieldRefused, match="maps no side"):
        loads_map(json.dumps({**record, "sides": {}}))


def test_the_arrays_are_the_charts(tmp_path):
    path = write_arrays(tmp_path / "m.npz", CHARTS, FIELDS)
    with np.load(path) as kept:
        assert kept["right_skull_mm"].shape == (61, 36)
        np.testing.assert_allclose(kept["midline_arc_mm"], np.arange(80.0, 140.5))
        np.testing.assert_allclose(
            kept["left_scalp_entry_mm"], CHARTS[Side.LEFT].scalp_entry_mm, atol=1e-4
        )
        assert np.isnan(kept["left_skull_mm"][55]).all()
        np.testing.assert_array_equal(kept["right_label"], label_of(FIELDS[Side.RIGHT])[::2, ::2]
                                      + 1)  # fmt: skip
        assert kept["right_p_broken_sound_bone"].shape == (61, 36)
    again = tmp_path / "again.npz"
    write_arrays(again, CHARTS, FIELDS)
    assert again.read_bytes() == path.read_bytes()
    assert set(arrays_of(CHARTS, FIELDS)) > {"right_label", "left_p_margin_broken"}


def turned_grid():
    """Oblique, flipped and moved, round the sphere."""
    c, s = np.cos(0.3), np.sin(0.3)
    axes = np.array([[-c, s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]) @ np.diag([1.0, 1.2, 1.5])
    matrix = np.eye(4)
    matrix[:3, :3] = axes
    shape = (180, 150, 90)
    matrix[:3, 3] = np.array([0.0, 0.0, 35.0]) - axes @ (np.array(shape) / 2.0)
    return Grid(shape=shape, world_from_index=matrix)


def test_labels_lie_between_skin_and_inner_table_on_the_inputs_grid(tmp_path):
    grid = turned_grid()
    labels = label_volume(grid, CHARTS, FIELDS)
    where = np.argwhere(labels > 0)
    radius = np.linalg.norm(grid.world(where), axis=1)
    assert 83.0 - 13.0 - 1.2 < radius.min() < radius.max() < 83.0 + 1.2
    for value, low, high in ((3, 80.0, 111.0), (2, 109.0, 116.0), (1, 114.0, 141.0)):
        points = grid.world(np.argwhere(labels == value))
        x, y, z = points.T
        # Towards the middle the sinus envelope ends the areas too.
        aside = np.abs(x) / np.linalg.norm(points, axis=1) > np.sin(26.0 / 83.0)
        arc = 83.0 * np.arctan2(z, y)[aside]
        assert low - 1.5 < arc.min() < arc.max() < high + 1.5
        assert (x > 0).any()
        assert (x < 0).any()
    path = write_labels(tmp_path / "l.nii.gz", grid, CHARTS, FIELDS, practice=True)
    image = nibabel.load(path)
    assert image.header["descrip"].item() == b"entrypoint practice head"
    np.testing.assert_allclose(image.affine, grid.world_from_index, atol=1e-4)
    np.testing.assert_array_equal(np.asanyarray(image.dataobj), labels)
    assert image.header["sform_code"] == image.header["qform_code"] == 1


def test_a_sheared_grid_has_no_quaternion(tmp_path):
    grid = turned_grid()
    matrix = grid.world_from_index.copy()
    matrix[:3, 0] += 0.3 * matrix[:3, 1]
    path = write_labels(tmp_path / "l.nii", Grid(shape=(20, 20, 20), world_from_index=matrix),
                        CHARTS, FIELDS)  # fmt: skip
    image = nibabel.load(path)
    np.testing.assert_allclose(image.affine, matrix, atol=1e-4)
    assert image.header["qform_code"] == 0


def test_nothing_is_written_over_and_endings_are_asked_for(tmp_path):
    taken = tmp_path / "taken.json"
    taken.write_text("kept")
    with pytest.raises(OutputRefused, match="exists already"):
        write_map(MAP, taken)
    assert taken.read_text(encoding="utf-8") == "kept"
    with pytest.raises(OutputRefused, match="another ending"):
        write_arrays(tmp_path / "m.npy", CHARTS, FIELDS)
    with pytest.raises(OutputRefused, match="another ending"):
        write_labels(tmp_path / "m.mha", turned_grid(), CHARTS, FIELDS)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["taken.json"]
