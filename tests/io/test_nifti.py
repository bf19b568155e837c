"""Reading NIfTI: the header rules (check row 6.1), and libraries as independent references."""

from __future__ import annotations

import gzip
import hashlib
import sys

import nibabel as nib
import numpy as np
import pytest
import SimpleITK as sitk  # noqa: N813
from hypothesis import given, settings
from hypothesis import strategies as st

from entrypoint.errors import OrientationRefused, UnitRefused
from entrypoint.io.nifti import read_nifti
from entrypoint.io.nifti_header import parse_header
from entrypoint.io.orientation import place
from tests.io.make import head_hu, nifti1, write

SIZES = np.array([5.0, 5.0, 6.0])
QUARTER = (0.0, 0.0, float(np.sqrt(0.5)))  # quaternion b, c, d: a quarter turn about z


def turned(rng, *, flip=False):
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    if (np.linalg.det(q) < 0) != flip:
        q[:, 2] = -q[:, 2]
    m = np.eye(4)
    m[:3, :3] = q * SIZES
    m[:3, 3] = rng.uniform(-200, 200, 3)
    return m


def saved(path, matrix, *, sform=1, qform=0, array=None, kind=np.int16):
    array = head_hu().astype(kind) if array is None else array
    image = nib.Nifti1Image(array, None)
    image.header.set_xyzt_units("mm")
    image.header.set_zooms(SIZES)
    if qform:
        image.set_qform(matrix, code=qform)
    if sform:
        image.set_sform(matrix, code=sform)
    nib.save(image, path)
    return path


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("flip", [False, True])
def test_matrix_agrees_with_nibabel_and_simpleitk(tmp_path, seed, flip):
    # Independent references: nibabel (MIT) and SimpleITK (Apache-2.0); SimpleITK's world is LPS.
    rng = np.random.default_rng(seed)
    matrix = turned(rng, flip=flip)
    for name, codes in (("s", {"sform": 1}), ("q", {"sform": 0, "qform": 1})):
        path = saved(tmp_path / f"{name}.nii", matrix, **codes)
        loaded = read_nifti(path)
        assert loaded.facts.world_matrix_from == ("sform" if name == "s" else "qform")
        np.testing.assert_allclose(
            loaded.volume.grid.world_from_index, nib.load(path).affine, atol=1e-4
        )
        image = sitk.ReadImage(str(path))
        for index in ([0, 0, 0], [3, 5, 7], [35, 43, 31]):
            lps = np.array(image.TransformIndexToPhysicalPoint(index))
            np.testing.assert_allclose(
                loaded.volume.grid.world(index), lps * [-1, -1, 1], atol=1e-3
            )
            stored = int(loaded.volume.stored[tuple(index)])
            assert stored == image.GetPixel(index)
            assert stored == np.asanyarray(nib.load(path).dataobj)[tuple(index)]


def test_sheared_sform_is_kept_by_the_header_formula(tmp_path):
    matrix = np.diag([5.0, 5.0, 6.0, 1.0])
    matrix[1, 2] = 1.5
    path = write(tmp_path / "a.nii", nifti1(head_hu(), matrix))
    loaded = read_nifti(path)
    # x = srow . (i, j, k, 1), NIfTI-1 header text.
    np.testing.assert_allclose(
        loaded.volume.grid.world([1, 2, 3]), [5.0, 10.0 + 4.5, 18.0], atol=1e-5
    )
    assert loaded.facts.shear_deg == pytest.approx(np.degrees(np.arctan(1.5 / 6.0)), abs=1e-3)


def test_qfac_zero_means_one(tmp_path):
    # NIfTI-1 header text: pixdim[0] = 0 stands for qfac 1.
    content = nifti1(
        head_hu(), sform=0, qform=1, quatern=QUARTER, pixdim=(0.0, *SIZES), qoffset=(1.0, 2.0, 3.0)
    )
    loaded = read_nifti(write(tmp_path / "a.nii", content))
    np.testing.assert_allclose(loaded.volume.grid.world([1, 1, 1]), [-4.0, 7.0, 9.0], atol=1e-5)
    minus = nifti1(head_hu(), sform=0, qform=1, quatern=QUARTER, pixdim=(-1.0, *SIZES))
    loaded = read_nifti(write(tmp_path / "b.nii", minus))
    np.testing.assert_allclose(loaded.volume.grid.world([1, 1, 1]), [-5.0, 5.0, -6.0], atol=1e-5)
    assert not loaded.volume.grid.right_handed


@pytest.mark.parametrize("slope", [0.0, float("nan"), float("inf")])
def test_slope_of_zero_or_not_finite_means_no_scaling(tmp_path, slope):
    loaded = read_nifti(write(tmp_path / "a.nii", nifti1(head_hu(), slope=slope, inter=77.0)))
    assert (loaded.volume.slope, loaded.volume.inter) == (1.0, 0.0)


