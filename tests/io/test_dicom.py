"""DICOM series: place, order, values and choice, with GDCM (in SimpleITK) as independent reader."""

from __future__ import annotations

import dataclasses
import json
import locale
import zipfile

import numpy as np
import pytest
import SimpleITK as sitk  # noqa: N813
from pydicom.uid import (
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLSLossless,
    RLELossless,
)

from entrypoint import api
from entrypoint.errors import EntrypointError, FieldRefused, FileRefused, OrientationRefused
from entrypoint.io.dicom import find_series, read_dicom
from entrypoint.io.inspection import inspect_volume, list_series
from entrypoint.io.nifti import read_nifti
from entrypoint.io.nifti_write import write_nifti
from entrypoint.report.inspect import inspection_document, listing_document
from entrypoint.report.plain import render
from tests.io.dicom_series import (
    NAME,
    PLAIN,
    SERIES,
    SHAPE,
    enhanced,
    head_slices,
    lps_matrix,
    save,
    set_pixels,
    stored_head,
    to_bytes,
)

TO_RAS = np.diag([-1.0, -1.0, 1.0, 1.0])
SECRETS = ("PLANTED", "NAME", "19570607", "20010203", SERIES, ".ima")


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return save(tmp_path_factory.mktemp("plain") / "PLANTED", head_slices())


@pytest.fixture(scope="module")
def loaded(plain):
    return read_dicom(plain)


def turned(seed):
    q, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    return q * np.sign(np.linalg.det(q))


def by_gdcm(folder):
    """The volume of a folder as GDCM reads it, sorted by GDCM."""
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
    return reader.Execute()


def agree(loaded, image, *, atol_mm=1e-3):
    """Voxel for voxel and mm for mm; LPS of ITK to RAS."""
    assert loaded.volume.shape == image.GetSize()
    hu = loaded.volume.to_hu(loaded.volume.stored)
    np.testing.assert_allclose(hu, sitk.GetArrayFromImage(image).transpose(2, 1, 0), atol=1e-3)
    for index in ([0, 0, 0], [5, 3, 1], [n - 1 for n in image.GetSize()]):
        lps = np.array(image.TransformIndexToPhysicalPoint(index))
        np.testing.assert_allclose(
            loaded.volume.grid.world(index), lps * [-1, -1, 1], atol=atol_mm
        )


def test_place_order_and_values_are_those_of_an_independent_reader(plain, loaded):
    agree(loaded, by_gdcm(plain))
    np.testing.assert_allclose(
        loaded.volume.grid.world_from_index, TO_RAS @ lps_matrix(), atol=1e-4
    )
    assert np.array_equal(loaded.volume.stored, stored_head())
    assert loaded.facts.world_matrix_from == "dicom"
    assert not loaded.practice
    assert loaded.facts.notes == loaded.facts.cautions == ()


@pytest.mark.parametrize("seed", range(4))
def test_oblique_series(tmp_path, seed):
    # Seeds give every handedness of the slices' order to the scanner's axes.
    matrix = lps_matrix(turn=turned(seed))
    folder = save(tmp_path / "a", head_slices(matrix=matrix), seed=seed)
    loaded = read_dicom(folder)
    agree(loaded, by_gdcm(folder), atol_mm=2e-3)
    # The truth itself: where voxel (4, 5, 6) of the slices was put.
    np.testing.assert_allclose(
        loaded.volume.grid.world([4, 5, 6]), (TO_RAS @ matrix @ [4, 5, 6, 1])[:3], atol=1e-3
    )


def test_slices_written_from_the_top_down_are_sorted_upwards(tmp_path, loaded):
    # The step points against rows x columns: the order must come from the normal alone.
    stored, matrix = stored_head(), lps_matrix()
    matrix[:3, 3] += (SHAPE[2] - 1) * matrix[:3, 2]
    matrix[:3, 2] *= -1
    other = read_dicom(save(tmp_path / "a", head_slices(stored[:, :, ::-1], matrix)))
    assert other.sha256 == loaded.sha256


