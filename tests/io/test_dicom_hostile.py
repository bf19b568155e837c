"""Bad DICOM: damaged, huge, deep, endless. Each an answer or one sentence, in little memory."""

from __future__ import annotations

import io
import struct
import warnings
import zipfile
import zlib

import numpy as np
import pytest
from pydicom.data import get_testdata_files
from pydicom.uid import ExplicitVRLittleEndian, JPEG2000Lossless, JPEGLSLossless, RLELossless

from entrypoint.errors import EntrypointError, InputError, UnitRefused
from entrypoint.io.dicom import read_dicom
from entrypoint.io.dicom_codestream import stated_size
from entrypoint.io.volume_file import read_volume_file
from tests.io.dicom_series import SHAPE, head_slices, save, to_bytes

META = (
    bytes(128) + b"DICM\2\0\0\0UL\4\0\x1c\0\0\0\2\0\x10\0UI\x14\x001.2.840.10008.1.2.1\0"
)  # explicit VR little endian


def refused(path, words):
    with pytest.raises(InputError, match=words) as caught:
        read_volume_file(path)
    text = str(caught.value)
    assert "\n" not in text
    assert "PLANTED" not in text
    assert str(path.parent) not in text
    assert caught.value.exit_code == 3
    return text


def test_rubbish_of_every_kind_beside_a_whole_series(tmp_path):
    folder = save(tmp_path / "PLANTED", head_slices())
    whole = read_dicom(folder).sha256
    rng = np.random.default_rng(3)
    sound = to_bytes(head_slices()[0])
    for k in range(12):
        (folder / f"rubbish{k}").write_bytes(rng.bytes(500 * k + 1))
        (folder / f"preamble{k}").write_bytes(bytes(128) + b"DICM" + rng.bytes(300 * k))
        (folder / f"half{k}").write_bytes(sound[: 140 + 60 * k])
    loaded = read_dicom(folder)
    assert loaded.sha256 == whole
    assert "damaged or cut short" in loaded.facts.cautions[0]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (bytes(128) + b"DICM", "no slice of a CT"),
        (META, "no slice of a CT"),
        (META + b"\x08\0\x16\0UI\xff\xff", "no slice of a CT"),
        (META + b"\x08\0\x16\0OB\0\0\xff\xff\xff\x7f" + bytes(99), "no slice of a CT"),
        (b"PK\3\4" + bytes(50), "ZIP archive that is damaged"),
    ],
)
def test_single_bad_files(tmp_path, content, words):
    path = tmp_path / "PLANTED"
    path.write_bytes(content)
    refused(path, words)


def test_a_sequence_nested_a_thousand_deep(tmp_path):
    item = b"\xfe\xff\x00\xe0\xff\xff\xff\xff"
    start = b"\x08\x00\x40\x11SQ\0\0\xff\xff\xff\xff" + item
    end = b"\xfe\xff\x0d\xe0\0\0\0\0\xfe\xff\xdd\xe0\0\0\0\0"
    sound = to_bytes(head_slices()[0])
    at = sound.index(b"\x10\x00\x10\x00PN")
    for depth in (1000, 20_000):
        (tmp_path / "PLANTED").write_bytes(
            sound[:at] + start * depth + end * depth + sound[at:]
        )
        refused(tmp_path / "PLANTED", "no slice of a CT|single slice")


def test_huge_sizes_are_refused_before_memory_is_taken(tmp_path):
    slices = head_slices()[:3]
    for data in slices:
        data.Rows = data.Columns = 65535
    refused(save(tmp_path / "a", slices), "impossible size|fewer pixels")
    slices = head_slices()[:3]
    for data in slices:
        data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        data.compress(RLELossless, generate_instance_uid=False)
        data.Rows = data.Columns = 8000
    folder = tmp_path / "b"
    folder.mkdir()
    for k, data in enumerate(slices):
        out = io.BytesIO()
        data.save_as(out, enforce_file_format=True)
        (folder / f"{k}").write_bytes(out.getvalue())
    refused(folder, "field of view is|more pixels than its files")
    data = head_slices()[0]
    data.NumberOfFrames = 2_000_000_000
    (tmp_path / "c").write_bytes(to_bytes(data))
    refused(tmp_path / "c", "too many frames")


def test_bombs(tmp_path):
    with zipfile.ZipFile(tmp_path / "PLANTED.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a", bytes(128) + b"DICM" + bytes(40_000_000))
    refused(tmp_path / "PLANTED.zip", "promises 40000132 bytes")
    # One that promises little and holds much: no more than promised is read.
    content = bytearray((tmp_path / "PLANTED.zip").read_bytes())
    at = content.rindex(b"PK\1\2") + 24
    content[at : at + 4] = struct.pack("<I", 5000)
    (tmp_path / "liar.zip").write_bytes(bytes(content))
    refused(tmp_path / "liar.zip", "no slice of a CT")
    meta = META.replace(b"\x1c\0\0\0", b"\x1e\0\0\0").replace(
        b"UI\x14\x001.2.840.10008.1.2.1\0", b"UI\x16\x001.2.840.10008.1.2.1.99"
    )
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    bomb = packer.compress(bytes(60_000_000)) + packer.flush()
    (tmp_path / "PLANTED.dcm").write_bytes(meta + bomb)
    refused(tmp_path / "PLANTED.dcm", "damaged DICOM object")


def test_too_many_files_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("entrypoint.io.dicom_source.MOST_FILES", 20)
    with zipfile.ZipFile(tmp_path / "many.zip", "w") as archive:
        for k in range(21):
            archive.writestr(f"{k}", b"x")
    refused(tmp_path / "many.zip", "more than 20 files")
    refused(save(tmp_path / "folder", head_slices()), "more than 20 files")


