"""The map record: a site map as JSON and back, with its schema, its arrays and its labels.

The JSON holds no grids and is as strict as the plan record. The grids go to an .npz file beside
it, and, on the input's own voxels, to a NIfTI volume of labels.
"""

from __future__ import annotations

import gzip
import io
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import OutputRefused
from entrypoint.io.atomic import write_bytes, write_text
from entrypoint.io.record_kind import RecordKind
from entrypoint.io.schema import schema_of, text_of
from entrypoint.io.strict_json import refuse
from entrypoint.planning.chart_lookup import look_up
from entrypoint.planning.map_margins import MARGINS, MarginField
from entrypoint.planning.model import Side
from entrypoint.planning.site_chart import SiteChart
from entrypoint.planning.site_map import label_of
from entrypoint.planning.site_map_model import SiteMap
from entrypoint.volume.grid import Grid

__all__ = [
    "LABELS",
    "MAP",
    "arrays_of",
    "dumps_map",
    "label_volume",
    "loads_map",
    "map_schema",
    "map_schema_text",
    "map_to_dict",
    "write_arrays",
    "write_labels",
    "write_map",
]

FloatArray = NDArray[np.float64]
MAP = RecordKind(
    name="entrypoint.map",
    version=1,
    model=SiteMap,
    first=("caveat", "sides_note", "not_in_it", "practice", "tool_version"),
    one="a map record",
    the="the map record",
    description="A map of the frontal site, for planning and teaching only. The "
    "within-margins area says nothing of what was not looked at. Positions are world RAS "
    "millimetres. Null means: not known. Fields that are not named here are to be ignored.",
)
LABELS = {
    0: "not mapped",
    1: "mapped, some margin is broken at the best estimate",
    2: "every margin holds at the best estimate",
    3: "every margin holds with 95 % probability",
}
_CHART_ARRAYS = (
    "scalp_entry_mm",
    "outer_table_mm",
    "unit_inward",
    "scalp_mm",
    "skull_mm",
    "outer_layer_mm",
    "diploe_mm",
    "inner_layer_mm",
    "slope_deg",
    "midline_scalp_mm",
    "midline_inner_table_mm",
    "midline_tip_mm",
    "sinus_mm",
    "suture_nearest_mm",
    "no_sound_bone",
)


def map_to_dict(site_map: SiteMap) -> dict[str, Any]:
    """A site map as plain values.

    Raises
    ------
    FieldRefused
        When a number is NaN or infinite.
    """
    return MAP.to_dict(site_map)


def dumps_map(site_map: SiteMap) -> str:
    """A site map as JSON text, ending in a line feed."""
    return MAP.dumps(site_map)


def loads_map(text: str) -> SiteMap:
    """A site map from JSON text; fields that are not known are ignored.

    Raises
    ------
    FieldRefused

    Examples
    --------
    >>> loads_map('{"record": "entrypoint.map", "version": 2}')
    Traceback (most recent call last):
    ...
    entrypoint.errors.FieldRefused: The map record has version 2; expected version 1; use a newer \
version of this tool.
    """
    made = MAP.loads(text)
    if not made.sides:
        raise refuse(f"{MAP.the} maps no side", "at least one side")
    return made


def write_map(site_map: SiteMap, path: str | Path, *, force: bool = False) -> Path:
    """Write the record whole or not at all.

    Raises
    ------
    OutputRefused
    """
    return write_text(path, dumps_map(site_map), force=force)


def map_schema() -> dict[str, Any]:
    """The JSON Schema of the map record, made from its model."""
    return schema_of(MAP)


def map_schema_text() -> str:
    """The schema as JSON text."""
    return text_of(MAP)


def arrays_of(
    charts: dict[Side, SiteChart], fields: dict[Side, MarginField]
) -> dict[str, NDArray[Any]]:
    """Every grid of a map by name; NaN where the scan shows nothing.

    Returns
    -------
    dict
        ``midline_arc_mm`` (n,), ``lateral_arc_mm`` (m,), and for each side, with its name and an
        underscore before them, the chart's grids (n, m) or (n, m, 3), ``p_margin_broken`` (n, m),
        ``p_broken_<margin>`` (n, m) and ``label`` (n, m): 1, 2 and 3 as in ``LABELS``.
    """
    first = next(iter(charts.values()))
    out: dict[str, NDArray[Any]] = {
        "midline_arc_mm": first.midline_arc_mm,
        "lateral_arc_mm": first.lateral_arc_mm,
    }
    for side, chart in charts.items():
        field, pre = fields[side], side.value
        rows = len(field.midline_arc_mm) // max(1, len(chart.midline_arc_mm) - 1)
        coarse = (slice(None, None, rows), slice(None, None, rows))
        for name in _CHART_ARRAYS:
            grid = getattr(chart, name)
            out[f"{pre}_{name}"] = grid if grid.dtype == bool else grid.astype(np.float32)
        out[f"{pre}_p_margin_broken"] = field.p_any[coarse].astype(np.float32)
        for k, margin in enumerate(MARGINS):
            key = margin.value.replace("-", "_")
            out[f"{pre}_p_broken_{key}"] = field.p_broken[k][coarse].astype(np.float32)
        out[f"{pre}_label"] = label_of(field)[coarse] + np.uint8(1)
    return out