def test_gantry_tilt_is_kept_as_shear(tmp_path):
    matrix = lps_matrix(shear_mm=1.6)
    loaded = read_dicom(save(tmp_path / "a", head_slices(matrix=matrix)))
    np.testing.assert_allclose(loaded.volume.grid.world_from_index, TO_RAS @ matrix, atol=1e-4)
    assert loaded.facts.shear_deg == pytest.approx(np.degrees(np.arctan(1.6 / 6.0)), abs=0.01)


def test_a_stated_tilt_that_the_positions_do_not_show_is_said(tmp_path):
    slices = head_slices()
    for data in slices:
        data.GantryDetectorTilt = "15"
    loaded = read_dicom(save(tmp_path / "a", slices))
    assert "15.0 degrees" in " ".join(loaded.facts.cautions)
    tilted = np.deg2rad(15.0)
    turn = np.array([[1, 0, 0], [0, np.cos(tilted), -np.sin(tilted)],
                     [0, np.sin(tilted), np.cos(tilted)]])  # fmt: skip
    slices = head_slices(matrix=lps_matrix(turn=turn))
    for data in slices:
        data.GantryDetectorTilt = "15"
    assert read_dicom(save(tmp_path / "b", slices)).facts.cautions == ()


# Encoders: pydicom's own, CharLS and OpenJPEG through their plugins.
@pytest.mark.parametrize("syntax", [*PLAIN, RLELossless, JPEGLSLossless, JPEG2000Lossless],
                         ids=lambda uid: uid.name)  # fmt: skip
def test_every_transfer_syntax_gives_the_same_hash(tmp_path, loaded, syntax):
    folder = save(tmp_path / "a", head_slices(), syntax, seed=3)
    assert read_dicom(folder).sha256 == loaded.sha256


@pytest.fixture
def same_locale():
    """GDCM leaves the process in the C locale once it has written."""
    before = locale.setlocale(locale.LC_ALL)
    yield
    locale.setlocale(locale.LC_ALL, before)


@pytest.mark.usefixtures("same_locale")
def test_jpeg_lossless_as_gdcm_writes_it(tmp_path, plain, loaded):
    reader = sitk.ImageFileReader()
    (tmp_path / "a").mkdir()
    for k, path in enumerate(sorted(plain.iterdir())):
        reader.SetFileName(str(path))
        reader.LoadPrivateTagsOn()
        image = reader.Execute()
        writer = sitk.ImageFileWriter()
        writer.SetImageIO("GDCMImageIO")
        writer.KeepOriginalImageUIDOn()
        writer.SetUseCompression(True)
        writer.SetCompressor("JPEG")
        writer.SetFileName(str(tmp_path / "a" / f"{k}.dcm"))
        writer.Execute(image)
    content = (tmp_path / "a" / "0.dcm").read_bytes()
    assert b"1.2.840.10008.1.2.4.70" in content
    other = read_dicom(tmp_path / "a")
    assert np.array_equal(other.volume.stored, loaded.volume.stored)
    np.testing.assert_allclose(
        other.volume.grid.world_from_index, loaded.volume.grid.world_from_index, atol=1e-4
    )


def test_files_without_preamble_and_meta_information(tmp_path, loaded):
    for k, syntax in enumerate((ImplicitVRLittleEndian, ExplicitVRLittleEndian)):
        folder = save(tmp_path / str(k), head_slices(), syntax, preamble=False)
        assert read_dicom(folder).sha256 == loaded.sha256


@pytest.mark.parametrize("kind", ["u2", "i2", "i4", "u4"])
def test_types_of_storage(tmp_path, kind):
    shift = 1024 if kind[0] == "u" else 0
    stored = (np.maximum(stored_head(), -shift) + shift if shift else stored_head()).astype(kind)
    slices = head_slices(stored)
    for data in slices:
        data.RescaleIntercept = str(-shift)
    folder = save(tmp_path / "a", slices)
    loaded = read_dicom(folder)
    assert loaded.volume.stored.dtype == np.dtype(kind)
    agree(loaded, by_gdcm(folder))


