"""Findings about landmarks and points: found badly, moved, or given against what was found."""

from __future__ import annotations

from entrypoint.errors import FieldRefused
from entrypoint.planning.finding_kinds import make
from entrypoint.planning.model import Finding, Level
from entrypoint.reference import value

__all__ = [
    "given_against_detected",
    "landmark_doubtful",
    "landmark_moved",
    "nasion_shallow",
    "skin_point_moved",
]


def landmark_doubtful(name: str, sd_mm: float, why: str) -> Finding:
    """Landmark that was found with a large error."""
    return make(
        "landmark-doubtful",
        Level.CAUTION,
        f"the {name} is doubtful ({why}); its error is {sd_mm:.1f} mm (one standard deviation)",
        value=sd_mm,
        figures=(f"landmarks.{name.replace(' ', '_')}", "scalp_entry_mm"),
    )


def nasion_shallow(hollow_mm: float, sd_mm: float) -> tuple[Finding, ...]:
    """Nasal root whose deepest point is poorly defined."""
    limit = value("nasion_hollow_limit")
    if hollow_mm >= limit:
        return ()
    return (
        make(
            "nasion-shallow",
            Level.CAUTION,
            f"the nasal root is only {hollow_mm:.1f} mm deep: the nasion's error is {sd_mm:.1f} mm "
            "(one standard deviation), and the midline tape's with it",
            value=hollow_mm,
            limit=limit,
            figures=("landmarks.nasion_skin", "scalp_entry_mm"),
        ),
    )


def landmark_moved(name: str, moved_mm: float) -> tuple[Finding, ...]:
    """Given landmark against its surface: nothing, note or caution.

    Raises
    ------
    FieldRefused
        It lies more than 10 mm away.
    """
    refused = value("landmark_refused")
    if moved_mm > refused:
        raise FieldRefused(
            found=f"the landmark {name} lies {moved_mm:.1f} mm from the surface",
            expected=f"a point at most {refused:.0f} mm from it",
            next_step="check its coordinates, unit and coordinate space (RAS or LPS)",
        )
    text = f"the given {name} was moved {moved_mm:.1f} mm to the surface"
    return _moved(text, moved_mm, f"landmarks.{name}")


def skin_point_moved(moved_mm: float) -> tuple[Finding, ...]:
    """Given point of a path that did not lie on the skin: nothing, a note or a caution."""
    text = f"the given point was moved {moved_mm:.1f} mm, the shortest way, to the skin"
    return _moved(text, moved_mm, "scalp_entry_mm")


def _moved(text: str, moved_mm: float, figure: str) -> tuple[Finding, ...]:
    note, caution = value("landmark_note"), value("landmark_caution")
    if moved_mm <= note:
        return ()
    level = Level.CAUTION if moved_mm > caution else Level.NOTE
    return (
        make(
            "landmark-moved",
            level,
            text,
            value=moved_mm,
            limit=caution if level is Level.CAUTION else note,
            figures=(figure,),
        ),
    )


def given_against_detected(name: str, apart_mm: float) -> tuple[Finding, ...]:
    """Given landmark against the detected one, along the surface: caution 5 mm, stop 10 mm."""
    caution, stop = value("given_detected_caution"), value("given_detected_stop")
    if apart_mm <= caution:
        return ()
    level = Level.STOP if apart_mm > stop else Level.CAUTION
    return (
        make(
            "landmark-doubtful",
            level,
            f"the given {name} lies {apart_mm:.1f} mm along the surface from the one that was "
            "found; the given one was used",
            value=apart_mm,
            limit=stop if level is Level.STOP else caution,
            figures=(f"landmarks.{name}", "scalp_entry_mm"),
        ),
    )
