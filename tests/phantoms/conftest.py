from __future__ import annotations

from typing import Any

import pytest

from entrypoint.phantoms import Head, build, named_spec


@pytest.fixture(scope="session")
def adult() -> Head:
    return build(named_spec("adult"))


@pytest.fixture(scope="session")
def adult_truth(adult: Head) -> dict[str, Any]:
    return adult.truth()