@pytest.mark.parametrize("signed", [True, False])
def test_bits_beside_the_value_are_taken_away(tmp_path, signed):
    # 12 bits stored in 16, with an old overlay in bit 12 and above: the value alone counts.
    shift = 0 if signed else 1024
    value = np.clip(stored_head().astype(np.int32) + shift, -2048 if signed else 0, 2047)
    junk = np.random.default_rng(5).integers(0, 16, value.shape) << 12
    raw = ((value & 0xFFF) | junk).astype(np.uint16)
    slices = head_slices(raw)
    for data in slices:
        data.BitsStored, data.HighBit, data.PixelRepresentation = 12, 11, int(signed)
        data.RescaleIntercept = str(-shift)
    loaded = read_dicom(save(tmp_path / "a", slices))
    assert np.array_equal(loaded.volume.stored, value)


def test_padding_that_needs_more_bits_than_stated_stays_below_air(tmp_path):
    # -3024 cut to 12 bits would read as +1072, a ring of bone round the head.
    stored = np.clip(stored_head(), -2048, 2047)
    stored[:2] = -3024
    slices = head_slices(stored)
    for data in slices:
        data.BitsStored, data.HighBit = 12, 11
        data.add_new(0x00280120, "SS", -3024)
    loaded = read_dicom(save(tmp_path / "a", slices))
    assert np.array_equal(loaded.volume.stored, stored)
    assert (loaded.volume.to_hu(loaded.volume.stored)[:2] == -1000).all()


def test_rescales_that_differ_from_slice_to_slice(tmp_path):
    hu = stored_head().astype(float)
    slices = head_slices()
    for k, data in enumerate(slices):
        slope, inter = (0.5, -100.0) if k % 3 == 0 else (1.0, 24.0)
        set_pixels(data, np.round((hu[:, :, k].T - inter) / slope).astype(np.int16))
        data.RescaleSlope, data.RescaleIntercept = str(slope), str(inter)
    loaded = read_dicom(save(tmp_path / "a", slices))
    np.testing.assert_allclose(loaded.volume.to_hu(loaded.volume.stored), hu, atol=1e-3)
    whole = head_slices()
    for k, data in enumerate(whole):
        shift = 1024 * (k % 2)
        kind = np.uint16 if k % 2 else np.int16
        set_pixels(data, (np.maximum(hu[:, :, k].T, -1024) + shift).astype(kind))
        data.RescaleIntercept = str(-shift)
    mixed = read_dicom(save(tmp_path / "b", whole))
    assert mixed.volume.stored.dtype.kind == "i"
    assert np.array_equal(mixed.volume.stored, np.maximum(hu, -1024))


@pytest.mark.parametrize("shared", [True, False])
def test_an_enhanced_object_of_many_frames(tmp_path, loaded, shared):
    path = tmp_path / "PLANTED.dcm"
    for k, syntax in enumerate((ExplicitVRLittleEndian, RLELossless)):
        path = tmp_path / f"{k}.dcm"
        path.write_bytes(to_bytes(enhanced(shared=shared), syntax))
        assert read_dicom(path).sha256 == loaded.sha256


def test_an_enhanced_object_with_a_scaling_of_each_frame(tmp_path):
    slopes = np.where(np.arange(SHAPE[2]) % 2, 1.0, 2.0)
    stored = (stored_head() / slopes).round().astype(np.int16)
    (tmp_path / "a.dcm").write_bytes(to_bytes(enhanced(stored, slopes=slopes)))
    loaded = read_dicom(tmp_path / "a.dcm")
    assert np.array_equal(loaded.volume.to_hu(loaded.volume.stored), stored * slopes)


def test_padding_that_reads_as_matter_becomes_air_outside_the_head_only(tmp_path):
    stored = stored_head()
    stored[:3] = 0  # as a scanner may fill what it did not see
    stored[18, 22, 10] = 0  # and a voxel of brain that happens to read the same
    slices = head_slices(stored)
    for data in slices:
        data.add_new(0x00280120, "SS", 0)
    loaded = read_dicom(save(tmp_path / "a", slices))
    assert (loaded.volume.stored[:3] == -1000).all()
    assert loaded.volume.stored[18, 22, 10] == 0
    low = np.where(stored == 0, -2000, stored).astype(np.int16)
    slices = head_slices(low)
    for data in slices:
        data.add_new(0x00280120, "SS", -2000)
    loaded = read_dicom(save(tmp_path / "b", slices))
    assert np.array_equal(loaded.volume.stored, low)  # kept: read as air wherever HU are made
    assert (loaded.volume.to_hu(loaded.volume.stored)[:3] == -1000).all()