def test_an_encrypted_archive_is_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("a", to_bytes(head_slices()[0]))
    content = bytearray((tmp_path / "a.zip").read_bytes())
    content[6] |= 1
    content[content.index(b"PK\1\2") + 8] |= 1
    (tmp_path / "a.zip").write_bytes(bytes(content))
    refused(tmp_path / "a.zip", "a file that cannot be read")


def test_loops_of_links_and_a_deep_folder_end(tmp_path):
    folder = save(tmp_path / "a", head_slices())
    (folder / "self").symlink_to(folder / "self")
    (folder / "up").symlink_to(tmp_path)
    deep = folder
    for _ in range(60):
        deep = deep / "d"
    deep.mkdir(parents=True)
    (deep / "x").write_bytes(b"x")
    assert read_dicom(folder).volume.shape == SHAPE
    empty = tmp_path / "empty"
    empty.mkdir()
    refused(empty, "it is empty")


def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path, monkeypatch):
    from entrypoint.io import dicom

    folder = save(tmp_path / "a", head_slices())
    look = dicom._look

    def then_cut(blobs):
        found = look(blobs)
        for path in list(folder.iterdir())[:5]:
            path.write_bytes(path.read_bytes()[:2000])
        return found

    monkeypatch.setattr(dicom, "_look", then_cut)
    refused(folder, "cut short|cannot be read")


@pytest.mark.parametrize("syntax", [JPEGLSLossless, JPEG2000Lossless], ids=lambda u: u.name)
def test_a_codestream_of_another_size_is_refused_before_it_is_decoded(tmp_path, syntax):
    folder = save(tmp_path / "a", head_slices()[:8], syntax)
    path = sorted(folder.iterdir())[0]
    content = path.read_bytes()
    if syntax == JPEGLSLossless:
        at = content.index(b"\xff\xf7") + 5
        assert content[at : at + 4] == struct.pack(">HH", 44, 36)
        changed = content[:at] + struct.pack(">HH", 65000, 65000) + content[at + 4 :]
    else:
        at = content.index(b"\xff\x4f\xff\x51") + 8
        changed = content[:at] + struct.pack(">II", 65000, 65000) + content[at + 8 :]
    path.write_bytes(changed)
    refused(folder, "another size than its header|field of view")


def test_stated_sizes():
    assert stated_size(b"\xff\xd8\xff\xff\xc0\x00\x0b\x08\x00\x10\x00\x20\x03") == (16, 32, 3)
    assert stated_size(b"\xff\xd8\xff\xc4\x00\x04\0\0\xff\xf7\x00\x0b\x10\0\1\0\2\1") == (1, 2, 1)
    assert stated_size(b"\xff\xd8" + b"\xff\xc4\x00\x00" * 5) is None
    assert stated_size(b"") is None


def test_what_pydicom_ships_is_answered_or_refused_by_name():
    # Its own collection of oddities, those inside the package alone: nothing is fetched.
    from pathlib import Path

    import pydicom.data

    inside = Path(pydicom.data.__file__).parent
    names = [name for name in get_testdata_files() if Path(name).is_relative_to(inside)]
    assert len(names) > 60
    answers = 0
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for name in names:
            text = end_of(name)
            assert "\n" not in text
            assert Path(name).stem not in text
            answers += not text
    assert answers == 0  # single slices and other pictures: no head among them
    with pytest.raises(UnitRefused, match=r"field of view is 7\.8"):
        read_volume_file(inside / "test_files")


# --- mutants -----------------------------------------------------------------------------------


def mutant(content, rng, *, first=0):
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 5))):
        # Mostly in the header, where a changed byte does most.
        last = min(len(data), 1400) if rng.random() < 0.8 else len(data)
        at = int(rng.integers(min(first, last - 1), last))
        kind = int(rng.integers(5))
        if kind <= 2:
            data[at] = int(rng.integers(256))
        elif kind == 3:
            del data[at : at + int(rng.integers(1, 40))]
        else:
            data[at:at] = rng.bytes(int(rng.integers(1, 40)))
    return bytes(data)


def end_of(path):
    """What a refusal says, or nothing for an answer; anything else is raised."""
    try:
        read_volume_file(path)
    except EntrypointError as error:
        return str(error)
    return ""


def test_mutated_series_end_in_an_answer_or_a_refusal(tmp_path, capfd):
    rng = np.random.default_rng(20)
    kinds = [to_bytes(d) for d in head_slices()[8:16]]
    packed = [[to_bytes(d, s) for d in head_slices()[8:16]]
              for s in (RLELossless, JPEGLSLossless, JPEG2000Lossless)]  # fmt: skip
    ends = {"answer": 0, "refusal": 0}
    for number in range(300):
        sound = kinds if number % 3 else packed[number // 3 % 3]
        changed = set(rng.choice(8, int(rng.integers(1, 4)), replace=False).tolist())
        folder = tmp_path / "PLANTED"
        folder.mkdir(exist_ok=True)
        for k, content in enumerate(sound):
            (folder / f"{k}").write_bytes(mutant(content, rng, first=128) if k in changed
                                          else content)  # fmt: skip
        said = end_of(folder)
        assert "\n" not in said
        assert "PLANTED" not in said
        ends["refusal" if said else "answer"] += 1
    assert min(ends.values()) > 20, ends
    assert capfd.readouterr() == ("", "")  # no library speaks for itself
