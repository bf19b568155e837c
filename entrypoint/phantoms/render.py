"""From layers to a picture: a coarse grid of smooth fields, a fine grid of matter, the scanner.

Each field is computed on a coarse grid along the picture's own axes and carried to a fine grid
by cubic splines, where matter is painted with partial cover at its borders. The fine grid is
then seen through the scanner's point spread and slice profile and thinned to the voxels. All
of it runs block by block, and a block sees only the layers that reach it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from entrypoint.phantoms.fields import Array, Points
from entrypoint.phantoms.grid import GridSpec
from entrypoint.phantoms.layers import Context, Layer
from entrypoint.phantoms.shape import Shape

__all__ = ["Scanner", "render_layers"]

_AIR = -1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanner:
    """How the picture is taken."""

    fwhm_mm: float = 0.9  # point spread in plane, full width at half maximum
    sharpen: float = 0.0  # edge enhancement of a sharp kernel, 0 to about 0.8
    noise_hu: float = 20.0
    noise_grain: float = 0.75  # spatial correlation, sigma in voxels
    noisy_air: bool = True  # False: air and foam stay flat, which packs smaller
    step_hu: float = 1.0  # HU between two stored values
    fine_mm: float = 0.55  # finest spacing at which matter is painted
    coarse_mm: float = 2.1
    block: int = 64  # fine samples along the edge of a block


@dataclass(slots=True)
class _Axis:
    """One index axis: coarse samples, fine samples, and what carries one to the other."""

    n: int
    spacing: float
    factor: int
    kernel: Callable[[Array], Array]
    reach: float  # of the kernel, in index steps
    step: float  # coarse step, in index steps
    start: float  # index of the first coarse sample
    count: int  # coarse samples

    def coarse_index(self) -> Array:
        return self.start + self.step * np.arange(self.count)

    def block(self, lo: int, hi: int, dtype: type) -> tuple[int, int, Array, Array]:
        """Coarse range, spline matrix (fine, coarse) and thinning matrix (voxel, fine)."""
        pad = int(np.ceil(self.reach * self.factor))
        m = np.arange(lo * self.factor - pad, hi * self.factor + pad)
        fine = (m + 0.5) / self.factor - 0.5
        t = (fine - self.start) / self.step
        base = np.floor(t).astype(int) - 1
        c0, c1 = int(base[0]), int(base[-1]) + 4
        f = t - np.floor(t)
        w = (
            np.stack(
                [(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3],
                axis=1,
            )
            / 6.0
        )
        spline = np.zeros((len(m), c1 - c0), dtype=np.float64)
        for k in range(4):
            spline[np.arange(len(m)), base - c0 + k] += w[:, k]
        out = np.arange(lo, hi)
        weights = self.kernel((fine[None, :] - out[:, None]) * self.spacing)
        weights /= weights.sum(axis=1, keepdims=True)
        return c0, c1, spline.astype(dtype), weights.astype(dtype)


def _gauss(sigma: float, sharpen: float) -> Callable[[Array], Array]:
    def kernel(d: Array) -> Array:
        g = np.exp(-0.5 * (d / sigma) ** 2)
        if sharpen == 0.0:
            return g
        wide = np.exp(-0.5 * (d / (2.2 * sigma)) ** 2)
        g = g / g.sum(axis=1, keepdims=True)
        wide = wide / wide.sum(axis=1, keepdims=True)
        value: Array = (1.0 + sharpen) * g - sharpen * wide
        return value

    return kernel


def _slab(width: float, soft: float) -> Callable[[Array], Array]:
    def kernel(d: Array) -> Array:
        # a box with soft shoulders
        return 1.0 / (1.0 + np.exp((np.abs(d) - 0.5 * width) / (0.28 * soft)))

    return kernel


def _axes(grid: GridSpec, scanner: Scanner) -> list[_Axis]:
    axes = []
    for i, (n, h) in enumerate(zip(grid.shape, grid.spacing_mm, strict=True)):
        most = 8 if i == grid.slice_axis else 4  # enough: the point spread is then no narrower
        factor = min(most, max(1, int(np.ceil(h / scanner.fine_mm - 0.05))))
        fine = h / factor
        sigma = scanner.fwhm_mm / 2.3548
        sigma = float(np.sqrt(max(sigma**2 - fine**2 / 12.0, (0.2 * fine) ** 2)))
        if i == grid.slice_axis:
            width = grid.slice_mm or h
            kernel = _slab(width, max(0.35 * width, 0.25))
            reach = (0.5 * width + 1.4 * max(0.35 * width, 0.25)) / h
        else:
            kernel = _gauss(sigma, scanner.sharpen)
            reach = (3.0 if scanner.sharpen == 0 else 5.0) * sigma / h
        step = scanner.coarse_mm / h
        pad = reach + 0.5
        start = -pad - 3.0 * step
        count = int(np.ceil((n - 1 + pad - start) / step)) + 4
        axes.append(_Axis(n, h, factor, kernel, reach, step, start, count))
    return axes


@dataclass(slots=True)
class _Painted:
    """A layer on the coarse grid."""

    layer: Layer
    at: tuple[int, int, int]
    size: tuple[int, int, int]
    raw: Array
    coef: Array
    sheet_raw: Array | None
    sheet: Array | None
    hu: float | Array


def _box_range(
    layer: Layer, index_from_head: Array, axes: Sequence[_Axis]
) -> tuple[tuple[int, int, int], tuple[int, int, int]] | None:
    counts = tuple(a.count for a in axes)
    if layer.box is None:
        return (0, 0, 0), (counts[0], counts[1], counts[2])
    lo, hi = np.array(layer.box[0], float) - 1.0, np.array(layer.box[1], float) + 1.0
    corners = np.array([[(lo, hi)[b >> k & 1][k] for k in range(3)] for b in range(8)])
    idx = corners @ index_from_head[:3, :3].T + index_from_head[:3, 3]
    a0, a1 = [], []
    for k, axis in enumerate(axes):
        c = (idx[:, k] - axis.start) / axis.step
        first = max(0, int(np.floor(c.min())) - 2)
        last = min(axis.count, int(np.ceil(c.max())) + 3)
        if last - first < 5:
            return None
        a0.append(first)
        a1.append(last)
    return (a0[0], a0[1], a0[2]), (a1[0], a1[1], a1[2])


def render_layers(
    layers: Sequence[Layer],
    shape: Shape,
    grid: GridSpec,
    scanner: Scanner,
    head_from_world: Array,
    *,
    dtype: type = np.float32,
) -> Array:
    """Paint the layers and take the picture, without noise.

    Returns
    -------
    array, float32, ``grid.shape``
        HU.
    """
    from scipy.ndimage import spline_filter

    axes = _axes(grid, scanner)
    coords = [a.coarse_index() for a in axes]
    head_from_index = head_from_world @ grid.world_from_index
    ix, iy, iz = (c.reshape([-1 if i == k else 1 for k in range(3)]) for i, c in enumerate(coords))

    def points(m: Array) -> Points:
        return Points(
            *(
                (m[r, 0] * ix + m[r, 1] * iy + m[r, 2] * iz + m[r, 3]).astype(dtype)
                for r in range(3)
            )
        )

    context = Context.at(points(head_from_index), shape, points(grid.world_from_index))
    index_from_head = np.linalg.inv(head_from_index)
    painted = []
    for layer in layers:
        where = _box_range(layer, index_from_head, axes)
        if where is None:
            continue
        a0, a1 = where
        part = context
        if layer.box is not None:
            part = context.part((slice(a0[0], a1[0]), slice(a0[1], a1[1]), slice(a0[2], a1[2])))
        raw: Array = np.asarray(layer.field(part), dtype=dtype)
        if raw.min() > 2.0 * scanner.coarse_mm:
            continue
        sheet: Array | None = (
            None if layer.sheet is None else np.asarray(layer.sheet(part), dtype=dtype)
        )
        hu: float | Array = (
            float(layer.hu)
            if isinstance(layer.hu, int | float)
            else spline_filter(
                np.asarray(layer.hu(part), dtype=dtype), 3, output=dtype, mode="mirror"
            )
        )
        painted.append(
            _Painted(
                layer,
                a0,
                raw.shape,
                raw,
                spline_filter(raw, 3, output=dtype, mode="mirror"),
                sheet,
                None if sheet is None else spline_filter(sheet, 3, output=dtype, mode="mirror"),
                hu,
            )
        )
    del context

    out = np.full(grid.shape, _AIR, dtype=np.float32)
    blocks = [
        [(lo, min(lo + size, a.n)) for lo in range(0, a.n, size)]
        for a, size in ((a, max(4, round(scanner.block / a.factor))) for a in axes)
    ]
    parts = [[a.block(lo, hi, dtype) for lo, hi in bs] for a, bs in zip(axes, blocks, strict=True)]
    fine_mm = float(np.mean([a.spacing / a.factor for a in axes]))
    for (x0, x1), px in zip(blocks[0], parts[0], strict=True):
        for (y0, y1), py in zip(blocks[1], parts[1], strict=True):
            for (z0, z1), pz in zip(blocks[2], parts[2], strict=True):
                seen = _block(painted, (px, py, pz), fine_mm, scanner.coarse_mm)
                if seen is not None:
                    out[x0:x1, y0:y1, z0:z1] = seen
    return out


_Part = tuple[int, int, Array, Array]


def _carry(
    coef: Array, at: tuple[int, int, int], parts: tuple[_Part, _Part, _Part], fill: float
) -> Array | None:
    """Spline coefficients of a layer to the fine grid of a block."""
    lo = [p[0] - a for p, a in zip(parts, at, strict=True)]
    hi = [p[1] - a for p, a in zip(parts, at, strict=True)]
    n = coef.shape
    if any(h <= 0 or b >= s for b, h, s in zip(lo, hi, n, strict=True)):
        return None
    if all(b >= 0 for b in lo) and all(h <= s for h, s in zip(hi, n, strict=True)):
        c = coef[lo[0] : hi[0], lo[1] : hi[1], lo[2] : hi[2]]
    else:
        c = np.full([h - b for b, h in zip(lo, hi, strict=True)], fill, dtype=coef.dtype)
        src = tuple(slice(max(b, 0), min(h, s)) for b, h, s in zip(lo, hi, n, strict=True))
        dst = tuple(slice(s.start - b, s.stop - b) for s, b in zip(src, lo, strict=True))
        c[dst] = coef[src]
    return _upsample(c, parts)


def _upsample(c: Array, parts: tuple[_Part, _Part, _Part]) -> Array:
    ax, ay, az = parts[0][2], parts[1][2], parts[2][2]
    nx, ny, nz = c.shape
    t = (ax @ np.ascontiguousarray(c).reshape(nx, -1)).reshape(-1, ny, nz)
    t = np.matmul(ay, t)
    value: Array = (t.reshape(-1, nz) @ az.T).reshape(ax.shape[0], ay.shape[0], az.shape[0])
    return value


def _thin(f: Array, parts: tuple[_Part, _Part, _Part]) -> Array:
    wx, wy, wz = parts[0][3], parts[1][3], parts[2][3]
    nx, ny, nz = f.shape
    t = (f.reshape(-1, nz) @ wz.T).reshape(nx, ny, -1)
    t = np.matmul(wy, t)
    value: Array = (wx @ t.reshape(nx, -1)).reshape(wx.shape[0], wy.shape[0], wz.shape[0])
    return value


def _block(
    painted: list[_Painted], parts: tuple[_Part, _Part, _Part], fine_mm: float, coarse_mm: float
) -> Array | None:
    """One block; None where there is nothing but air."""
    margin = 0.9 * coarse_mm
    todo: list[_Painted] = []
    for layer in reversed(painted):
        lo = [max(p[0] - a, 0) for p, a in zip(parts, layer.at, strict=True)]
        hi = [min(p[1] - a, s) for p, a, s in zip(parts, layer.at, layer.size, strict=True)]
        if any(b >= h for b, h in zip(lo, hi, strict=True)):
            continue
        view = (slice(lo[0], hi[0]), slice(lo[1], hi[1]), slice(lo[2], hi[2]))
        raw = layer.raw[view]
        if raw.min() > margin:
            continue
        if layer.sheet_raw is not None:
            s = layer.sheet_raw[view]
            reach = margin + layer.layer.half_width_mm
            if s.min() > reach or s.max() < -reach:
                continue
        todo.append(layer)
        whole = all(
            b == p[0] - a and h == p[1] - a
            for b, h, p, a in zip(lo, hi, parts, layer.at, strict=True)
        )
        if whole and layer.sheet_raw is None and raw.max() < -margin:
            break
    if not todo:
        return None
    acc: Array | None = None
    for layer in reversed(todo):
        d = _carry(layer.coef, layer.at, parts, 50.0)
        if d is None:
            continue
        if layer.sheet is not None:
            sheet = _carry(layer.sheet, layer.at, parts, 50.0)
            if sheet is None:
                continue
            np.abs(sheet, out=sheet)
            sheet -= layer.layer.half_width_mm
            np.maximum(d, sheet, out=d)
        # share of the sample that the layer covers
        d *= -1.0 / fine_mm
        d += 0.5
        np.clip(d, 0.0, 1.0, out=d)
        if acc is None:
            acc = np.full(d.shape, _AIR, dtype=d.dtype)
        value: float | Array | None = (
            layer.hu if isinstance(layer.hu, float) else _carry(layer.hu, layer.at, parts, 0.0)
        )
        if value is None:
            continue
        # acc += (value - acc) * cover
        diff = value - acc
        diff *= d
        acc += diff
    return None if acc is None else _thin(acc, parts)
