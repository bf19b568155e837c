"""Every way of storing holds the same head, as another reader of the format sees it."""

from __future__ import annotations

import nibabel
import numpy as np
import pytest

from entrypoint.errors import FieldRefused
from entrypoint.phantoms import STORAGE, GridSpec, stored_bytes
from entrypoint.phantoms.storage import AXIS_ORDERS, reordered

_GRID = GridSpec.around(
    (-9.0, -8.0, -7.0),
    (9.0, 8.0, 7.0),
    voxel_mm=0.9,
    slice_mm=1.4,
    oblique_deg=(14.0, -18.0, 20.0),
)
_HU = np.random.default_rng(5).integers(-1024, 3072, _GRID.shape).astype(np.int16)
_SAME = [n for n in STORAGE if not n.startswith(("axes-", "range-", "padded-", "coarse", "unsig"))]


def _read(name: str) -> nibabel.Nifti1Image:
    content = stored_bytes(name, _HU, _GRID.world_from_index, compress=False)
    return nibabel.Nifti1Image.from_bytes(content)


@pytest.mark.parametrize("name", [*_SAME, "unsigned-intercept"])
def test_readings_and_places_stay(name: str) -> None:
    image = _read(name)
    unit = {"metres": 1e3, "micrometres": 1e-3}.get(name, 1.0)
    assert np.array_equal(np.asanyarray(image.dataobj), _HU)
    assert np.diag([unit, unit, unit, 1.0]) @ image.affine == pytest.approx(
        _GRID.world_from_index, abs=1e-3
    )


def test_headers_say_what_the_names_say() -> None:
    def head(name: str) -> nibabel.Nifti1Header:
        return _read(name).header

    assert head("metres").get_xyzt_units()[0] == "meter"
    assert head("micrometres").get_xyzt_units()[0] == "micron"
    assert head("no-unit").get_xyzt_units()[0] == "unknown"
    scaled, unsaid = _read("slope-and-intercept").dataobj, _read("unsigned-unsaid").dataobj
    assert (scaled.slope, scaled.inter) == (0.5, -24.0)
    assert (unsaid.slope, unsaid.inter) == (1.0, 0.0)
    for name, kind in (("float32", "float32"), ("float64", "float64"), ("int32", "int32")):
        assert head(name).get_data_dtype() == np.dtype(kind)
    assert head("unsigned-intercept").get_data_dtype() == np.dtype("uint16")
    assert head("big-endian").endianness == ">"
    codes = {n: (int(head(n)["sform_code"]), int(head(n)["qform_code"])) for n in _SAME}
    assert codes["plain"] == (1, 1)
    assert codes["sform-only"] == (1, 0)
    assert codes["qform-only"] == (0, 1)
    apart = head("transforms-2-mm-apart")
    shift = apart.get_qform() - apart.get_sform()
    assert np.linalg.norm(shift[:3, 3]) == pytest.approx(2.0, abs=1e-4)
    assert np.abs(shift[:3, :3]).max() < 1e-4


def test_what_is_lost_is_what_the_name_says() -> None:
    def hu(name: str) -> np.ndarray:
        return np.asanyarray(_read(name).dataobj)

    assert np.array_equal(hu("unsigned-unsaid"), _HU.astype(int) + 1024)
    assert np.abs(hu("coarse-steps") - _HU).max() <= 0.86
    for name, low, high in (
        ("range-200-to-1200", -200, 1200),
        ("range-1000-to-1000", -1000, 1000),
        ("range-from-water", 0, 3071),
    ):
        assert np.array_equal(hu(name), np.clip(_HU, low, high))
    for name, value in (("padded-2000", -2000), ("padded-3024", -3024), ("padded-zero", 0)):
        out = hu(name)
        lost = out != _HU
        assert set(out[lost]) == {value}
        assert out[0, 0, 0] == out[-1, -1, -1] == value
        assert 0.04 < lost.mean() < 0.15
        middle = lost[lost.shape[0] // 2]
        assert not middle.any()


@pytest.mark.parametrize("axes", AXIS_ORDERS)
def test_axis_orders(axes: str) -> None:
    image = _read(f"axes-{axes}")
    assert "".join(nibabel.aff2axcodes(image.affine)) == axes
    plain = nibabel.as_closest_canonical(_read("plain"))
    back = nibabel.as_closest_canonical(image)
    assert np.array_equal(np.asanyarray(back.dataobj), np.asanyarray(plain.dataobj))
    assert back.affine == pytest.approx(plain.affine, abs=1e-4)


def test_there_are_48_orders_and_each_undoes_another() -> None:
    assert len(set(AXIS_ORDERS)) == 48
    hu, world = reordered(*reordered(_HU, _GRID.world_from_index, "SAL"), "LPS")
    assert np.array_equal(hu, _HU)
    assert world == pytest.approx(_GRID.world_from_index, abs=1e-9)


def test_refusals() -> None:
    sheared = GridSpec.around((-4.0,) * 3, (4.0,) * 3, voxel_mm=1.0, slice_mm=1.0, shear=0.3)
    hu = np.zeros(sheared.shape, np.int16)
    with pytest.raises(FieldRefused, match="sheared"):
        stored_bytes("qform-only", hu, sheared.world_from_index)
    assert stored_bytes("plain", hu, sheared.world_from_index)
    with pytest.raises(FieldRefused, match="no way of storing"):
        stored_bytes("nothing", hu, sheared.world_from_index)
