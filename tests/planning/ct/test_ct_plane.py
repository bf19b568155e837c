"""Which plane is believed, how sure it is, and what the midsagittal section bridges."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from entrypoint.anatomy.frame import frame_from
from entrypoint.planning import ct_plane
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


RIGHT, AHEAD = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])


def believed(monkeypatch, starts, slice_mm=1.0):
    """The plane taken of those that the starts lead to: degrees of yaw, agreement, misfit."""
    ends = iter([*starts, *[(60.0 + 9.0 * k, 0.0, 4.0) for k in range(9 - len(starts))]])
    misfits = {}

    def through(volume, coarse, frame, noise_hu):
        yaw_deg, agreeing, misfit = next(ends)
        turn = np.radians(yaw_deg)
        end = frame_from(np.zeros(3), np.cos(turn) * RIGHT + np.sin(turn) * AHEAD, AHEAD)
        misfits[tuple(end.unit_right)] = misfit
        return end, 0.01 * np.diag([1.0, 1e-4, 1e-4]), agreeing

    first = frame_from(np.array([0.0, 0.0, 1.0]), RIGHT, AHEAD)
    monkeypatch.setattr(ct_plane, "through_midline", through)
    monkeypatch.setattr(ct_plane, "recentred", lambda coarse, frame: frame)
    grid = SimpleNamespace(voxel_mm=(0.7, 0.7, slice_mm), slice_mm=slice_mm)
    frame, cov, agreeing = ct_plane.plane_from_midline(
        SimpleNamespace(grid=grid), SimpleNamespace(centre_mm=np.zeros(3)), first, 20.0,
        lambda f: 1.0 if f is first else misfits[tuple(f.unit_right)],
    )  # fmt: skip
    yaw = float(np.degrees(np.arctan2(frame.unit_right[1], frame.unit_right[0])))
    return round(yaw, 3), float(np.sqrt(cov[0, 0])), agreeing


@pytest.mark.parametrize(("starts", "slice_mm", "yaw_deg", "told"), [
    # Yaw, share that agrees, misfit against the mirror plane's own.
    ([(0.3, 0.7, 1.3), (9.0, 0.9, 1.0)], 1.0, 0.3, False),
    ([(0.3, 0.92, 2.5), (9.0, 0.52, 2.0)], 1.0, 0.3, False),  # nearly all agree, the head is uneven
    ([(0.3, 0.55, 2.6), (9.0, 0.52, 1.2)], 1.0, 9.0, True),  # a turned start and little agreement
    ([(0.3, 0.55, 1.2)], 1.0, 0.3, False),
    ([(0.3, 0.55, 1.2)], 5.0, 0.3, True),  # little agreement over thick slices
    ([(0.3, 0.52, 2.6), (0.4, 0.48, 2.6)], 1.0, 0.3, False),  # two starts met
])  # fmt: skip
def test_the_plane_that_is_believed(monkeypatch, starts, slice_mm, yaw_deg, told):
    yaw, sd_mm, agreeing = believed(monkeypatch, starts, slice_mm)
    assert yaw == pytest.approx(yaw_deg)
    assert agreeing >= 0.36
    assert (sd_mm > 1.5) is told, "over the limit of plane-uncertain"


@pytest.mark.parametrize("starts", [
    [(0.3, 0.52, 2.6)],  # nobody else comes there
    [(0.3, 0.52, 2.6), (4.0, 0.50, 2.6)],
    [(0.3, 0.30, 1.0), (0.3, 0.30, 1.0)],  # hardly any agree
])  # fmt: skip
def test_a_plane_that_nothing_bears_out_is_not_believed(monkeypatch, starts):
    assert believed(monkeypatch, starts)[2] == 0.0
