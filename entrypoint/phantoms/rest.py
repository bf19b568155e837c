"""Head rest and table: they stay with the scanner, whatever the pose of the head."""

from __future__ import annotations

import numpy as np

from entrypoint.phantoms.fields import Array
from entrypoint.phantoms.layers import Context, Layer
from entrypoint.phantoms.shape import Shape

__all__ = ["rest_layers", "touch"]

_RADIUS = 118.0


def touch(shape: Shape, world_from_head: Array) -> tuple[float, float]:
    """Where the axis of the trough lies so that the cushion just touches the scalp.

    Returns
    -------
    tuple
        World x of the axis and world y of the cushion's lowest line.
    """
    rng = np.linspace(-1.0, 1.0, 61)
    phi = np.linspace(0, 2 * np.pi, 121)
    z = np.repeat(rng, len(phi))
    s = np.sqrt(1 - z * z)
    a = np.tile(phi, len(rng))
    u = np.stack([s * np.cos(a), s * np.sin(a), z], axis=-1)
    u = u[u[:, 1] < 0.2]
    p = u * (shape.outer(u) + shape.scalp(u))[:, None]
    w = p @ world_from_head[:3, :3].T + world_from_head[:3, 3]
    low = w[np.argmin(w[:, 1])]
    # axis height for which the point is on the cylinder; the least over points touches first
    x = 0.5 * (low[0] + world_from_head[0, 3])
    inside = np.abs(w[:, 0] - x) < 70.0
    w = w[inside]
    axis = w[:, 1] + np.sqrt(_RADIUS**2 - (w[:, 0] - x) ** 2)
    return float(x), float(axis.min()) - _RADIUS + 0.6


def _room_for_neck(
    shape: Shape, world_from_head: Array, x: float, y: float, bottom_mm: float
) -> tuple[float, float]:
    """How much shorter the rest is, and how far the table is lowered, for a bent neck.

    A neck that leans backwards would enter both: the rest then ends above it, and the table lies
    lower, as under a holder that reaches out beyond the table's end.
    """
    cz = float(world_from_head[2, 3])
    z, phi = np.meshgrid(np.linspace(-62.0, -bottom_mm, 60), np.deg2rad(np.linspace(-80, 80, 41)))
    q = np.stack(
        [57.0 * np.sin(phi), -34.0 + 0.16 * (z + 100.0) - 57.0 * np.cos(phi), z], axis=-1
    ).reshape(-1, 3)
    w = (q * np.array(shape.scale)) @ world_from_head[:3, :3].T + world_from_head[:3, 3]
    dx = w[:, 0] - x
    entered = np.hypot(dx, w[:, 1] - y - _RADIUS) > _RADIUS + 5.0  # a cushion gives a little
    entered &= (np.abs(dx) < 84.0) & (w[:, 1] < y + 34.0)
    shorter = 0.0
    if entered.any():
        shorter = max(0.0, min(float(w[entered, 2].max()) + 6.0 - cz, -30.0) + 115.0)
    drop = float((y - 34.0 + dx**2 / 900.0 - w[:, 1]).max()) + 3.0
    return shorter, drop if drop > 3.0 else 0.0


def rest_layers(
    shape: Shape, world_from_head: Array, bottom_mm: float, lift_mm: float = 0.0
) -> list[Layer]:
    """Cushion, shell and core of the head rest, and the table under it.

    ``bottom_mm`` is how far below the origin of the head (world, along the table) the rest ends,
    ``lift_mm`` how far the head is raised above the cushion.
    """
    x, y = touch(shape, world_from_head)
    y -= lift_mm
    cz = float(world_from_head[2, 3])
    centre_y = y + _RADIUS
    shorter, drop = _room_for_neck(shape, world_from_head, x, y, bottom_mm)

    def hollow(c: Context) -> Array:
        return np.sqrt((c.world.x - x) ** 2 + (c.world.y - centre_y) ** 2) - _RADIUS

    def ends(c: Context) -> Array:
        w = c.world
        side = np.abs(w.x - x) - 84.0
        return np.maximum(
            np.maximum(side, w.y - y - 34.0),
            np.abs(w.z - cz + 10.0 - 0.5 * shorter) - 105.0 + 0.5 * shorter,
        )

    def cushion(c: Context) -> Array:
        d = hollow(c)
        return np.maximum(np.maximum(-d, d - 9.0), ends(c))

    def shell(c: Context) -> Array:
        d = hollow(c)
        return np.maximum(np.maximum(9.0 - d, d - 27.0), ends(c))

    def core(c: Context) -> Array:
        d = hollow(c)
        return np.maximum(np.maximum(11.0 - d, d - 25.0), ends(c) + 2.0)

    def table(c: Context) -> Array:
        w = c.world
        curve = (w.x - x) ** 2 / 900.0
        value: Array = np.maximum(
            w.y - y + drop + 34.0 - curve, np.maximum(y - drop - 62.0 - w.y, np.abs(w.x - x) - 210)
        )
        return value

    def table_core(c: Context) -> Array:
        w = c.world
        curve = (w.x - x) ** 2 / 900.0
        value: Array = np.maximum(
            w.y - y + drop + 36.2 - curve, np.maximum(y - drop - 59.5 - w.y, np.abs(w.x - x) - 207)
        )
        return value

    return [
        Layer("cushion", cushion, -925.0),
        Layer("rest shell", shell, 40.0),
        Layer("rest core", core, -860.0),
        Layer("table", table, -60.0),
        Layer("table core", table_core, -905.0),
    ]
