"""Frontal cranial entry-point geometry with its uncertainty, for planning and teaching only.

Public names are looked up when they are first used, so that ``import entrypoint`` costs next to
nothing and loads no library.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "entrypoint.api": (
        "check_ct",
        "check_text",
        "plan_ct",
        "plan_landmarks",
        "plan_scalp",
        "plan_tape",
        "plan_text",
        "read_landmarks",
        "read_plan",
        "read_surface",
        "read_volume",
        "write_plan",
    ),
    "entrypoint.errors": (
        "EntrypointError",
        "FieldRefused",
        "FileRefused",
        "GeometryError",
        "InputError",
        "MeasurementError",
        "MissingExtra",
        "OrientationRefused",
        "OutputRefused",
        "UnitRefused",
    ),
    "entrypoint.io.landmarks": ("LandmarkSet",),
    "entrypoint.io.nifti": ("LoadedVolume",),
    "entrypoint.planning.given_path_model": ("GivenPath", "PathCheck", "Within"),
    "entrypoint.planning.model": (
        "CAVEAT",
        "Finding",
        "Level",
        "Plan",
        "Rule",
        "Seat",
        "Side",
        "SidePlan",
    ),
}
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}

__all__ = sorted([*_HOME_OF, "__version__"])


def __getattr__(name: str) -> Any:
    """Find a public name in its module."""
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module 'entrypoint' has no attribute {name!r}")
    value = getattr(import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Public names."""
    return list(__all__)
