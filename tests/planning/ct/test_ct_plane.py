"""The midsagittal section on shells: what it bridges, and what it leaves open."""

from __future__ import annotations

import numpy as np
import pytest

from entrypoint.anatomy.frame import frame_from
from entrypoint.planning.ct_plane import PHI_DEG, midsagittal_section
from entrypoint.volume.skull import coarse_head
from tests.volume.made import AIR, BRAIN, SOFT, blurred_layers, volume_of

AXES = np.array([70.0, 90.0, 80.0])  # of the skin
SCALP, SKULL, PIT = 6.0, 14.0, 9.0


def section(pit_mm):
    """Of a thick shell with a slot right across its forehead, so wide, not through the bone."""
    whole = blurred_layers([0.0, SCALP, SCALP + SKULL], [AIR, SOFT, 1000.0, BRAIN], 0.9)
    pitted = blurred_layers(
        [0.0, SCALP + PIT, SCALP + SKULL], [AIR, SOFT, 1000.0, BRAIN], 0.9
    )

    def hu(p):
        f = np.linalg.norm(p / AXES, axis=-1)
        depth = (1.0 - f) * f / np.maximum(np.linalg.norm(p / AXES**2, axis=-1), 1e-9)
        slot = (np.abs(p[..., 2] - 35.0) < pit_mm / 2.0) & (p[..., 1] > 0.0)
        return np.where(slot, pitted(depth), whole(depth))

    volume = volume_of(hu, -AXES - 14.0, AXES + 14.0, (2.0, 2.0, 1.25), noise_hu=5.0, seed=3)
    frame = frame_from(np.zeros(3), np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]))
    return midsagittal_section(volume, coarse_head(volume), frame)


@pytest.mark.parametrize(("pit_mm", "bridged"), [(4.0, True), (14.0, False)])
def test_a_narrow_pit_of_bone_is_bridged_and_a_wide_one_is_not(pit_mm, bridged):
    bone = section(pit_mm).bone_mm
    use = (PHI_DEG > -10.0) & (PHI_DEG < 60.0)
    turn = np.radians(PHI_DEG)
    skin = 1.0 / np.hypot(np.cos(turn) / AXES[1], np.sin(turn) / AXES[2])
    under = skin - bone  # a little over the scalp's thickness where a ray is not square to it
    deepest = float(np.nanmax(under[use]))
    assert np.isfinite(bone[use]).all()
    assert (deepest < SCALP + 2.0) is bridged
    assert bridged or deepest > SCALP + 0.8 * PIT
