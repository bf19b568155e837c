"""Random heads whose sizes follow the published ranges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from entrypoint.phantoms.render import Scanner
from entrypoint.phantoms.spec import HeadSpec
from entrypoint.phantoms.storage import AXIS_ORDERS, NEED_SQUARE_AXES, PLAIN, STORAGE

__all__ = ["Case", "random_case", "random_spec"]

_SLICES_MM = (0.5, 0.6, 1.0, 1.25, 2.0, 2.5, 3.0, 5.0)
_AXES = ("LPS", "RAS", "LAS", "RPI", "PIR", "SLP", "ASL", "LPI")

# ANSUR II (men n 4082, women n 1986): head length and breadth, interpupillary breadth, mm
_SIZES = {
    "male": ((199.5, 7.0), (154.3, 5.5), (64.0, 3.4)),
    "female": ((189.8, 7.5), (147.8, 5.2), (61.7, 3.6)),
}


def random_spec(
    seed: int,
    *,
    pose_deg: float = 10.0,
    off_centre_mm: float = 15.0,
    asymmetry_mm: tuple[float, float] = (2.0, 4.0),
    female: float = 0.45,
    head_rest: bool = True,
) -> HeadSpec:
    """Draw a head.

    Parameters
    ----------
    seed : int
        The same seed gives the same head.
    pose_deg : float
        Largest yaw, pitch and roll.
    off_centre_mm : float
        Largest distance of the head from the world's origin along each axis.
    asymmetry_mm : (float, float)
        Range of the left-right difference of the skull.
    female : float
        Share of women.
    """
    rng = np.random.default_rng([seed, 101])
    sex = "female" if rng.random() < female else "male"
    (l_mean, l_sd), (b_mean, b_sd), (p_mean, p_sd) = _SIZES[sex]
    z = rng.standard_normal(8).clip(-2.4, 2.4)
    length = l_mean + l_sd * z[0]
    breadth = b_mean + b_sd * (0.35 * z[0] + 0.94 * z[1])
    height_ratio = 0.905 + 0.030 * z[2]
    skull = float(np.clip(np.exp(np.log(6.9) + 0.19 * z[3]), 4.2, 12.0))
    # nasion to bregma on bone: 0.383 of the nasion-inion arc, spread so that the whole
    # population has 126.6 +- 7.3 mm (Anatomy 2018;12(3):135-139)
    arc = (
        126.6
        * (0.55 * length / 195.1 + 0.45)
        * (1.0 + 0.040 * (height_ratio - 0.905) / 0.030 * 0.4)
    )
    arc *= 1.0 + 0.051 * z[4]
    amount = float(rng.uniform(*asymmetry_mm))
    share = float(rng.uniform(0.35, 0.65))
    pose = rng.uniform(-pose_deg, pose_deg, 3)
    centre = rng.uniform(-off_centre_mm, off_centre_mm, 3)
    return HeadSpec(
        name=f"random-{seed}",
        seed=seed,
        length_mm=float(length),
        breadth_mm=float(breadth),
        height_ratio=float(height_ratio),
        scalp_mm=float(np.clip(5.7 + 0.75 * z[5], 3.8, 8.0)),
        skull_mm=skull,
        outer_table_mm=float(rng.uniform(1.5, 2.0)),
        inner_table_mm=float(rng.uniform(1.0, 1.5)),
        cortical_hu=float(rng.uniform(1050.0, 1600.0)),
        diploe_hu=float(rng.uniform(300.0, 560.0)),
        diploe_texture_hu=float(rng.uniform(60.0, 150.0)),
        nasion_bregma_arc_mm=float(np.clip(arc, 107.0, 146.0)),
        suture_bow=float(rng.uniform(0.7, 1.3)),
        suture_width_mm=float(rng.uniform(0.8, 1.4)),
        suture_hu=float(rng.uniform(40.0, 220.0)),
        brow_mm=float(rng.uniform(1.8, 4.2) if sex == "male" else rng.uniform(0.6, 2.4)),
        nasal_root_mm=float(rng.uniform(-1.0, 1.0)),
        nose_scale=float(rng.uniform(0.85, 1.15)),
        frontal_sinus=float(rng.choice([0.0, 0.6, 0.9, 1.1, 1.4], p=[0.07, 0.2, 0.3, 0.3, 0.13])),
        inion_mm=float(rng.uniform(2.0, 5.5) if sex == "male" else rng.uniform(1.2, 3.8)),
        inion_deg=float(-18.0 + 3.0 * z[6]),
        interpupillary_mm=float(p_mean + p_sd * z[7]),
        uneven_skull_mm=float(rng.uniform(0.6, 1.3)),
        uneven_scalp_mm=float(rng.uniform(0.3, 0.6)),
        uneven_thickness=float(rng.uniform(0.08, 0.16)),
        skew_mm=float(rng.choice([-1.0, 1.0])) * amount * share,
        bulge_mm=amount * (1.0 - share),
        yaw_deg=float(pose[0]),
        pitch_deg=float(pose[1]),
        roll_deg=float(pose[2]),
        centre_mm=(float(centre[0]), float(centre[1]), float(centre[2])),
        head_rest=head_rest,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A head with how it is to be scanned; ``grid`` are arguments of ``Head.grid``."""

    spec: HeadSpec
    grid: dict[str, Any]
    scanner: Scanner
    stored_as: str = PLAIN  # key of ``storage.STORAGE``

    @property
    def field(self) -> str | None:
        """Name of the part-losing field of view, a key of ``fov.FIELDS``; None: all is seen."""
        name = self.grid.get("field")
        return None if name is None else str(name)


