"""A DICOM writer for tests: a small head as a series, every attribute open to a test's own edit."""

from __future__ import annotations

import io

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import (
    CTImageStorage,
    DeflatedExplicitVRLittleEndian,
    EnhancedCTImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)

from tests.io.make import head_hu

SIZES_MM = (5.0, 5.0, 6.0)
SHAPE = (36, 44, 32)
NAME = "PLANTED^NAME"
STUDY, SERIES, WORLD = "1.2.826.77.1", "1.2.826.77.1.1", "1.2.826.77.1.9"
PLAIN = (ImplicitVRLittleEndian, ExplicitVRLittleEndian, ExplicitVRBigEndian,
         DeflatedExplicitVRLittleEndian)  # fmt: skip


def stored_head(shape=SHAPE):
    return np.round(head_hu(shape)).astype(np.int16)


def lps_matrix(sizes=SIZES_MM, shape=SHAPE, *, shear_mm=0.0, turn=None):
    """Column, row and slice steps and the first voxel's place, LPS mm, as a 4 x 4 matrix."""
    matrix = np.eye(4)
    matrix[:3, :3] = np.eye(3) if turn is None else turn
    matrix[:3, :3] *= sizes
    matrix[:3, 2] += shear_mm * matrix[:3, 1] / sizes[1]
    matrix[:3, 3] = -matrix[:3, :3] @ (0.5 * (np.array(shape) - 1))
    return matrix


def ds_of(pixels, matrix, k, *, series=SERIES, number=1, study=STUDY):
    """One slice as a data set with names planted wherever a name can stand."""
    data = Dataset()
    data.file_meta = FileMetaDataset()
    data.file_meta.MediaStorageSOPClassUID = data.SOPClassUID = CTImageStorage
    uid = f"{series}.{1000 - k}"
    data.file_meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID = uid
    data.StudyInstanceUID, data.SeriesInstanceUID, data.FrameOfReferenceUID = study, series, WORLD
    data.SpecificCharacterSet = "ISO_IR 100"
    data.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    data.Modality = "CT"
    data.PatientName, data.PatientID, data.PatientBirthDate = NAME, "PLANTEDID7", "19570607"
    data.StudyDate = data.SeriesDate = "20010203"
    for name in ("StudyDescription", "SeriesDescription", "ImageComments", "InstitutionName",
                 "ReferringPhysicianName", "AccessionNumber", "ProtocolName", "StationName",
                 "ConvolutionKernel", "OperatorsName"):  # fmt: skip
        setattr(data, name, NAME[:16])
    data.SeriesNumber, data.InstanceNumber, data.AcquisitionNumber = number, 1 + (k * 7) % 31, 1
    place = matrix[:3, 3] + k * matrix[:3, 2]
    row, column = matrix[:3, 0], matrix[:3, 1]
    data.ImagePositionPatient = [f"{x:.9f}"[:16] for x in place]
    data.ImageOrientationPatient = [
        f"{x:.12f}"[:16] for x in (*row / np.linalg.norm(row), *column / np.linalg.norm(column))
    ]
    data.PixelSpacing = [f"{np.linalg.norm(v):.9f}"[:16] for v in (column, row)]
    data.SliceThickness = f"{np.linalg.norm(matrix[:3, 2]):.6f}"[:16]
    data.RescaleSlope, data.RescaleIntercept, data.RescaleType = "1", "0", "HU"
    set_pixels(data, pixels)
    return data


def set_pixels(data, pixels):
    """(rows, columns) or (frames, rows, columns), of any whole type."""
    data.Rows, data.Columns = pixels.shape[-2:]
    bits = 8 * pixels.dtype.itemsize
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.BitsAllocated = data.BitsStored = bits
    data.HighBit, data.PixelRepresentation = bits - 1, int(pixels.dtype.kind == "i")
    data.PixelData = pixels.astype(pixels.dtype.newbyteorder("<")).tobytes()
    data["PixelData"].VR = "OW" if bits > 8 else "OB"