def test_scaling_that_is_not_whole_is_applied_to_blocks_only(tmp_path):
    stored = np.maximum(head_hu() + 1024.0, 0.0) / 0.75
    content = nifti1(stored, kind="u2", slope=0.75, inter=-1024.0)
    loaded = read_nifti(write(tmp_path / "a.nii", content))
    assert loaded.volume.stored.dtype == np.uint16
    hu, _ = loaded.volume.block_hu((4, 4, 4), (30, 30, 20))
    expected = np.maximum(head_hu(), -1024.0)[4:30, 4:30, 4:20]
    np.testing.assert_allclose(hu, expected, atol=0.8)


def test_no_orientation_is_refused(tmp_path):
    path = write(tmp_path / "a.nii", nifti1(head_hu(), sform=0, qform=0))
    with pytest.raises(OrientationRefused, match="codes are both 0"):
        read_nifti(path)


def test_two_transforms_of_different_handedness_are_refused(tmp_path):
    content = nifti1(head_hu(), np.diag([-5.0, 5.0, 6.0, 1.0]), qform=1)
    with pytest.raises(OrientationRefused, match="differ in handedness"):
        read_nifti(write(tmp_path / "a.nii", content))


def test_two_transforms_that_differ_are_said_with_the_distance(tmp_path):
    content = nifti1(head_hu(), qform=1, qoffset=(3.0, 4.0, 0.0))
    loaded = read_nifti(write(tmp_path / "a.nii", content))
    assert loaded.facts.world_matrix_from == "sform"
    assert loaded.facts.transforms_differ_mm == pytest.approx(5.0, abs=1e-4)
    near = nifti1(head_hu(), qform=1, qoffset=(0.3, 0.3, 0.0))
    loaded = read_nifti(write(tmp_path / "b.nii", near))
    assert loaded.facts.transforms_differ_mm is None


@pytest.mark.parametrize("srow", [np.zeros((3, 4)), np.full((3, 4), np.nan)])
def test_unusable_sform_gives_way_to_the_qform(tmp_path, srow):
    content = nifti1(head_hu(), srow=srow, qform=1)
    loaded = read_nifti(write(tmp_path / "a.nii", content))
    assert loaded.facts.world_matrix_from == "qform"
    assert loaded.facts.unusable_transform == "sform"
    with pytest.raises(OrientationRefused, match="no inverse"):
        read_nifti(write(tmp_path / "b.nii", nifti1(head_hu(), srow=srow)))


@pytest.mark.parametrize(("unit", "factor"), [(1, 1000.0), (2, 1.0), (3, 0.001)])
def test_units_are_converted(tmp_path, unit, factor):
    matrix = np.diag([5.0 / factor, 5.0 / factor, 6.0 / factor, 1.0])
    loaded = read_nifti(write(tmp_path / "a.nii", nifti1(head_hu(), matrix, unit=unit)))
    np.testing.assert_allclose(loaded.volume.grid.voxel_mm, SIZES, rtol=1e-6)
    assert not loaded.facts.sizes_disagree


def test_unknown_unit_only_where_millimetres_fit_a_head(tmp_path):
    loaded = read_nifti(write(tmp_path / "a.nii", nifti1(head_hu(), unit=0)))
    assert loaded.facts.unit == "unknown"
    metres = nifti1(head_hu(), np.diag([0.005, 0.005, 0.006, 1.0]), unit=0)
    with pytest.raises(UnitRefused, match="no unit"):
        read_nifti(write(tmp_path / "b.nii", metres))
    wrong = nifti1(head_hu(), np.diag([0.005, 0.005, 0.006, 1.0]), unit=2)
    with pytest.raises(UnitRefused, match="millimetres"):
        read_nifti(write(tmp_path / "c.nii", wrong))


@pytest.mark.parametrize("order", "<>")
@pytest.mark.parametrize("kind", ["i2", "u2", "i4", "u4", "i8", "u8", "f4", "f8"])
def test_every_type_and_byte_order_gives_the_same_hu(tmp_path, kind, order):
    hu = np.round(head_hu())
    shift = 1024.0 if kind[0] == "u" else 0.0
    hu = np.maximum(hu, -shift) if shift else hu
    content = nifti1(hu + shift, kind=kind, order=order, inter=-shift)
    loaded = read_nifti(write(tmp_path / "a.nii", content))
    got = loaded.volume.to_hu(loaded.volume.stored)
    np.testing.assert_allclose(got, hu, atol=0.01)
    assert loaded.volume.stored.dtype.isnative
    reference = np.asanyarray(nib.load(tmp_path / "a.nii").dataobj)
    np.testing.assert_allclose(got, reference, atol=0.01)


def test_hash_is_that_of_the_content(tmp_path):
    hu = head_hu()
    plain = read_nifti(write(tmp_path / "a.nii", nifti1(hu)))
    zipped = read_nifti(write(tmp_path / "b.any", nifti1(hu, zipped=True)))
    big = read_nifti(write(tmp_path / "c.nii", nifti1(hu, order=">")))
    assert plain.sha256 == zipped.sha256 == big.sha256
    assert len(plain.sha256) == 64
    other = hu.copy()
    other[3, 3, 3] += 5
    for content in (
        nifti1(other),
        nifti1(hu, slope=1.001),
        nifti1(hu, np.diag([5.0, 5.0, 6.1, 1.0])),
        nifti1(hu, kind="i4"),
    ):
        assert read_nifti(write(tmp_path / "d.nii", content)).sha256 != plain.sha256
    digest = hashlib.sha256()
    header = parse_header(nifti1(hu)[:544])
    from entrypoint.io.nifti import voxel_meta

    digest.update(voxel_meta(place(header).grid, header.dtype, slope=1.0, inter=0.0))
    digest.update(np.asarray(hu).astype("<i2").tobytes(order="F"))
    assert digest.hexdigest() == plain.sha256