def random_case(
    seed: int,
    *,
    pose_deg: float = 10.0,
    planted: float = 0.0,
    voxel_mm: tuple[float, float] = (0.4, 1.0),
    slices_mm: tuple[float, ...] = _SLICES_MM,
    noise_hu: tuple[float, float] = (15.0, 30.0),
    fwhm_mm: tuple[float, float] = (0.7, 1.2),
    turned_grids: float = 0.0,
    million_voxels: tuple[float, ...] | None = None,
    cropped: float = 0.0,
    storages: bool = False,
) -> Case:
    """Draw a head, what is planted in it, and the scan.

    Parameters
    ----------
    seed : int
    pose_deg : float
        Largest yaw, pitch and roll.
    planted : float
        Share of heads with one planted condition; a third of those have two.
    voxel_mm : (float, float)
        Range of the voxel size in plane.
    slices_mm : tuple of float
        Slice thicknesses to draw from.
    noise_hu, fwhm_mm : (float, float)
        Ranges of noise and point spread.
    turned_grids : float
        Share of grids with another axis order, an oblique or a sheared matrix.
    million_voxels : tuple of float, optional
        Upper bounds on the size of the picture, to draw from: the voxel size in plane is raised
        to meet it, as far as 1 mm.
    cropped : float
        Share of scans whose field of view loses a named part of the head.
    storages : bool
        Draw a way of storing the file: axis orders together as often as each other way.
    """
    from entrypoint.phantoms.conditions.catalogue import CONDITIONS, contradict, plant
    from entrypoint.phantoms.fov import FIELDS

    rng = np.random.default_rng([seed, 103])
    spec = random_spec(seed, pose_deg=pose_deg)
    if rng.random() < planted:
        n = 2 if rng.random() < 0.33 else 1
        names = [str(v) for v in rng.choice(sorted(CONDITIONS), n, replace=False)]
        again = np.random.default_rng([seed, 113])
        while contradict(*names) is not None:
            names[-1] = str(again.choice(sorted(CONDITIONS)))
        spec = plant(spec, *names)
    voxel = float(rng.uniform(*voxel_mm))
    thick = float(rng.choice(slices_mm))
    if million_voxels is not None:  # a whole head is about 12.5 litres of field
        most = float(np.random.default_rng([seed, 107]).choice(million_voxels))
        voxel = max(voxel, min(1.0, float(np.sqrt(12.5 / (most * thick)))))
    grid: dict[str, Any] = {"voxel_mm": round(voxel, 3), "slice_mm": thick}
    if rng.random() < turned_grids:
        kind = int(rng.integers(3))
        if kind == 0:
            grid["axes"] = str(rng.choice(_AXES))
        elif kind == 1:
            grid["oblique_deg"] = tuple(float(v) for v in rng.uniform(-20, 20, 3))
        else:
            grid["shear"] = float(rng.uniform(-0.35, 0.35))
    scanner = Scanner(
        fwhm_mm=float(rng.uniform(*fwhm_mm)),
        noise_hu=float(rng.uniform(*noise_hu)),
        sharpen=float(rng.choice([0.0, 0.0, 0.3, 0.6])),
        noise_grain=float(rng.uniform(0.5, 0.9)),
    )
    crop = np.random.default_rng([seed, 127])
    if crop.random() < cropped:
        grid["field"] = str(crop.choice(list(FIELDS)))
    stored_as = PLAIN
    if storages:
        draw = np.random.default_rng([seed, 131])
        ways = [n for n in STORAGE if not n.startswith("axes-")]
        if "shear" in grid:
            ways = [n for n in ways if n not in NEED_SQUARE_AXES]
        stored_as = str(draw.choice([*ways, "axes"]))
        if stored_as == "axes":
            stored_as = f"axes-{draw.choice(AXIS_ORDERS)}"
    return Case(spec=spec, grid=grid, scanner=scanner, stored_as=stored_as)
