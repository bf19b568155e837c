"""Heads on stage for the tests of rehearsal, each made once."""

from __future__ import annotations

from functools import cache

import pytest

from entrypoint.rehearsal.heads import StageHead, stage_head


@cache
def staged(key: str) -> StageHead:
    return stage_head(key)


@pytest.fixture(scope="session")
def adult_head() -> StageHead:
    return staged("ladder:adult")


@pytest.fixture(scope="session")
def turned_head() -> StageHead:
    return staged("ladder:turned")


@pytest.fixture(scope="session")
def small_head_on_stage() -> StageHead:
    return staged("ladder:small")


@pytest.fixture(scope="session")
def perfect(adult_head):
    """Marks that hit the truth of the adult's right, as plain values."""
    planned = adult_head.plan.sides["right"]
    return {
        "side": "right",
        "nasion_mm": adult_head.plan.landmarks["nasion_skin"].position_mm.tolist(),
        "by_eye_mm": planned.scalp_entry_mm.tolist(),
        "entry_mm": planned.scalp_entry_mm.tolist(),
        "unit_inward": planned.unit_inward.tolist(),
        "stop_mm": 5.0,
        "seat": "bone",
        "sensor_depth_mm": 15.0 + planned.thickness.skull_mm,
        "decision": "go",
        "seconds": {"nasion": 3.5, "entry": 20.0},
    }
