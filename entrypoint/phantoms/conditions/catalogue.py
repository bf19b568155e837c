"""Everything that can be planted, by name: each entry changes a head's parameters."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from entrypoint.errors import FieldRefused
from entrypoint.phantoms.conditions.base import Condition
from entrypoint.phantoms.conditions.bone import (
    DepressedFracture,
    Flattened,
    Hyperostosis,
    LinearFracture,
    MissingBone,
)
from entrypoint.phantoms.conditions.hand import Hand
from entrypoint.phantoms.conditions.inside import Collection, InnerAir
from entrypoint.phantoms.conditions.metal import Bolt, Plate
from entrypoint.phantoms.conditions.picture import Motion, Streaks
from entrypoint.phantoms.conditions.placed import Clips, DentalMetal, PlacedBolt
from entrypoint.phantoms.conditions.scalp import Bandage, Electrodes, Haematoma, Hair
from entrypoint.phantoms.conditions.support import Blocks, Pillow
from entrypoint.phantoms.conditions.surgery import BoneFlap, Drain
from entrypoint.phantoms.conditions.tubes import BreathingTube, Hose, Lead, NasalTube
from entrypoint.phantoms.spec import HeadSpec

__all__ = ["CONDITIONS", "PLACED", "contradict", "plant", "planted_sides"]

Change = Callable[[HeadSpec, np.random.Generator], HeadSpec]


def _side(rng: np.random.Generator) -> str:
    return "right" if rng.random() < 0.5 else "left"


def _add(spec: HeadSpec, condition: Condition) -> HeadSpec:
    """Plant one more; a bolt and bone that cannot hold it never share a side."""
    bolts = (Bolt, PlacedBolt)
    if isinstance(condition, bolts) or condition.opens_bone:
        others = [
            c
            for c in spec.conditions
            if (c.opens_bone if isinstance(condition, bolts) else isinstance(c, bolts))
        ]
        taken = {str(getattr(c, "side", "")) for c in others}
        if taken >= {"right", "left"}:
            raise FieldRefused(
                found="a bolt and bone that cannot hold it are asked for on both sides",
                expected="at least one side without",
                next_step="plant fewer conditions",
            )
        if getattr(condition, "side", None) in taken:
            other = "left" if "right" in taken else "right"
            turned: dict[str, Any] = {"side": other}
            condition = replace(condition, **turned)
    return replace(spec, conditions=(*spec.conditions, condition))


def _plate_with_streaks(spec: HeadSpec, side: str, hu: float) -> HeadSpec:
    plate = Plate(side=side)
    at = (side, plate.ahead_mm, plate.lateral_mm)
    return _add(_add(spec, plate), Streaks(hu=hu, half_height_mm=4.0, metal_at=at))


def _touching(rng: np.random.Generator) -> float:
    """Gap between a hand and the head: none in half of them."""
    return 0.0 if rng.random() < 0.5 else float(rng.uniform(0.5, 6.0))


def _placed(rng: np.random.Generator, side: str, **more: Any) -> PlacedBolt:
    """A bolt and sensor as hands place them: of some make, somewhere near the site, off square."""
    return PlacedBolt(
        side=side,
        ahead_mm=float(rng.normal(2.0, 5.0)),
        lateral_mm=float(np.clip(rng.normal(29.0, 3.5), 18.0, 42.0)),
        tilt_deg=float(min(abs(rng.normal(0.0, 6.0)), 14.0)),
        turn_deg=float(rng.uniform(0.0, 360.0)),
        depth_mm=float(rng.uniform(6.0, 26.0)),
        radius_mm=float(rng.uniform(2.0, 3.1)),
        above_mm=float(rng.uniform(18.0, 34.0)),
        below_mm=float(rng.uniform(3.5, 8.0)),
        cap_radius_mm=float(rng.uniform(3.2, 6.0)),
        cap_mm=float(rng.uniform(4.0, 12.0)),
        metal_hu=float(rng.uniform(6000.0, 16000.0)),
        sensor_radius_mm=float(rng.uniform(0.45, 0.7)),
        sensor_hu=float(rng.uniform(1800.0, 5000.0)),
        streak_hu=float(rng.uniform(60.0, 260.0)),
        **more,
    )


def _after_placement(s: HeadSpec, rng: np.random.Generator) -> HeadSpec:
    """A bolt, swelling over it, air under the bone, and clips beside it."""
    side = _side(rng)
    placed = _placed(rng, side, track_air_mm=2.0)
    swelling = Haematoma(side=side, height_mm=float(rng.uniform(3.0, 8.0)))
    air = InnerAir(side=side, thick_mm=float(rng.uniform(3.0, 6.0)))
    for condition in (swelling, air, Clips(side=side), placed):
        s = _add(s, condition)
    return s


def _child(s: HeadSpec, rng: np.random.Generator) -> HeadSpec:
    k = float(rng.uniform(0.82, 0.90))
    return replace(
        s,
        child=True,
        length_mm=196.0 * k,
        breadth_mm=156.0 * k,
        scalp_mm=4.2,
        skull_mm=3.4,
        outer_table_mm=1.0,
        inner_table_mm=0.8,
        cortical_hu=900.0,
        diploe_hu=420.0,
        nasion_bregma_arc_mm=122.0 * k,
        suture_width_mm=2.2,
        suture_hu=45.0,
        brow_mm=0.3,
        frontal_sinus=0.0,
        inion_mm=0.8,
        interpupillary_mm=63.0 * k,
    )


CONDITIONS: dict[str, Change] = {
    "closed-suture": lambda s, r: replace(
        s, suture_open=False, suture_seam=float(r.choice([0.0, 0.4, 0.7, 1.0]))
    ),
    "wide-suture": lambda s, r: replace(s, suture_width_mm=float(r.uniform(2.0, 3.0))),
    "metopic-suture": lambda s, r: replace(s, metopic=True),
    "no-diploe": lambda s, r: replace(s, diploe_hu=0.93 * s.cortical_hu, diploe_texture_hu=25.0),
    "porous": lambda s, r: replace(s, cortical_hu=float(r.uniform(640.0, 760.0)), diploe_hu=260.0),
    "thin": lambda s, r: replace(s, skull_mm=float(r.uniform(4.0, 4.8))),
    "thick": lambda s, r: replace(s, skull_mm=float(r.uniform(10.0, 12.5))),
    "large-frontal-sinus": lambda s, r: replace(s, frontal_sinus=1.7),
    "no-frontal-sinus": lambda s, r: replace(s, frontal_sinus=0.0),
    "no-head-rest": lambda s, r: replace(s, head_rest=False),
    "midline-shift": lambda s, r: replace(s, midline_shift_mm=float(r.choice([-1, 1])) * 9.0),
    "child": _child,
    "haematoma": lambda s, r: _add(
        s,
        Haematoma(
            side=_side(r),
            height_mm=float(r.uniform(5.0, 20.0)),
            sigma_mm=float(r.uniform(14.0, 22.0)),
        ),
    ),
    "hyperostosis": lambda s, r: _add(s, Hyperostosis(height_mm=float(r.uniform(4.0, 8.0)))),
    "flattened": lambda s, r: _add(s, Flattened(side=_side(r), depth_mm=float(r.uniform(5, 11)))),
    "burr-hole": lambda s, r: _add(s, MissingBone(side=_side(r), radius_mm=7.0)),
    "craniectomy": lambda s, r: _add(
        s, MissingBone(side=_side(r), radius_mm=38.0, ahead_mm=-30.0, lateral_mm=58.0)
    ),
    "linear-fracture": lambda s, r: _add(
        s,
        LinearFracture(
            side=_side(r), turn_deg=float(r.uniform(-60, 60)), offset_mm=float(r.uniform(-5, 5))
        ),
    ),
    "depressed-fracture": lambda s, r: _add(s, DepressedFracture(side=_side(r))),
    "plate": lambda s, r: _add(s, Plate(side=_side(r))),
    "bolt": lambda s, r: _add(s, Bolt(side=_side(r))),
    "bone-flap": lambda s, r: _add(
        s,
        BoneFlap(
            side=_side(r),
            radius_mm=float(r.uniform(27.0, 42.0)),
            cut_mm=float(r.uniform(1.2, 2.6)),
        ),
    ),
    "drain": lambda s, r: _add(s, Drain(side=_side(r))),
    "air": lambda s, r: _add(s, InnerAir(side=_side(r), thick_mm=float(r.uniform(5.0, 12.0)))),
    "subdural": lambda s, r: _add(
        s,
        Collection(
            side=_side(r), thick_mm=float(r.uniform(5.0, 13.0)), hu=float(r.choice([18.0, 64.0]))
        ),
    ),
    "bandage": lambda s, r: _add(s, Bandage()),
    "electrodes": lambda s, r: _add(s, Electrodes()),
    "hair": lambda s, r: _add(s, Hair(thick_mm=float(r.uniform(5.0, 14.0)))),
    "hand-beside": lambda s, r: _add(s, Hand(side=_side(r), gap_mm=_touching(r))),
    "hand-above": lambda s, r: _add(s, Hand(side=_side(r), above=True, gap_mm=_touching(r))),
    "pillow": lambda s, r: _add(
        s, Pillow(thick_mm=float(r.uniform(8.0, 18.0)), height_mm=float(r.uniform(48.0, 84.0)))
    ),
    "blocks": lambda s, r: _add(s, Blocks(press_mm=float(r.uniform(2.0, 8.0)))),
    "breathing-tube": lambda s, r: _add(s, BreathingTube(side=_side(r))),
    "nasal-tube": lambda s, r: _add(s, NasalTube(side=_side(r))),
    "hose": lambda s, r: _add(s, Hose(side=_side(r))),
    "lead": lambda s, r: _add(s, Lead(side=_side(r))),
    "streaks": lambda s, r: _add(s, Streaks(hu=float(r.uniform(120.0, 380.0)))),
    "metal-streaks": lambda s, r: _plate_with_streaks(s, _side(r), float(r.uniform(120.0, 300.0))),
    "motion": lambda s, r: _add(s, Motion()),
}

# Of scans taken after placement; not among the conditions that random heads are given.
PLACED: dict[str, Change] = {
    "placed-bolt": lambda s, r: _add(s, _placed(r, _side(r))),
    "placed-bolt-faint": lambda s, r: _add(s, _placed(r, _side(r), faint_mm=30.0, faint_hu=90.0)),
    "after-placement": _after_placement,
    "clips": lambda s, r: _add(s, Clips(side=_side(r))),
    "dental-metal": lambda s, r: _add(s, DentalMetal()),
}
_ALL = CONDITIONS | PLACED


# no head has two of a row
_ONE_OF = (
    ("closed-suture", "wide-suture"),
    ("no-diploe", "porous"),
    ("thin", "thick"),
    ("large-frontal-sinus", "no-frontal-sinus"),
    ("bolt", "hand-above"),
    *((placed, "hand-above") for placed in ("placed-bolt", "placed-bolt-faint", "after-placement")),
    ("bolt", "placed-bolt"),
    ("bolt", "placed-bolt-faint"),
    ("bolt", "after-placement"),
    ("placed-bolt", "placed-bolt-faint"),
    ("placed-bolt", "after-placement"),
    ("placed-bolt-faint", "after-placement"),
    ("hand-beside", "blocks"),
    ("plate", "metal-streaks"),
    ("bone-flap", "craniectomy"),
    ("hand-above", "drain"),
    *(
        ("child", other)
        for other in (
            "closed-suture",
            "no-diploe",
            "porous",
            "thin",
            "thick",
            "large-frontal-sinus",
            "no-frontal-sinus",
            "hyperostosis",
        )
    ),
)


def contradict(*names: str) -> tuple[str, str] | None:
    """The first two of some conditions that cannot be in one head, or None."""
    for one, other in _ONE_OF:
        if one in names and other in names:
            return one, other
    return None


def planted_sides(spec: HeadSpec, *names: str, seed: int | None = None) -> dict[str, str]:
    """Patient's side of each condition that has one, as :func:`plant` gives it in a head."""
    out: dict[str, str] = {}
    after = plant(spec, *names, seed=seed)
    planted = list(after.conditions[len(spec.conditions) :])
    for name in names:
        one = plant(spec, name, seed=seed)
        count = len(one.conditions) - len(spec.conditions)
        if count:
            side = getattr(planted[0], "side", None)
            del planted[:count]
            if side is not None:
                out[name] = str(side)
        elif one.midline_shift_mm != spec.midline_shift_mm:
            out[name] = "right" if one.midline_shift_mm > 0 else "left"
    return out


def plant(spec: HeadSpec, *names: str, seed: int | None = None) -> HeadSpec:
    """Plant conditions by name.

    Parameters
    ----------
    spec : HeadSpec
    *names : str
        Keys of :data:`CONDITIONS` or :data:`PLACED`.
    seed : int, optional
        Of sides and sizes; the head's own by default.

    Raises
    ------
    KeyError
        For a name that is not in the catalogue.
    FieldRefused
        For conditions that contradict each other.
    """
    both = contradict(*names)
    if both is not None:
        raise FieldRefused(
            found=f"{both[0]!r} and {both[1]!r} cannot be planted in one head",
            expected="conditions that can be there together",
            next_step="leave one of them out",
        )
    for name in names:
        rng = np.random.default_rng(
            [spec.seed if seed is None else seed, 71, len(name), ord(name[0])]
        )
        spec = _ALL[name](spec, rng)
    if not names:
        return spec
    return replace(spec, name="-".join([spec.name, *names]))
