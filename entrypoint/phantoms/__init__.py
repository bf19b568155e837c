"""Analytic heads rendered as head CTs, with exact answers."""

from __future__ import annotations

from entrypoint.phantoms.grid import GridSpec
from entrypoint.phantoms.head import Head, build
from entrypoint.phantoms.nifti import PRACTICE, nifti_bytes
from entrypoint.phantoms.population import random_spec
from entrypoint.phantoms.render import Scanner
from entrypoint.phantoms.spec import HeadSpec, named_spec, names

__all__ = [
    "PRACTICE",
    "GridSpec",
    "Head",
    "HeadSpec",
    "Scanner",
    "build",
    "named_spec",
    "names",
    "nifti_bytes",
    "random_spec",
]