def test_zip_nested_folders_other_files_and_a_directory_object(tmp_path, plain, loaded):
    with zipfile.ZipFile(tmp_path / "PLANTED.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for k, path in enumerate(sorted(plain.iterdir())):
            archive.write(path, f"../../PLANTED/{k % 3}/{path.name}")
        archive.writestr("readme.txt", "PLANTED")
    assert read_dicom(tmp_path / "PLANTED.zip").sha256 == loaded.sha256
    nested = tmp_path / "nested"
    save(nested / "a" / "b", head_slices()[:15])
    save(nested / "a" / "c", head_slices()[15:], RLELossless, seed=9)
    (nested / "notes.txt").write_text("PLANTED NAME")
    (nested / "empty").write_bytes(b"")
    directory = head_slices()[0]
    directory.file_meta.MediaStorageSOPClassUID = directory.SOPClassUID = "1.2.840.10008.1.3.10"
    (nested / "DICOMDIR").write_bytes(to_bytes(directory))
    (nested / "loop").symlink_to(nested)
    (nested / "gone").symlink_to(nested / "nothing")
    assert read_dicom(nested).sha256 == loaded.sha256
    assert find_series(nested).others == {"no DICOM object": 1, "a directory of DICOM objects": 1}


def test_the_hash_is_that_of_the_converted_volume(tmp_path, loaded):
    for name in ("a.nii", "b.nii.gz"):
        path = write_nifti(tmp_path / name, loaded)
        again = read_nifti(path)
        assert again.sha256 == loaded.sha256
        assert again.code == loaded.code
        agree(again, sitk.ReadImage(str(path)))
        text = path.read_bytes()
        assert not any(s.encode() in text for s in SECRETS)
    sheared = lps_matrix(shear_mm=1.6)
    tilted = read_dicom(save(tmp_path / "t", head_slices(matrix=sheared)))
    assert read_nifti(write_nifti(tmp_path / "t.nii", tilted)).sha256 == tilted.sha256


# --- uneven, missing and double slices: what each can do to a millimetre decides -------------


def moved(slices, k, mm, axis=2):
    place = [float(x) for x in slices[k].ImagePositionPatient]
    place[axis] += mm
    slices[k].ImagePositionPatient = [f"{x:.6f}" for x in place]


@pytest.mark.parametrize(("mm", "said"), [(0.09, False), (0.2, True)])
def test_slices_a_little_off_are_read_and_a_tenth_is_said(tmp_path, mm, said):
    slices = head_slices()
    moved(slices, 12, mm)
    loaded = read_dicom(save(tmp_path / "a", slices))
    assert bool(loaded.facts.cautions) is said
    if said:
        assert "mm from an even spacing" in loaded.facts.cautions[0]


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_slices_far_off_are_refused(tmp_path, axis):
    slices = head_slices()
    moved(slices, 20, 1.0, axis)
    with pytest.raises(FileRefused, match=r"unevenly spaced|slices"):
        read_dicom(save(tmp_path / "a", slices))


def test_a_hole_where_the_site_is_is_refused(tmp_path):
    slices = head_slices()
    del slices[22]
    with pytest.raises(FileRefused, match=r"lices are missing: a gap of 12\.00 mm") as caught:
        read_dicom(save(tmp_path / "a", slices))
    assert "top of the scan" in str(caught.value)


def test_a_hole_far_below_is_said_and_what_lies_below_it_left_out(tmp_path):
    slices = head_slices()
    del slices[3]
    loaded = read_dicom(save(tmp_path / "a", slices))
    assert loaded.volume.shape[2] == SHAPE[2] - 4
    assert "162 mm below the top" in loaded.facts.cautions[0]
    assert np.array_equal(loaded.volume.stored, stored_head()[:, :, 4:])
    np.testing.assert_allclose(
        loaded.volume.grid.world([0, 0, 0]), (TO_RAS @ lps_matrix() @ [0, 0, 4, 1])[:3], atol=1e-4
    )


def test_copies_are_dropped_and_two_phases_refused(tmp_path, loaded):
    slices = head_slices()
    copies = head_slices()[5:9]
    for data in copies:
        data.SOPInstanceUID += ".5"
    once = read_dicom(save(tmp_path / "a", [*slices, *copies]))
    assert once.sha256 == loaded.sha256
    assert "4 slices were there twice" in once.facts.notes[0]
    other = head_slices(np.roll(stored_head(), 1, axis=0))
    with pytest.raises(FileRefused, match="two different slices at one place"):
        read_dicom(save(tmp_path / "b", [*head_slices(), *other]))
    for data in other:
        data.AcquisitionNumber = 2
    with pytest.raises(FileRefused, match=r"more than one series.*\(1\).*\(2\)"):
        read_dicom(save(tmp_path / "c", [*head_slices(), *other]))
    assert read_dicom(tmp_path / "c", 1).sha256 == loaded.sha256


def test_a_single_slice_is_refused(tmp_path):
    with pytest.raises(FileRefused, match="single slice"):
        read_dicom(save(tmp_path / "a", head_slices()[:1]))


BAD_PLACES = {
    "PixelSpacing": [["nan", "5"], ["0", "5"], ["-1", "5"], None],
    "ImageOrientationPatient": [[0] * 6, [1, 0, 0, 1, 0, 0], [2, 0, 0, 0, 1, 0], None],
    "ImagePositionPatient": [["nan", "0", "0"], ["1e30", "0", "0"], None],
}


@pytest.mark.filterwarnings("ignore")  # pydicom warns of what is written here on purpose
@pytest.mark.parametrize(
    ("name", "value"), [(n, v) for n, values in BAD_PLACES.items() for v in values]
)
def test_places_that_cannot_be_meant_are_refused(tmp_path, name, value):
    slices = head_slices()
    for data in slices:
        if value is None:
            delattr(data, name)
        else:
            setattr(data, name, value)
    with pytest.raises((OrientationRefused, FileRefused)) as caught:
        read_dicom(save(tmp_path / "a", slices))
    assert caught.value.exit_code == 3


# --- which series ------------------------------------------------------------------------------


def thick(**ids):
    """The same head in slices of 12 mm, as a series of its own."""
    matrix = lps_matrix((5.0, 5.0, 12.0), (36, 44, 16))
    return head_slices(stored_head()[:, :, ::2], matrix, series=SERIES + ".2", number=2, **ids)


def test_one_of_several_is_chosen_by_rule_and_said(tmp_path, loaded):
    folder = tmp_path / "a"
    save(folder, head_slices())
    save(folder, thick(), seed=2)
    localiser = head_slices(series=SERIES + ".3", number=0)[:2]
    derived = head_slices(series=SERIES + ".4", number=3)
    for data in localiser:
        data.ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
    for data in derived:
        data.ImageType = ["DERIVED", "SECONDARY", "AXIAL"]
    capture = head_slices(series=SERIES + ".5")[0]
    capture.file_meta.MediaStorageSOPClassUID = capture.SOPClassUID = "1.2.840.10008.5.1.4.1.1.7"
    mr = head_slices(series=SERIES + ".6")[0]
    mr.file_meta.MediaStorageSOPClassUID = mr.SOPClassUID = "1.2.840.10008.5.1.4.1.1.4"
    mr.Modality = "MR"
    save(folder, localiser, seed=4)
    save(folder, derived, seed=5)
    save(folder, [capture, mr], seed=6)
    found = find_series(folder)
    assert [s.localiser for s in found.series] == [True, False, False, False]
    assert found.others == {"a secondary capture": 1, "a picture of another kind than CT": 1}
    chosen = read_dicom(folder)
    assert chosen.sha256 == loaded.sha256
    assert "series 2 of 4 was chosen by rule (the thinnest slices)" in chosen.facts.notes[0]
    assert read_dicom(folder, "3").volume.shape[2] == 16
    assert read_dicom(folder, SERIES + ".2").volume.shape[2] == 16
    assert "asked for" in read_dicom(folder, 3).facts.notes[0]
    for wanted in ("9", "0", "x", "-1", "1.2.3"):
        with pytest.raises(FieldRefused, match="no such series"):
            read_dicom(folder, wanted)


def test_the_most_head_goes_before_the_thinnest(tmp_path, loaded):
    # Thin slices of the lowest third only, beside the whole head.
    matrix = lps_matrix((5.0, 5.0, 3.0), (36, 44, 32))
    part = np.repeat(stored_head()[:, :, :16], 2, axis=2)
    save(tmp_path / "a", head_slices())
    save(tmp_path / "a", head_slices(part, matrix, series=SERIES + ".2", number=2), seed=2)
    chosen = read_dicom(tmp_path / "a")
    assert chosen.sha256 == loaded.sha256
    assert "most slices with the head" in chosen.facts.notes[0]


def test_a_tie_and_two_studies_are_refused_with_the_list(tmp_path):
    sharp = head_slices(series=SERIES + ".2", number=2)
    for data in sharp:
        data.ConvolutionKernel = "H60s"
    folder = save(tmp_path / "a", head_slices())
    save(folder, sharp, seed=2)
    with pytest.raises(FileRefused, match=r"more than one series.*kernel H60s") as caught:
        read_dicom(folder)
    assert "--series" in caught.value.next_step
    assert read_dicom(folder, 2).volume.shape == SHAPE
    other = save(tmp_path / "b", head_slices())
    save(other, thick(study="1.2.826.77.3"), seed=2)
    with pytest.raises(FileRefused, match="more than one study"):
        read_dicom(other)


def test_planes_of_two_directions_in_one_series_are_two_stacks(tmp_path, loaded):
    turn = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])
    coronal = head_slices(stored_head().transpose(0, 2, 1)[:, ::-1], lps_matrix(
        (5.0, 6.0, 5.0), (36, 32, 44), turn=turn))  # fmt: skip
    for k, data in enumerate(coronal):
        data.SOPInstanceUID = f"{SERIES}.5.{k}"
    folder = save(tmp_path / "a", [*head_slices(), *coronal])
    chosen = read_dicom(folder)
    assert chosen.sha256 == loaded.sha256
    assert "axial before other directions" in chosen.facts.notes[0]
    with pytest.raises(FieldRefused, match="2 stacks"):
        read_dicom(folder, SERIES)


