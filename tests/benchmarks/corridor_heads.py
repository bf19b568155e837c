"""Random heads of which only the part round both corridors is scanned, changes planted there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any
from unittest import mock

import numpy as np
from numpy.typing import NDArray

from entrypoint.geometry.planes import Plane
from entrypoint.phantoms import build, profile, random_case, site
from entrypoint.phantoms import corridor_truth as planted
from entrypoint.phantoms.grid import GridSpec
from entrypoint.phantoms.head import Head
from entrypoint.phantoms.population import Case
from entrypoint.phantoms.sutures import coronal_curve
from entrypoint.planning import ct_site
from entrypoint.planning.ct_site import Site
from entrypoint.planning.model import Rule, Side
from entrypoint.volume.grid import Grid
from entrypoint.volume.levels import read_levels
from entrypoint.volume.volume import Volume

FloatArray = NDArray[np.float64]
SLICES_MM = (0.5, 0.6, 1.0, 1.25)
NOISE_HU = (5.0, 30.0)
KINDS = ("swelling", "gap", "fracture", "metal", "air", "clot", "fluid", "sinus")
MORE_KINDS = ("fluid-in-all", "dense-plate")
_RADIUS_MM, _OUTSIDE_MM, _DEEP_MM = 22.0, 12.0, 62.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """A true path in the head's own frame."""

    entry_mm: FloatArray
    foot_mm: FloatArray
    unit_inward: FloatArray
    unit_along: FloatArray
    skull_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """Part of a scan with its true frame, suture and paths, as if planning had found them."""

    head: Any
    sites: dict[Side, Site]
    true: dict[str, Any]


def path_of(head: Head, side: Side) -> Path:
    """The rule's true path."""
    shape = head.shape
    skin = profile.skin_profile(shape, 0.2)
    _, start, _ = profile.nasion(skin)
    midline = profile.cut(skin, start, start + 230.0)
    x = np.array([1.0, 0.0, 0.0])
    point, along, _ = site.on_tape(midline, x, np.array([0.0, 0.0, 1.0]), 110.0)
    sign = 1.0 if side is Side.RIGHT else -1.0
    line, outward = site.lateral_line(shape, point, along, sign, step_deg=0.2)
    entry, _, _ = site.on_tape(line, along, outward, 30.0)
    foot, inward = site.perpendicular(shape, entry)
    skull = site.crossings(shape, foot, inward).skull_mm
    return Path(entry_mm=entry, foot_mm=foot, unit_inward=inward, unit_along=along,
                skull_mm=float(skull))


def condition(kind: str, path: Path, rng: np.random.Generator) -> Any:
    """What is planted for a kind, its size as stated, its place and course drawn."""
    reach, turn = 2.0 * np.sqrt(rng.random()), 2.0 * np.pi * rng.random()
    common: dict[str, Any] = {
        "foot_mm": tuple(float(v) for v in path.foot_mm),
        "unit_inward": tuple(float(v) for v in path.unit_inward),
        "aside_mm": (float(reach * np.cos(turn)), float(reach * np.sin(turn))),
    }
    deg = float(rng.uniform(-90.0, 90.0))
    thick, below = float(rng.uniform(0.0, 1.0)), path.skull_mm
    if kind == "swelling":
        return planted.SwellingOnPath(**common, sigma_mm=float(rng.uniform(10.0, 20.0)))
    if kind == "gap":
        return planted.GapOnPath(**common, slot=bool(rng.random() < 0.5), turn_deg=deg)
    if kind == "fracture":
        return planted.CrackOnPath(**common, turn_deg=deg)
    if kind in ("metal", "air"):
        # In the scalp, in or under the bone, or along the sensor's way.
        half = 1.0 if kind == "metal" else 2.0
        where = int(rng.integers(3 if kind == "metal" else 2))
        lowest = below + half + 20.0 * thick
        if kind == "metal":
            depth = (-1.2 - 2.0 * thick, below * thick, lowest)[where]
            return planted.MetalOnPath(**common, depth_mm=depth)
        return planted.AirOnPath(**common, depth_mm=(-2.3, lowest)[where])
    if kind == "clot":
        return planted.LayerOnPath(**common, hu=float(rng.uniform(55.0, 75.0)),
                                   radius_mm=float(rng.uniform(14.0, 28.0)))
    if kind in ("fluid", "fluid-in-all"):
        return planted.LayerOnPath(**common, hu=float(rng.uniform(5.0, 18.0)),
                                   radius_mm=float(rng.uniform(14.0, 28.0)),
                                   pushes_brain=kind == "fluid")
    if kind == "sinus":
        return planted.SinusOnPath(**common, radius_mm=float(rng.uniform(5.0, 12.0)))
    if kind == "dense-plate":
        return planted.DensePlateOnPath(**common, hu=float(rng.uniform(400.0, 900.0)))
    raise KeyError(kind)


