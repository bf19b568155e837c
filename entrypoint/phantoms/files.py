"""The files of a practice head, as bytes: volume, landmarks, true answers."""

from __future__ import annotations

import hashlib
import json
from typing import Any

import numpy as np

from entrypoint.phantoms.fov import landmarks_outside
from entrypoint.phantoms.grid import GridSpec
from entrypoint.phantoms.head import Head, build
from entrypoint.phantoms.render import Scanner
from entrypoint.phantoms.spec import named_spec
from entrypoint.phantoms.storage import PLAIN, stored_bytes

__all__ = ["SAMPLES", "head_files", "landmark_dict", "sample_files"]

_DECIMALS = 4
# file stem, head, lowest level kept below the origin (mm)
SAMPLES = (
    ("adult", "adult", 88.0),
    ("small-head", "small", 88.0),
    ("haematoma", "haematoma", 88.0),
)


def _rounded(value: Any) -> Any:
    """Round every number, so that the same file comes out on every machine."""
    if isinstance(value, bool) or value is None or isinstance(value, (str, int)):
        return value
    if isinstance(value, float):
        return round(value, _DECIMALS) + 0.0
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    return [_rounded(v) for v in value]


def _text(value: dict[str, Any]) -> bytes:
    return (json.dumps(value, indent=1, allow_nan=False) + "\n").encode("ascii")


def landmark_dict(truth: dict[str, Any]) -> dict[str, Any]:
    """Landmarks of a head in the form of a landmark file.

    Nasion, inion, vertex, preauricular points and pupils are skin points; bregma and coronal
    suture lie on the outer table.
    """
    found = truth["landmarks"]
    names = {"nasion": "nasion_skin", "inion": "inion"}
    names |= {
        n: n
        for n in (
            "left_preauricular",
            "right_preauricular",
            "bregma",
            "vertex",
            "left_pupil",
            "right_pupil",
        )
    }
    return {
        "coordinate_space": "RAS",
        "unit": "mm",
        "practice": True,
        "landmarks": {n: found[key] for n, key in names.items()},
        "coronal_suture": truth["coronal_suture"]["curve_mm"],
    }


def head_files(
    head: Head,
    grid: GridSpec,
    scanner: Scanner,
    stem: str,
    *,
    dtype: type = np.float32,
    level: int = 6,
    stored_as: str = PLAIN,
) -> dict[str, bytes]:
    """Volume, landmarks and true answers of a head by file name.

    Parameters
    ----------
    head : Head
    grid, scanner
        How it is scanned.
    stem : str
        Start of the file names.
    dtype : type
        ``float64`` gives the same bytes on every machine.
    level : int
        Of the compression.
    stored_as : str
        Key of :data:`entrypoint.phantoms.storage.STORAGE`.
    """
    hu, world = head.render(grid, scanner, dtype=dtype)
    truth = head.truth()
    truth["volume"] = {
        "shape": list(hu.shape),
        "voxel_mm": list(grid.spacing_mm),
        "fwhm_mm": scanner.fwhm_mm,
        "noise_hu": scanner.noise_hu,
        "voxels_sha256": hashlib.sha256(hu.astype("<i2").tobytes(order="F")).hexdigest(),
    }
    outside = landmarks_outside(truth, grid)
    if outside:
        truth["volume"]["landmarks_outside"] = outside
    if stored_as != PLAIN:
        truth["volume"]["stored_as"] = stored_as
    return {
        f"{stem}.nii.gz": stored_bytes(stored_as, hu, world, level=level),
        f"{stem}.landmarks.json": _text(_rounded(landmark_dict(truth))),
        f"{stem}.truth.json": _text(_rounded(truth)),
    }


def sample_files() -> dict[str, bytes]:
    """All files of the sample folder that are made by rule, with their checksum list."""
    out: dict[str, bytes] = {}
    for stem, name, below_mm in SAMPLES:
        head = build(named_spec(name))
        grid = head.grid(
            voxel_mm=1.0, slice_mm=1.0, axes="RAS", below_mm=below_mm, margin_mm=4.0, behind_mm=8.0
        )
        scanner = Scanner(fwhm_mm=0.9, noise_hu=10.0, noisy_air=False, step_hu=8.0)
        out |= head_files(head, grid, scanner, stem, dtype=np.float64, level=9)
    sums = "".join(
        f"{hashlib.sha256(content).hexdigest()}  {name}\n" for name, content in sorted(out.items())
    )
    out["SHA256SUMS"] = sums.encode("ascii")
    return out
