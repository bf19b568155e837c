"""Analytic heads rendered as head CTs, with exact answers."""

from __future__ import annotations

from entrypoint.phantoms.conditions.catalogue import CONDITIONS, PLACED, plant, planted_sides
from entrypoint.phantoms.files import head_files, landmark_dict
from entrypoint.phantoms.fov import FIELDS
from entrypoint.phantoms.grid import GridSpec
from entrypoint.phantoms.head import Head, build
from entrypoint.phantoms.nifti import PRACTICE, nifti_bytes
from entrypoint.phantoms.population import Case, random_case, random_spec
from entrypoint.phantoms.render import Scanner
from entrypoint.phantoms.spec import HeadSpec, named_spec, names
from entrypoint.phantoms.storage import STORAGE, stored_bytes

__all__ = [
    "CONDITIONS",
    "FIELDS",
    "PLACED",
    "PRACTICE",
    "STORAGE",
    "Case",
    "GridSpec",
    "Head",
    "HeadSpec",
    "Scanner",
    "build",
    "head_files",
    "landmark_dict",
    "named_spec",
    "names",
    "nifti_bytes",
    "plant",
    "planted_sides",
    "random_case",
    "random_spec",
    "stored_bytes",
]