# --- nobody is named ---------------------------------------------------------------------------


def named(text):
    return [s for s in SECRETS if s in text]


def test_nothing_that_identifies_a_person_comes_out(tmp_path, plain, loaded, capfd):
    assert not named(repr(loaded.facts))
    listing = list_series(plain)
    texts = [
        render(inspection_document(inspect_volume(plain))),
        render(listing_document(listing)),
        json.dumps(dataclasses.asdict(listing)),
    ]
    folder = save(tmp_path / "PLANTED", head_slices())
    save(folder, thick(), seed=2)
    texts.append(render(listing_document(list_series(folder))))
    cut = next(iter(folder.iterdir()))
    cut.write_bytes(cut.read_bytes()[:900])
    broken = [lambda: read_dicom(folder, "77"), lambda: read_dicom(folder, NAME),
              lambda: read_dicom(folder, 1)]  # fmt: skip
    for call in broken:
        with pytest.raises(EntrypointError) as caught:
            call()
        texts.append(str(caught.value))
    from entrypoint.cli.app import main

    assert main(["inspect", str(folder), "--series", "99"]) == 3
    assert main(["convert", str(plain), str(tmp_path / "out.nii")]) == 0
    texts += capfd.readouterr()
    for text in texts:
        assert not named(text.replace(str(tmp_path), "")), text


def test_a_plan_on_a_practice_series_is_that_of_its_volume(tmp_path, adult):
    from entrypoint.io.dicom_write import series_files
    from entrypoint.io.record import dumps

    folder = tmp_path / "adult"
    folder.mkdir()
    for name, content in series_files(adult.loaded).items():
        (folder / name).write_bytes(content)
    loaded = api.read_volume(folder)
    assert loaded.practice
    assert loaded.sha256 == adult.loaded.sha256
    record, other = json.loads(dumps(adult.plan)), json.loads(dumps(api.plan_ct(folder)))
    assert record["input"].pop("world_matrix_from") == "sform"
    assert other["input"].pop("world_matrix_from") == "dicom"
    assert record == other