def to_bytes(data, syntax=ExplicitVRLittleEndian, *, preamble=True, plugin=None):
    """The object in a transfer syntax; those that pydicom can encode, too."""
    data.file_meta.TransferSyntaxUID = syntax
    if syntax == ExplicitVRBigEndian:
        data.PixelData = np.frombuffer(data.PixelData, f"<u{data.BitsAllocated // 8}").astype(
            f">u{data.BitsAllocated // 8}"
        ).tobytes()  # fmt: skip
    elif syntax not in PLAIN:
        data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        data.compress(syntax, generate_instance_uid=False, encoding_plugin=plugin or "")
    out = io.BytesIO()
    if preamble:
        data.save_as(out, enforce_file_format=True)
    else:
        del data.file_meta
        data.save_as(out, implicit_vr=syntax == ImplicitVRLittleEndian,
                     little_endian=syntax != ExplicitVRBigEndian)  # fmt: skip
    return out.getvalue()


def head_slices(stored=None, matrix=None, **ids):
    """The data sets of a small head, in order of place."""
    stored = stored_head() if stored is None else stored
    matrix = lps_matrix() if matrix is None else matrix
    return [ds_of(stored[:, :, k].T, matrix, k, **ids) for k in range(stored.shape[2])]


def save(folder, slices, syntax=ExplicitVRLittleEndian, *, seed=1, **how):
    """Write data sets under names in a random order, each with a planted name in it."""
    folder.mkdir(parents=True, exist_ok=True)
    order = np.random.default_rng(seed).permutation(len(slices))
    for name, k in enumerate(order):
        path = folder / f"PLANTED_{seed}_{name:03d}.ima"
        path.write_bytes(to_bytes(slices[k], syntax, **how))
    return folder


def enhanced(stored=None, matrix=None, *, shared=True, slopes=None):
    """The head as one enhanced multi-frame object, its frames stored in a mixed order."""
    stored = stored_head() if stored is None else stored
    matrix = lps_matrix() if matrix is None else matrix
    order = np.random.default_rng(4).permutation(stored.shape[2])
    data = ds_of(stored[:, :, 0].T, matrix, 0)
    data.file_meta.MediaStorageSOPClassUID = data.SOPClassUID = EnhancedCTImageStorage
    for name in ("ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "RescaleSlope",
                 "RescaleIntercept", "RescaleType", "AcquisitionNumber"):  # fmt: skip
        delattr(data, name)
    set_pixels(data, np.ascontiguousarray(stored[:, :, order].transpose(2, 1, 0)))
    data.NumberOfFrames = len(order)
    source = ds_of(stored[:, :, 0].T, matrix, 0)
    common, each = Dataset(), []
    place_common = common if shared else None
    for k in order:
        one, slope = Dataset(), 1.0 if slopes is None else slopes[k]
        where = Dataset()
        where.ImagePositionPatient = ds_of(stored[:, :, k].T, matrix, k).ImagePositionPatient
        one.PlanePositionSequence = Sequence([where])
        for target in [one] if place_common is None else [place_common]:
            turn, size = Dataset(), Dataset()
            turn.ImageOrientationPatient = source.ImageOrientationPatient
            size.PixelSpacing = source.PixelSpacing
            target.PlaneOrientationSequence = Sequence([turn])
            target.PixelMeasuresSequence = Sequence([size])
        scale = Dataset()
        scale.RescaleSlope, scale.RescaleIntercept, scale.RescaleType = str(slope), "0", "HU"
        one.PixelValueTransformationSequence = Sequence([scale])
        kind = Dataset()
        kind.FrameType = ["ORIGINAL", "PRIMARY", "AXIAL", "NONE"]
        one.CTImageFrameTypeSequence = Sequence([kind])
        each.append(one)
    data.SharedFunctionalGroupsSequence = Sequence([common])
    data.PerFrameFunctionalGroupsSequence = Sequence(each)
    return data
