"""Strata of a run, and the coverage of the 95 % intervals in each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from tests.benchmarks.accuracy.limits import (
    COVERED_STRATUM,
    FAIL,
    FEW,
    PASS,
    SIX,
    STRATUM_HEADS,
    Line,
    Row,
    covered,
    planned,
    sides_of,
)

Key = Callable[[Row], list[str]]

# What a planted condition touches: single conditions are rarer than a stratum needs.
KINDS: dict[str, tuple[str, ...]] = {
    "bone": ("burr-hole", "craniectomy", "linear-fracture", "depressed-fracture",
             "hyperostosis", "no-diploe", "porous", "thin", "thick", "flattened", "child"),
    "suture": ("closed-suture", "wide-suture", "metopic-suture"),
    "frontal sinus": ("large-frontal-sinus", "no-frontal-sinus"),
    "scalp": ("haematoma", "bandage", "electrodes", "hair"),
    "metal": ("plate", "bolt"),
    "inside": ("air", "subdural", "midline-shift"),
    "picture": ("streaks", "motion"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stratum:
    """A way to part the heads; a head may be in several groups of one stratum, or in none."""

    name: str
    key: Key


def band(value: float, edges: Sequence[float], unit: str = "") -> str:
    """Name of the band that a value lies in.

    >>> band(7.0, (0, 5, 10)), band(12.0, (0, 5, 10)), band(-3.0, (0, 5, 10))
    ('5-10', '10+', '<0')
    """
    if value < edges[0]:
        return f"<{edges[0]:g}{unit}"
    for lo, hi in pairwise(edges):
        if value < hi:
            return f"{lo:g}-{hi:g}{unit}"
    return f"{edges[-1]:g}+{unit}"


def kinds(row: Row) -> list[str]:
    """What the planted conditions of a head touch."""
    if not row["conditions"]:
        return ["nothing"]
    return sorted({next((k for k, names in KINDS.items() if c in names), "around the head")
                   for c in row["conditions"]})


def grid_kind(row: Row) -> list[str]:
    """How the grid lies."""
    turned = [n for n in ("axes", "oblique_deg", "shear") if n in row]
    return [{"axes": "axes swapped", "oblique_deg": "oblique"}.get(n, "sheared")
            for n in turned] or ["plain"]


def _stored(row: Row) -> list[str]:
    way = row.get("stored_as")
    return [] if way is None else ["axes-..." if way.startswith("axes-") else way]


SLICES = Stratum(name="slice thickness, mm", key=lambda r: [f"{r['slice_mm']:g}"])
POSE = Stratum(name="largest turn of the head, degrees",
               key=lambda r: [band(r["pose_deg"], (0, 5, 10, 15, 20))])
SIZE = Stratum(name="head length, mm",
               key=lambda r: [band(r["length_mm"], (180, 185, 190, 195, 200, 205))])
NOISE = Stratum(name="noise, HU", key=lambda r: [band(r["noise_hu"], (5, 10, 20, 30))])
VOXEL = Stratum(name="voxel in plane, mm",
                key=lambda r: [band(r["voxel_mm"], (0.4, 0.55, 0.7, 0.85, 0.999))])
CONDITION = Stratum(name="planted condition", key=lambda r: r["conditions"] or ["none"])
KIND = Stratum(name="what is planted touches", key=kinds)
GRID = Stratum(name="grid", key=grid_kind)
FIELD = Stratum(name="field of view that loses a part",
                key=lambda r: [r["field"]] if r.get("field") else [])
STORED = Stratum(name="stored as", key=_stored)
STRATA = (SLICES, POSE, SIZE, NOISE, VOXEL, GRID, STORED, FIELD, KIND, CONDITION)


def groups(rows: Sequence[Row], stratum: Stratum) -> dict[str, list[Row]]:
    """Heads by group, in reading order: numbers first, none before names."""
    out: dict[str, list[Row]] = {}
    for row in rows:
        for name in stratum.key(row):
            out.setdefault(name, []).append(row)

    def order(name: str) -> tuple[int, float, str]:
        number = name.rstrip("+").lstrip("<").split("-")[0]
        try:
            return 0, float(number) - (0.5 if name[0] == "<" else 0.0), name
        except ValueError:
            return (1 if name in ("none", "nothing", "plain") else 2), 0.0, name

    return {name: out[name] for name in sorted(out, key=order)}


def coverage(heads: Sequence[Row]) -> list[float | None]:
    """Share of intervals that hold the truth, component by component; None: no figure."""
    sides = sides_of(heads)
    held = [covered(c, sides) for c in SIX]
    return [sum(h) / len(h) if h else None for h in held]


def stratum_verdict(heads: Sequence[Row]) -> str:
    """Judge a stratum of 50 heads or more by its worst component."""
    if len(heads) < STRATUM_HEADS:
        return FEW
    shares = [s for s in coverage(heads) if s is not None]
    return PASS if shares and min(shares) >= COVERED_STRATUM else FAIL


def stratum_lines(rows: Sequence[Row]) -> list[Line]:
    """Coverage of every component in every stratum, in percent; ``!`` is under the target."""
    head = "".join(f"{c.name.removeprefix('entry '):>9}" for c in SIX)
    lines = [Line(text=f"  {'':34}{'heads':>6}{head}")]
    for stratum in STRATA:
        parts = groups(rows, stratum)
        if not parts:
            continue
        lines.append(Line(text=f"  {stratum.name}"))
        for name, heads in parts.items():
            cells = ""
            for share in coverage(heads):
                low = "!" if share is not None and share < COVERED_STRATUM else " "
                cells += f"{'-':>9}" if share is None else f"{100 * share:>8.0f}{low}"
            refused = len(heads) - len(planned(heads))
            more = f"  {refused} refused" if refused else ""
            lines.append(Line(text=f"    {name:32}{len(heads):>6}{cells}{more}",
                              verdict=stratum_verdict(heads)))
    return lines
