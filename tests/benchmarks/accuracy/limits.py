"""What an accuracy run is judged by: components, their limits, and how a row is read.

The limits are the project's own targets. They hold for slices to 1.25 mm; the intervals are
judged on every head.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

Row = dict[str, Any]

Z = 1.96
COVERED = (0.90, 0.99)  # over all heads
COVERED_STRATUM = 0.85
STRATUM_HEADS = 50
WIDTH_OVER_ERROR = 4.0  # median half-width over median error; an honest Gaussian gives 2.9
THIN_SLICES_MM = 1.25
MEASURABLE_SLICES_MM = 2.5
WITHHELD = 0.03
CLEAN_RAISED = 0.05
CLEAN_STOPPED = 0.01
SILENT_SDS = 3.0
TIMES_LIMIT = 3.0
PASS, FAIL, FEW = "pass", "FAIL", "few"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line of the table with what is said of it; empty: shown, not judged."""

    text: str
    verdict: str = ""


def verdict(holds: bool) -> str:
    """Word beside a line."""
    return PASS if holds else FAIL


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One figure of a side, or of the head, that has a truth.

    Parameters
    ----------
    name : str
        As in the table.
    error, sd : str
        Keys of the row or of its side; ``sd`` may be empty.
    figures : tuple of str
        Fields of the record: a finding excuses an error only where it names one of them, or
        the group that they stand in.
    median_mm, limit_mm : float, optional
        Targets of the median and of 95 in 100 heads, slices to 1.25 mm.
    silent_mm : float
        No silent error beyond this and three standard deviations.
    """

    name: str
    error: str
    sd: str
    figures: tuple[str, ...]
    median_mm: float | None = None
    limit_mm: float | None = None
    silent_mm: float = 3.0

    def error_of(self, one: Row) -> float | None:
        """Absolute error, None where the figure or its truth is."""
        found = one.get(self.error)
        return None if found is None else abs(float(found))

    def sd_of(self, one: Row) -> float | None:
        """Its measurement standard deviation."""
        found = one.get(self.sd) if self.sd else None
        return None if found is None else float(found)

    def limit_of(self, one: Row) -> float | None:
        """Limit of the error; an estimated suture has only its own interval."""
        if self.name == "suture" and one["suture_how"] != "measured":
            return None
        return self.limit_mm

    def named_by(self, finding: Row) -> bool:
        """Whether a finding names this figure or the group it stands in."""
        groups = {name.rsplit(".", 1)[0] for name in self.figures}
        return any(f in self.figures or f in groups for f in finding["figures"])


ENTRY = Component(name="entry", error="entry_mm", sd="", figures=("scalp_entry_mm",),
                  median_mm=1.5, limit_mm=3.0)
SIX = (
    Component(name="entry along", error="along_mm", sd="along_sd_mm",
              figures=("scalp_entry_mm", "scalp_entry_sd_along_mm")),
    Component(name="entry across", error="across_mm", sd="across_sd_mm",
              figures=("scalp_entry_mm", "scalp_entry_sd_across_mm")),
    Component(name="scalp", error="scalp_mm", sd="scalp_sd_mm", figures=("thickness.scalp_mm",),
              median_mm=0.4, limit_mm=1.0, silent_mm=1.0),
    Component(name="skull", error="skull_mm", sd="skull_sd_mm", figures=("thickness.skull_mm",),
              median_mm=0.25, limit_mm=0.6, silent_mm=1.0),
    Component(name="midline", error="midline_mm", sd="midline_sd_mm",
              figures=("clearance.midline_scalp_mm",)),
    Component(name="suture", error="suture_nearest_mm", sd="suture_sd_mm",
              figures=("clearance.suture_nearest_mm",), median_mm=1.5, limit_mm=3.0),
)
SCALP, SKULL, SUTURE = SIX[2], SIX[3], SIX[5]
PLANE = Component(name="plane", error="plane_mm", sd="plane_sd_mm",
                  figures=("midsagittal_plane",), limit_mm=0.5)
PLANE_DEG = Component(name="plane, degrees", error="plane_deg", sd="plane_sd_deg",
                      figures=("midsagittal_plane",), limit_mm=0.5)
PLANE_WORST = 1.5
LANDMARKS = tuple(
    Component(name=name.replace("_", " "), error=f"{name}_mm", sd=f"{name}_sd_mm",
              figures=(f"landmarks.{name}",))
    for name in ("nasion_skin", "nasion_bone", "bregma", "inion_bone")
)
OF_SIDE = (ENTRY, *SIX)
OF_HEAD = (PLANE, PLANE_DEG, *LANDMARKS)


def planned(rows: Iterable[Row]) -> list[Row]:
    """Rows that were answered."""
    return [r for r in rows if "refused" not in r]


def sides_of(rows: Iterable[Row]) -> list[Row]:
    """Sides of the heads that were answered."""
    return [s for r in planned(rows) for s in r["sides"].values()]


def thin(rows: Iterable[Row]) -> list[Row]:
    """Heads whose slices the limits of the errors are for."""
    return [r for r in rows if r["slice_mm"] <= THIN_SLICES_MM + 1e-6]


def raised(findings: Iterable[Row]) -> list[Row]:
    """Findings at caution or stop."""
    return [f for f in findings if f["level"] in ("caution", "stop")]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of one head as it was given."""

    row: Row
    where: str  # "head", "right" or "left"
    component: Component
    error_mm: float
    sd_mm: float | None
    limit_mm: float | None
    findings: list[Row]  # of the head and of this side, at any level

    @property
    def silent_by_sd(self) -> bool:
        """Whether it is wrong by more than three of its own spreads and by some millimetres."""
        has_sd = bool(self.component.sd) and self.component is not PLANE_DEG
        return (has_sd and self.error_mm > self.component.silent_mm
                and self.error_mm > SILENT_SDS * (self.sd_mm or 0.0))

    @property
    def beyond_limit(self) -> bool:
        """Whether it is wrong by more than three times its limit."""
        return self.limit_mm is not None and self.error_mm > TIMES_LIMIT * self.limit_mm

    @property
    def warned(self) -> bool:
        """Whether anything at caution or stop was said of this head or side."""
        return bool(raised(self.findings))

    @property
    def named(self) -> bool:
        """Whether a caution or stop names this very figure."""
        return any(self.component.named_by(f) for f in raised(self.findings))

    @property
    def score(self) -> float:
        """Error over its limit; an estimated suture by the interval it states, if that is wider."""
        limit = self.limit_mm
        if limit is None and self.component is SUTURE:
            limit = max(3.0, Z * (self.sd_mm or 0.0))
        return 0.0 if limit is None else self.error_mm / limit


def figures_of(row: Row) -> Iterator[Figure]:
    """Every figure of a head that was given and has a truth."""
    if "refused" in row:
        return
    places: list[tuple[str, Row, tuple[Component, ...], list[Row]]] = [
        ("head", row, OF_HEAD, row["said"])
    ]
    places += [(name, s, OF_SIDE, row["said"] + s["said"]) for name, s in row["sides"].items()]
    for where, one, components, findings in places:
        for c in components:
            error = c.error_of(one)
            if error is not None:
                yield Figure(row=row, where=where, component=c, error_mm=error, sd_mm=c.sd_of(one),
                             limit_mm=c.limit_of(one), findings=findings)


def covered(c: Component, ones: Iterable[Row]) -> list[bool]:
    """Whether each 95 % interval holds the truth; a figure without a spread holds nothing."""
    pairs = [(c.error_of(s), c.sd_of(s)) for s in ones]
    return [e <= Z * (0.0 if sd is None else sd) for e, sd in pairs if e is not None]


def percent(part: float, of: float) -> float:
    """Percentage; of nothing: not a number."""
    return 100.0 * part / of if of else math.nan
