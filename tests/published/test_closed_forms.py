"""Spheres and ellipsoids: closed forms, on the formulas and on triangle meshes, to 0.1 mm.

Authority: on a sphere of radius R an arc s has the chord 2R sin(s/2R); quoted values
R 83: 110 -> 102.12, 25 -> 24.91; R 79: 110 -> 101.33; R 87: 102.82. Arcs of an ellipse are
elliptic integrals of the second kind (scipy.special.ellipeinc).
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.optimize import brentq

from entrypoint.geometry.spheres import chord_of_arc_mm, ellipse_arc_mm
from entrypoint.planning.model import Rule, Side
from entrypoint.planning.surface_head import plan_from_scalp

QUOTED = [(83.0, 110.0, 102.12), (83.0, 25.0, 24.91), (79.0, 110.0, 101.33), (87.0, 110.0, 102.82)]
TOLERANCE_MM = 0.1


@pytest.mark.parametrize(("radius", "arc", "chord"), QUOTED)
def test_chord_of_an_arc(radius, arc, chord):
    assert chord_of_arc_mm(arc, radius) == pytest.approx(chord, abs=0.005)


def on(axes, direction):
    u = np.asarray(direction, dtype=float)
    return u / np.sqrt(np.sum((u / axes) ** 2))


def landmarks(axes):
    return {
        "nasion": on(axes, [0, 1, -0.3]),
        "inion": on(axes, [0, -1, -0.2]),
        "left_preauricular": on(axes, [-1, 0, -0.3]),
        "right_preauricular": on(axes, [1, 0, -0.3]),
        "vertex": on(axes, [0, 0, 1]),
    }


def mesh(axes):
    ball = trimesh.creation.icosphere(subdivisions=5, radius=1.0)
    return ball.vertices * axes, ball.faces


@pytest.mark.parametrize("radius", [79.0, 83.0, 87.0])
@pytest.mark.parametrize(("arc", "lateral"), [(110.0, 30.0), (120.0, 25.0)])
def test_entry_on_a_sphere(radius, arc, lateral):
    axes = np.full(3, radius)
    plan = plan_from_scalp(
        *mesh(axes), landmarks(axes), rule=Rule(midline_arc_mm=arc, lateral_arc_mm=lateral)
    )
    start = np.arctan2(-0.3, 1.0)
    a = start + arc / radius
    middle = np.array([0.0, np.cos(a), np.sin(a)])
    turn = lateral / radius
    for side, sign in ((Side.RIGHT, 1.0), (Side.LEFT, -1.0)):
        across = np.array([sign * np.sin(turn), 0.0, 0.0])
        exact = radius * (middle * np.cos(turn) + across)
        found = plan.sides[side]
        np.testing.assert_allclose(found.scalp_entry_mm, exact, atol=TOLERANCE_MM)
        chord = chord_of_arc_mm(arc, radius)
        assert found.tapes.midline_chord_mm == pytest.approx(chord, abs=TOLERANCE_MM)
        assert found.clearance.midline_scalp_mm == pytest.approx(
            radius * np.sin(turn), abs=TOLERANCE_MM
        )


def test_entry_on_an_ellipsoid():
    """Semi-axes 78, 98, 93: midline along one ellipse, then down the plane section there.

    A plane section of an ellipsoid is an ellipse; here it is traced finely by bisection on the
    exact surface, which is enough for 0.01 mm.
    """
    axes = np.array([78.0, 98.0, 93.0])
    plan = plan_from_scalp(*mesh(axes), landmarks(axes))
    y, z = landmarks(axes)["nasion"][1:]
    t0 = float(np.arctan2(z / 93.0, y / 98.0))
    t = brentq(lambda x: ellipse_arc_mm(98.0, 93.0, t0, x) - 110.0, t0, t0 + 3.0)
    middle = np.array([0.0, 98.0 * np.cos(t), 93.0 * np.sin(t)])
    outward = middle / axes**2
    outward /= np.linalg.norm(outward)
    # chord over 10 mm of tape is the tangent to better than 1e-4 here
    depth = np.linspace(0.0, 12.0, 4001)
    below = middle - depth[:, None] * outward
    x = 78.0 * np.sqrt(np.maximum(1.0 - np.sum((below / axes)[:, 1:] ** 2, axis=1), 0.0))
    section = below + x[:, None] * [1.0, 0.0, 0.0]
    arcs = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(section, axis=0), axis=1))])
    exact = np.array([np.interp(30.0, arcs, section[:, k]) for k in range(3)])
    np.testing.assert_allclose(plan.sides[Side.RIGHT].scalp_entry_mm, exact, atol=TOLERANCE_MM)