def write_arrays(
    path: str | Path,
    charts: dict[Side, SiteChart],
    fields: dict[Side, MarginField],
    *,
    force: bool = False,
) -> Path:
    """Write the grids as a compressed .npz, whole or not at all.

    Raises
    ------
    OutputRefused
    """
    _named(path, (".npz",))
    buffer = io.BytesIO()
    # ``Any``: the stubs take the keyword ``allow_pickle`` for one of the arrays.
    save: Any = np.savez_compressed
    save(buffer, **arrays_of(charts, fields))
    return write_bytes(path, buffer.getvalue(), force=force)


def label_volume(
    grid: Grid, charts: dict[Side, SiteChart], fields: dict[Side, MarginField]
) -> NDArray[np.uint8]:
    """The areas on the voxels of a grid: from the skin to the inner table along square paths.

    Where paths of two labels cross one voxel, the lower label stays.

    Returns
    -------
    (ni, nj, nk) uint8 array, see ``LABELS``
    """
    out = np.zeros(grid.shape, dtype=np.uint8)
    step = 0.5 * float(min(grid.voxel_mm))
    for side, chart in charts.items():
        field = fields[side]
        label = label_of(field) + 1
        spacing = min(0.5, 0.7 * float(min(grid.voxel_mm)))
        m = np.arange(chart.midline_arc_mm[0], chart.midline_arc_mm[-1] + 1e-9, spacing)
        s = np.arange(chart.lateral_arc_mm[0], chart.lateral_arc_mm[-1] + 1e-9, spacing)
        mm, ss = (a.ravel() for a in np.meshgrid(m, s, indexing="ij"))
        at = look_up(chart, mm, ss)
        i = _nearest(field.midline_arc_mm, mm)
        j = _nearest(field.lateral_arc_mm, ss)
        of_path = label[i, j]
        depth = at.scalp_mm + np.where(np.isfinite(at.skull_mm), at.skull_mm, 0.0)
        seen = np.isfinite(depth) & np.isfinite(at.unit_inward).all(axis=1)
        deepest = float(np.max(depth[seen], initial=0.0))
        for value in (3, 2, 1):
            part = seen & (of_path == value)
            entry, inward, reach = at.scalp_entry_mm[part], at.unit_inward[part], depth[part]
            for z in np.arange(0.5 * step, deepest + step, step):
                on = reach >= z
                if not on.any():
                    break
                index = np.rint(grid.index(entry[on] + z * inward[on])).astype(np.intp)
                inside = np.all((index >= 0) & (index < np.asarray(grid.shape)), axis=1)
                a, b, c = index[inside].T
                out[a, b, c] = value
    return out


def _nearest(arcs: FloatArray, wanted: FloatArray) -> NDArray[np.intp]:
    step = arcs[1] - arcs[0]
    at = np.clip(np.rint((wanted - arcs[0]) / step), 0, len(arcs) - 1)
    return np.asarray(at, dtype=np.intp)


def write_labels(
    path: str | Path,
    grid: Grid,
    charts: dict[Side, SiteChart],
    fields: dict[Side, MarginField],
    *,
    practice: bool = False,
    force: bool = False,
) -> Path:
    """Write the label volume as NIfTI-1 on the input's grid, whole or not at all.

    Raises
    ------
    OutputRefused
    """
    import nibabel

    _named(path, (".nii", ".nii.gz"))
    image = nibabel.Nifti1Image(label_volume(grid, charts, fields), grid.world_from_index)
    image.set_sform(grid.world_from_index, code=1)
    # A sheared grid has no exact quaternion: the other transform alone then.
    axes = grid.world_from_index[:3, :3] / np.linalg.norm(grid.world_from_index[:3, :3], axis=0)
    square = bool(np.abs(axes.T @ axes - np.eye(3)).max() < 1e-4)
    image.set_qform(grid.world_from_index if square else None, code=1 if square else 0)
    image.header.set_xyzt_units("mm")
    image.header["descrip"] = (
        b"entrypoint practice head" if practice else b"within-margins area, planning only"
    )
    content = image.to_bytes()
    if str(path).lower().endswith(".gz"):
        buffer = io.BytesIO()
        with gzip.GzipFile(filename="", mode="wb", fileobj=buffer, compresslevel=6, mtime=0) as f:
            f.write(content)
        content = buffer.getvalue()
    return write_bytes(path, content, force=force)


def _named(path: str | Path, endings: tuple[str, ...]) -> None:
    if not str(path).lower().endswith(endings):
        raise OutputRefused(
            found=f"the output {Path(path).name!r} has another ending",
            expected="a name that ends in " + " or ".join(endings),
            next_step="add it",
        )
