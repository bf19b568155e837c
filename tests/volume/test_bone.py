"""Edges, patches and feet on shells whose surfaces are known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from entrypoint.errors import MeasurementError
from entrypoint.volume.bone import bone_patch, square_foot
from entrypoint.volume.edges import quick_edges
from entrypoint.volume.levels import Levels
from tests.volume.made import AIR, BRAIN, SOFT, Slab, blurred_layers, volume_of

LEVELS = Levels(air_hu=AIR, soft_hu=SOFT, bone_hu=700.0)
DEPTHS = np.arange(-8.0, 40.0, 0.2)
SCALP, TABLE_HU = 6.0, 1300.0


def half_peak_width(t: float, fwhm: float) -> float:
    """Width at half of its own peak of a slab blurred by a Gaussian (erf in closed form)."""
    s = math.sqrt(2) * fwhm / 2.354820045

    def height(x):
        return 0.5 * (math.erf((t / 2 - x) / s) + math.erf((t / 2 + x) / s))

    return 2 * brentq(lambda x: height(x) - 0.5 * height(0.0), 0.0, t + 4 * fwhm)


def edges_of(layers, values, fwhm=0.9, depths=DEPTHS, levels=LEVELS):
    return quick_edges(depths, blurred_layers(layers, values, fwhm)(depths)[None, :], levels)


@pytest.mark.parametrize("fwhm", [0.6, 1.0, 1.5, 2.0])
@pytest.mark.parametrize("thick", [2.0, 3.0, 5.0, 8.0, 14.0])
def test_one_slab_reads_its_half_peak_width(thick, fwhm):
    """Blurred slab in closed form; Prevrhal S et al., Med Phys 2003;30(1):1-8."""
    found = edges_of([0.0, SCALP, SCALP + thick], [AIR, SOFT, TABLE_HU, SOFT], fwhm)
    width = float(found.inner_mm[0] - found.outer_mm[0])
    # A table's own peak is looked for in its outer 2.5 mm: under a wide blur it is not all of it.
    limit = 0.02 if fwhm < 1.8 else 0.1
    assert width == pytest.approx(half_peak_width(thick, fwhm), abs=limit)
    assert float(found.skin_mm[0]) == pytest.approx(0.0, abs=0.02)
    middle = 0.5 * float(found.inner_mm[0] + found.outer_mm[0])
    assert middle == pytest.approx(SCALP + thick / 2, abs=0.02)


@pytest.mark.parametrize("diploe_hu", [260.0, 420.0, 1200.0])
@pytest.mark.parametrize("tables", [(1.8, 3.2, 1.4), (1.5, 1.5, 1.0), (2.0, 9.0, 1.5)])
@pytest.mark.parametrize("fwhm", [0.6, 0.9, 1.2])
def test_diploe_does_not_end_the_skull(tables, diploe_hu, fwhm):
    edges = np.cumsum([0.0, SCALP, *tables]).tolist()
    found = edges_of(edges, [AIR, SOFT, TABLE_HU, diploe_hu, TABLE_HU, BRAIN], fwhm)
    assert float(found.outer_mm[0]) == pytest.approx(SCALP, abs=0.35)
    assert float(found.inner_mm[0]) == pytest.approx(SCALP + sum(tables), abs=0.35)


def test_old_bone_of_low_density_is_found():
    """Bone that peaks at 629 HU: Yamada K et al., doi 10.1111/j.1532-5415.1982.tb03366.x."""
    levels = Levels(air_hu=AIR, soft_hu=SOFT, bone_hu=330.0)
    edges = [0.0, SCALP, SCALP + 1.6, SCALP + 4.8, SCALP + 6.0]
    found = edges_of(edges, [AIR, SOFT, 640.0, 230.0, 640.0, BRAIN], 0.9, levels=levels)
    assert float(found.outer_mm[0]) == pytest.approx(SCALP, abs=0.3)
    assert float(found.inner_mm[0]) == pytest.approx(SCALP + 6.0, abs=0.3)


@pytest.mark.parametrize("gap", [2.0, 4.0, 6.0])
def test_hair_or_a_tube_outside_the_skin_is_passed_over(gap):
    edges = [-gap - 1.0, -gap, 0.0, SCALP, SCALP + 7.0]
    found = edges_of(edges, [AIR, 60.0, AIR, SOFT, TABLE_HU, BRAIN], 0.9)
    assert float(found.skin_mm[0]) == pytest.approx(0.0, abs=0.05)


def test_soft_tissue_alone_has_no_bone_edges():
    found = edges_of([0.0, 3.0], [AIR, SOFT, BRAIN])
    assert np.isnan(found.outer_mm).all()
    assert np.isnan(found.inner_mm).all()
    assert np.isnan(found.outer_peak_hu).all()


def test_bone_deeper_than_the_window_has_no_inner_edge():
    found = edges_of([0.0, SCALP], [AIR, SOFT, TABLE_HU])
    assert np.isfinite(found.outer_mm).all()
    assert np.isnan(found.inner_mm).all()


def test_rays_do_not_touch_each_other():
    one = blurred_layers([0.0, 5.0, 12.0], [AIR, SOFT, TABLE_HU, BRAIN], 0.9)(DEPTHS)
    two = blurred_layers([0.0, 8.0, 11.0], [AIR, SOFT, TABLE_HU, BRAIN], 0.9)(DEPTHS)
    none = np.full(len(DEPTHS), np.nan)
    both = quick_edges(DEPTHS, np.stack([one, none, two, one]), LEVELS)
    alone = [quick_edges(DEPTHS, hu[None, :], LEVELS) for hu in (one, none, two, one)]
    for name in ("skin_mm", "outer_mm", "inner_mm", "outer_peak_hu", "inner_peak_hu"):
        wanted = [float(getattr(a, name)[0]) for a in alone]
        np.testing.assert_array_equal(getattr(both, name), wanted)


class Shell:
    """An ellipsoid of bone under a scalp of even thickness, as far as blur is concerned."""

    def __init__(self, axes, *, centre=(3.0, -2.0, 4.0), hole_mm=None, seed=0, noise_hu=0.0):
        self.axes, self.centre = np.array(axes, float), np.array(centre)
        self.profile = blurred_layers(
            [-6.0, 0.0, 7.0], [AIR, SOFT, TABLE_HU, BRAIN], 0.9
        )
        self.without = blurred_layers([-6.0, 0.0], [AIR, SOFT, BRAIN], 0.9)
        self.hole_mm = hole_mm
        top = self.centre + np.array([0.0, 0.0, self.axes[2]])
        self.volume = volume_of(
            self.hu, top - np.array([34, 34, 24]), top + np.array([34, 34, 14]), (0.6, 0.6, 0.6),
            noise_hu=noise_hu, seed=seed,
        )  # fmt: skip

    def hu(self, p):
        q = p - self.centre
        f = np.linalg.norm(q / self.axes, axis=-1)
        # Distance from the ellipsoid to first order, exact on a sphere: (f - 1) f / |grad|.
        depth = (1.0 - f) * f / np.linalg.norm(q / self.axes**2, axis=-1)
        bone = self.profile(depth)
        if self.hole_mm is None:
            return bone
        return np.where(np.hypot(q[..., 0], q[..., 1]) < self.hole_mm, self.without(depth), bone)

    def point(self, x, y):
        """Surface point over (x, y) from the centre."""
        z = self.axes[2] * np.sqrt(1 - (x / self.axes[0]) ** 2 - (y / self.axes[1]) ** 2)
        return self.centre + np.stack([x + 0 * z, y + 0 * z, z], axis=-1)

    def normal(self, p):
        """Outward normal in closed form: along q / axes^2."""
        g = (p - self.centre) / self.axes**2
        return g / np.linalg.norm(g, axis=-1, keepdims=True)

    def mean_normal(self, p, radius=10.0, step=0.1):
        """Area-weighted mean of the closed-form normals within a straight distance of p."""
        x0, y0 = (p - self.centre)[:2]
        x, y = np.meshgrid(np.arange(x0 - 12, x0 + 12, step), np.arange(y0 - 12, y0 + 12, step))
        s = self.point(x.ravel(), y.ravel())
        n = self.normal(s)
        near = np.linalg.norm(s - p, axis=1) <= radius
        total = (n[near] / n[near, 2:3]).sum(axis=0)  # area over a cell of (x, y) is 1 / n_z
        return total / np.linalg.norm(total)

    def foot(self, point, radius=10.0):
        """Foot by the definition, found by turning the path until it is square."""
        foot = self.point(*(point - self.centre)[:2])
        for _ in range(40):
            n = self.mean_normal(foot, radius)
            t = brentq(lambda t, n=n: self._level(point - t * n), -5.0, 40.0)
            foot = point - t * n
        return foot, n

    def _level(self, p):
        return float(np.linalg.norm((p - self.centre) / self.axes) - 1.0)


def angle(a, b):
    return math.degrees(math.acos(min(1.0, float(a @ b))))


@pytest.mark.parametrize("radius", [70.0, 80.0, 90.0])
@pytest.mark.parametrize("at", [(0.0, 0.0), (9.0, -6.0)])
def test_foot_on_a_sphere_is_on_the_radius(radius, at):
    shell = Shell([radius] * 3)
    entry = shell.point(*map(float, at))
    entry = entry + 6.0 * shell.normal(entry)
    patch = bone_patch(
        shell.volume, LEVELS, entry, np.array([0.05, 0.0, -1.0]) / math.hypot(0.05, 1), [1.0, 0, 0]
    )
    foot = square_foot(patch, entry, radius_mm=10.0)
    out = (entry - shell.centre) / np.linalg.norm(entry - shell.centre)
    assert angle(foot.unit_outward, out) < 0.15
    np.testing.assert_allclose(foot.foot_mm, shell.centre + radius * out, atol=0.1)
    assert not patch.missing.any()
    assert np.abs(np.linalg.norm(patch.points_mm() - shell.centre, axis=-1) - radius).max() < 0.2


@pytest.mark.parametrize("axes", [(70.0, 95.0, 80.0), (60.0, 100.0, 75.0)])
@pytest.mark.parametrize("lean", [(0.0, 0.0), (0.12, -0.08)])
def test_foot_on_an_ellipsoid_by_the_definition(axes, lean):
    shell = Shell(axes)
    skin = shell.point(8.0, 10.0)
    entry = skin + 6.0 * shell.normal(skin) + [lean[0] * 6, lean[1] * 6, 0.0]
    inward = np.array([0.0, 0.0, -1.0])
    patch = bone_patch(shell.volume, LEVELS, entry, inward, np.array([0.0, 1.0, 0.0]))
    foot = square_foot(patch, entry, radius_mm=10.0)
    true_foot, true_out = shell.foot(entry)
    assert angle(foot.unit_outward, true_out) < 0.2
    np.testing.assert_allclose(foot.foot_mm, true_foot, atol=0.15)
    # The path passes through the entry and the foot.
    assert angle((entry - foot.foot_mm) / np.linalg.norm(entry - foot.foot_mm),
                 foot.unit_outward) < 0.05  # fmt: skip


def test_patch_does_not_depend_on_what_its_axes_are_turned_to():
    shell = Shell([70.0, 95.0, 80.0])
    entry = shell.point(8.0, 10.0) + np.array([0.0, 0.0, 6.0])
    feet = [
        square_foot(bone_patch(shell.volume, LEVELS, entry, np.array([0.0, 0.0, -1.0]), t), entry)
        for t in (np.array([1.0, 0.0, 0.0]), np.array([0.6, 0.8, 0.0]), np.array([0.0, -1.0, 0.3]))
    ]
    for foot in feet[1:]:
        assert angle(foot.unit_outward, feet[0].unit_outward) < 0.15
        np.testing.assert_allclose(foot.foot_mm, feet[0].foot_mm, atol=0.05)


@pytest.mark.parametrize("hole", [4.0, 7.0, 11.0])
def test_missing_bone_is_bridged_smoothly_and_flagged(hole):
    shell = Shell([80.0] * 3, hole_mm=hole, noise_hu=20.0)
    entry = shell.centre + np.array([0.0, 0.0, 86.0])
    patch = bone_patch(shell.volume, LEVELS, entry, np.array([0.0, 0.0, -1.0]), [1.0, 0.0, 0.0])
    away = np.linalg.norm((patch.points_mm() - shell.centre)[..., :2], axis=-1)
    assert patch.missing[away < hole - 1.0].all()
    assert not patch.missing[away > hole + 1.5].any()
    assert np.isnan(patch.thickness_mm[away < hole - 1.0]).all()
    foot = square_foot(patch, entry)
    assert angle(foot.unit_outward, np.array([0.0, 0.0, 1.0])) < 1.0
    assert float(np.linalg.norm(foot.foot_mm - shell.centre)) == pytest.approx(80.0, abs=0.4)
    assert patch.missing_within(foot.foot_mm, 8.0)
    assert np.isfinite(patch.depth_mm).all()


def test_missing_bone_beside_the_path_counts_by_its_distance():
    shell = Shell([80.0] * 3, hole_mm=5.0)
    side = shell.point(15.0, 0.0)
    entry = side + 6.0 * shell.normal(side)
    patch = bone_patch(shell.volume, LEVELS, entry, -shell.normal(side), [0.0, 1.0, 0.0])
    foot = square_foot(patch, entry)
    gap = 15.0 - 5.0
    assert not patch.missing_within(foot.foot_mm, gap - 2.0)
    assert patch.missing_within(foot.foot_mm, gap + 2.0)


def test_no_bone_at_all_is_refused():
    shell = Shell([80.0] * 3, hole_mm=60.0)
    entry = shell.centre + np.array([0.0, 0.0, 86.0])
    with pytest.raises(MeasurementError, match="bone under the entry point"):
        bone_patch(shell.volume, LEVELS, entry, np.array([0.0, 0.0, -1.0]), [1.0, 0.0, 0.0])


@pytest.mark.parametrize("tilt", [0.0, 15.0, 35.0])
def test_quick_thickness_along_a_slanted_direction(tilt):
    """Slant factor 1 / cos, in a block of voxels that does not know of the slab's normal."""
    slab = Slab(tables_mm=(2.5, 3.0, 2.5), diploe_hu=1200.0, tilt_deg=tilt, half_mm=36.0)
    down = np.array([0.0, 0.0, -1.0])
    patch = bone_patch(slab.volume, slab.levels, slab.entry_mm, down, [1.0, 0.0, 0.0],
                       half_mm=5.0)  # fmt: skip
    wanted = slab.skull_mm / math.cos(math.radians(tilt))
    assert float(np.median(patch.thickness_mm)) == pytest.approx(wanted, abs=0.15 * wanted / 8)
    foot = square_foot(patch, slab.entry_mm, radius_mm=4.0)
    assert angle(foot.unit_outward, -slab.unit_inward) < 0.15