def draw(seed: int) -> Case:
    """Head, grid and scanner of a seed, with nothing planted."""
    return random_case(seed, slices_mm=SLICES_MM, noise_hu=NOISE_HU)


def scan(seed: int, kind: str | None = None) -> Scan:
    """Scan the part of a random head round both corridors, a change planted on the right path.

    The side is drawn: the head is the same for every kind.
    """
    rng = np.random.default_rng([seed, 211])
    case = draw(seed)
    side = Side.RIGHT if rng.random() < 0.5 else Side.LEFT
    head = build(case.spec)
    what = None
    if kind is not None:
        what = condition(kind, path_of(head, side), rng)
        head = build(replace(case.spec, conditions=(what,)))
    paths = {s: path_of(head, s) for s in Side}
    grid = _around(head, paths, case.grid)
    # Small things need a finer grid of fields than a whole head.
    scanner = replace(case.scanner, coarse_mm=1.0)
    hu, matrix = head.render(grid, scanner)
    found = as_found(hu, matrix, head, paths)
    true = {"seed": seed, "kind": kind, "side": side, **case.grid,
            "noise_hu": case.scanner.noise_hu, "fwhm_mm": case.scanner.fwhm_mm,
            "sharpen": case.scanner.sharpen, "grain": case.scanner.noise_grain,
            "planted": None if what is None else what.truth(head)}
    return Scan(head=found[0], sites=found[1], true=true)


def _around(head: Head, paths: dict[Side, Path], grid: dict[str, Any]) -> GridSpec:
    points = []
    for p in paths.values():
        u = np.cross(p.unit_inward, [0.0, 0.0, 1.0])
        u /= np.linalg.norm(u)
        v = np.cross(p.unit_inward, u)
        for depth in (-_OUTSIDE_MM, _DEEP_MM):
            wide = _RADIUS_MM if depth < 0 else 0.6 * _RADIUS_MM
            for a in np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False):
                points.append(p.entry_mm + depth * p.unit_inward
                              + wide * (np.cos(a) * u + np.sin(a) * v))
    m = head.world_from_head
    world = np.array(points) @ m[:3, :3].T + m[:3, 3]
    lo, hi = world.min(axis=0), world.max(axis=0)
    return GridSpec.around((lo[0], lo[1], lo[2]), (hi[0], hi[1], hi[2]), **grid)


def as_found(hu: NDArray[np.int16], matrix: FloatArray, head: Head,
             paths: dict[Side, Path]) -> tuple[Any, dict[Side, Site]]:
    """The head with its true frame, and each side's site read by planning at the true entry."""
    m = head.world_from_head
    volume = Volume(grid=Grid(shape=hu.shape, world_from_index=matrix), stored=hu).canonical()
    coarse = volume.block_means(2.6)
    origin, right, ahead, up = m[:3, 3], m[:3, 0], m[:3, 1], m[:3, 2]
    tip = np.mean([_world(m, p.entry_mm + 32.0 * p.unit_inward) for p in paths.values()], axis=0)
    block = volume.block_around(tip[None], margin_mm=9.0)
    cubes = block.to_hu(block.stored)
    n = [s // 4 for s in cubes.shape]
    cut = cubes[: 4 * n[0], : 4 * n[1], : 4 * n[2]].reshape(n[0], 4, n[1], 4, n[2], 4)
    found = SimpleNamespace(
        volume=volume,
        coarse=SimpleNamespace(volume=coarse, levels=read_levels(coarse.stored), grid=coarse.grid),
        frame=SimpleNamespace(origin_mm=origin, unit_right=right, unit_anterior=ahead,
                              unit_superior=up),
        noise_hu=float(np.percentile(cut.std(axis=(1, 3, 5)), 25)),
    )
    sites = {}
    directions = coronal_curve(head.shape, head.bregma_rad, np.linspace(-1.0, 1.0, 161))
    suture = _world(m, directions * head.shape.outer(directions)[:, None])
    for side, path in paths.items():
        entry = _world(m, path.entry_mm)
        along = m[:3, :3] @ path.unit_along
        inward = m[:3, :3] @ path.unit_inward
        along = along - (along @ inward) * inward
        along /= np.linalg.norm(along)
        placed = SimpleNamespace(scalp_entry_mm=entry, unit_along=along,
                                 unit_across=np.cross(along, inward),
                                 unit_backward=along)
        with mock.patch.object(ct_site, "place_on_ct", lambda *a, p=placed: (p, None)):
            sites[side] = ct_site.read_site(
                found, None, Plane(point_mm=origin, unit_normal=right), Rule(), side, suture)
    return found, sites


def _world(m: FloatArray, p: FloatArray) -> FloatArray:
    return np.asarray(p @ m[:3, :3].T + m[:3, 3])