def test_without_isal_the_same_bytes_are_read(tmp_path, monkeypatch):
    path = write(tmp_path / "a.nii.gz", nifti1(head_hu(), zipped=True))
    with_isal = read_nifti(path)
    monkeypatch.setitem(sys.modules, "isal", None)
    without = read_nifti(path)
    assert without.sha256 == with_isal.sha256
    assert np.array_equal(without.volume.stored, with_isal.volume.stored)


def test_nifti2_is_read(tmp_path):
    image = nib.Nifti2Image(head_hu().astype(np.int16), np.diag([-5.0, 5.0, 6.0, 1.0]))
    image.header.set_xyzt_units("mm")
    nib.save(image, tmp_path / "a.nii.gz")
    loaded = read_nifti(tmp_path / "a.nii.gz")
    np.testing.assert_allclose(loaded.volume.grid.world_from_index, image.affine, atol=1e-4)
    assert np.array_equal(loaded.volume.stored, np.asanyarray(image.dataobj))


def test_trailing_dimensions_of_one_and_extensions_are_accepted(tmp_path):
    hu = head_hu()
    content = nifti1(hu, dim=(5, *hu.shape, 1, 1))
    assert read_nifti(write(tmp_path / "a.nii", content)).volume.shape == hu.shape
    plain = nifti1(hu, vox_offset=368.0)
    content = plain[:348] + b"\1\0\0\0" + b"\x10\0\0\0\6\0\0\0comments" + plain[352:]
    loaded = read_nifti(write(tmp_path / "b.nii", content))
    assert np.array_equal(loaded.volume.stored, hu.astype(np.int16))


def test_practice_mark_is_read_and_no_other_text_is_kept(tmp_path):
    content = nifti1(head_hu(), descrip=b"entrypoint practice head")
    assert read_nifti(write(tmp_path / "a.nii", content)).practice
    content = nifti1(head_hu(), descrip=b"DOE JOHN 1950")
    loaded = read_nifti(write(tmp_path / "b.nii", content))
    assert not loaded.practice
    assert "DOE" not in repr(loaded.facts)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_header_fields_agree_with_nibabel(data):
    # Independent reference: nibabel's header class over random headers that it accepts.
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    header = nib.Nifti1Header(endianness=data.draw(st.sampled_from("<>")))
    header.set_data_dtype(data.draw(st.sampled_from([np.uint8, np.int16, np.float32, np.float64])))
    header.set_data_shape(rng.integers(2, 300, 3).tolist())
    sizes = rng.uniform(0.5, 3.0, 3)
    header.set_zooms(sizes)
    header.set_slope_inter(rng.uniform(0.1, 3), rng.uniform(-2000, 2000))
    header.set_xyzt_units(data.draw(st.sampled_from(["mm", "meter", "micron", "unknown"])))
    matrix = turned(rng, flip=data.draw(st.booleans()))
    matrix[:3, :3] *= sizes / SIZES
    header.set_qform(matrix, code=int(rng.integers(0, 4)))
    header.set_sform(matrix, code=int(rng.integers(0, 4)))
    header.single_magic = b"n+1"
    header["magic"] = b"n+1"
    header["vox_offset"] = 352
    got = parse_header(header.binaryblock + bytes(196))
    assert got.shape == header.get_data_shape()
    assert got.dtype.newbyteorder("=") == header.get_data_dtype().newbyteorder("=")
    assert (got.slope, got.inter) == header.get_slope_inter()
    assert (
        got.unit
        == {"meter": "m", "mm": "mm", "micron": "um", "unknown": "unknown"}[
            header.get_xyzt_units()[0]
        ]
    )
    assert (got.qform_code, got.sform_code) == (
        int(header["qform_code"]),
        int(header["sform_code"]),
    )
    np.testing.assert_allclose(got.srow, header.get_sform()[:3])
    from entrypoint.io.orientation import _qform

    # Three single-precision numbers leave the fourth of a half turn known to about 3e-4.
    left = 1.0 - sum(float(header[f"quatern_{k}"]) ** 2 for k in "bcd")
    atol = 1e-4 if left > 1e-5 else 5e-3
    np.testing.assert_allclose(_qform(got), header.get_qform(), atol=atol)


def test_reading_a_gzip_member_split_in_two(tmp_path):
    content = nifti1(head_hu())
    path = write(
        tmp_path / "a.nii.gz", gzip.compress(content[:9000]) + gzip.compress(content[9000:])
    )
    assert np.array_equal(read_nifti(path).volume.stored, head_hu().astype(np.int16))
