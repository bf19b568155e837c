"""Findings about the whole head, the file or the landmarks: facts in, findings out."""

from __future__ import annotations

from entrypoint.planning.finding_kinds import make
from entrypoint.planning.model import Finding, Level, Side
from entrypoint.planning.thick_slices import are_thick, thicker_than
from entrypoint.reference import value

__all__ = [
    "asymmetry",
    "bone_missing",
    "child",
    "coarse_slices",
    "field_of_view",
    "frontal_sinus",
    "landmark_model",
    "low_contrast",
    "measure_unusual",
    "metal",
    "noise",
    "plane_uncertain",
    "population_only",
    "practice_head",
    "side_not_measured",
    "side_unknown",
    "sides_as_stated",
    "stored_values",
    "too_blurred",
    "unit_assumed",
    "world_matrices_differ",
]


def sides_as_stated(where: str = "the file") -> Finding:
    """Note of every plan."""
    return make(
        "sides-as-stated",
        Level.NOTE,
        f"right and left are the patient's, as stated by {where}; that they were swapped "
        "before cannot be seen",
        unit="",
    )


def practice_head() -> Finding:
    """Note of every plan from a phantom, a sample or a rehearsal head."""
    return make("practice-head", Level.NOTE, "PRACTICE HEAD, NOT A PATIENT", unit="")


def side_unknown(why: str) -> Finding:
    """Side that the input does not tell."""
    return make("side-unknown", Level.STOP, f"the side cannot be told: {why}", unit="")


def side_not_measured(why: str, side: Side) -> Finding:
    """Nothing could be measured on this side."""
    return make(
        "side-not-measured",
        Level.STOP,
        f"nothing could be measured on the PATIENT'S {side.value.upper()}: {why}",
        unit="",
        figures=("scalp_entry_mm", "thickness", "clearance", "drill_stop", "sensor"),
    )


def child(
    person: str | None, why: str, *, value_found: float | None, limit: float | None
) -> tuple[Finding, ...]:
    """Child as stated, or suspected from a figure; nothing for a stated adult."""
    if person == "child":
        return (
            make(
                "child-stated",
                Level.NOTE,
                "stated to be a child: the published figures are of adults, only geometry is given",
                unit="",
            ),
        )
    if person == "adult" or not why:
        return ()
    return (
        make(
            "child-suspected",
            Level.STOP,
            f"{why}: this suggests a child; only geometry is given",
            value=value_found,
            limit=limit,
            figures=("drill_stop", "sensor"),
        ),
    )


def world_matrices_differ(distance_mm: float, used: str) -> tuple[Finding, ...]:
    """Two transforms of a file that place a corner apart."""
    limit = value("matrices_limit")
    if distance_mm <= limit:
        return ()
    return (
        make(
            "world-matrices-differ",
            Level.CAUTION,
            f"the two transforms of the file place a corner of the volume {distance_mm:.1f} mm "
            f"apart; {used} was used",
            value=distance_mm,
            limit=limit,
            figures=("input.world_matrix_from",),
        ),
    )


def unit_assumed(unit: str = "mm") -> Finding:
    """Length unit that the input does not state."""
    return make(
        "unit-assumed",
        Level.NOTE,
        f"the input states no unit of length; {unit} give a head of a plausible size",
        unit="",
        figures=("input.unit",),
    )


def coarse_slices(slice_mm: float | None) -> tuple[Finding, ...]:
    """Slice thickness against what figures of the skull need."""
    if slice_mm is None or not thicker_than(slice_mm, "slice_limit"):
        return ()
    thick = are_thick(slice_mm)
    limit = value("slice_thick_limit" if thick else "slice_limit")
    figures: tuple[str, ...] = (
        "thickness.skull_mm", "thickness.scalp_mm", "clearance.suture_mm",
        "clearance.suture_nearest_mm", "coronal_suture",
    )  # fmt: skip
    if thick:  # the midline's own features are then a slice or two high
        figures += (
            "midsagittal_plane", "clearance.midline_scalp_mm", "scalp_entry_mm", "landmarks",
        )  # fmt: skip
    return (
        make(
            "coarse-slices",
            Level.CAUTION if thick else Level.NOTE,
            f"the slices are {slice_mm:.2g} mm thick, over {limit:g} mm: every figure of the "
            f"{'midline, the entry and the skull' if thick else 'skull'} has a wider error",
            value=slice_mm,
            limit=limit,
            figures=figures,
        ),
    )


def too_blurred(blur_mm: float) -> Finding:
    """Blur along a path that hides the surfaces of the bone."""
    limit = value("blur_limit")
    return make(
        "coarse-slices",
        Level.CAUTION,
        f"along the path the scan is blurred over {blur_mm:.1f} mm, more than {limit:.1f}: scalp "
        "and skull thickness, drill stop and depths from bone are not given",
        value=blur_mm,
        limit=limit,
        figures=("thickness.scalp_mm", "thickness.skull_mm", "drill_stop", "sensor"),
    )


def field_of_view(
    missing: str, *, level: Level = Level.CAUTION, figures: tuple[str, ...] = ()
) -> Finding:
    """Part of the head that the input does not show."""
    return make("field-of-view", level, f"{missing} not in view", unit="", figures=figures)


def plane_uncertain(sd_mm: float, sd_deg: float, *, why: str = "") -> tuple[Finding, ...]:
    """Midsagittal plane known less well than usual."""
    if sd_mm <= value("plane_sd_caution") and sd_deg <= value("plane_sd_deg_caution"):
        return ()
    return (
        make(
            "plane-uncertain",
            Level.CAUTION,
            f"the midsagittal plane is known to {sd_mm:.1f} mm and {sd_deg:.1f} degrees (one "
            f"standard deviation){': ' + why if why else ''}",
            value=sd_mm,
            limit=value("plane_sd_caution"),
            figures=("midsagittal_plane", "clearance.midline_scalp_mm", "scalp_entry_mm"),
        ),
    )


def bone_missing(what: str, distance_mm: float, side: Side) -> Finding:
    """No sound bone within 8 mm of the path."""
    return make(
        "bone-missing",
        Level.STOP,
        f"{what} {distance_mm:.0f} mm from the path on the PATIENT'S {side.value.upper()}: skull "
        "thickness, drill stop and depths from bone are not given",
        value=distance_mm,
        limit=value("bone_missing_radius"),
        figures=(
            "thickness.scalp_mm",
            "thickness.skull_mm",
            "drill_stop",
            "sensor.from_outer_table_mm",
        ),
    )


def metal(where: str, *, on_path: bool, distance_mm: float | None = None) -> Finding:
    """Metal in the image; on the path ``bone_missing`` is raised as well."""
    return make(
        "metal",
        Level.CAUTION if on_path else Level.NOTE,
        f"metal {where}: what lies near it cannot be judged",
        value=distance_mm,
        limit=value("bone_missing_radius") if on_path else None,
    )


def noise(noise_hu: float | None) -> tuple[Finding, ...]:
    """Noise of the image."""
    limit = value("noise_limit")
    if noise_hu is None or noise_hu <= limit:
        return ()
    return (
        make(
            "noise",
            Level.CAUTION if noise_hu > 2.0 * limit else Level.NOTE,
            f"the noise is {noise_hu:.0f} HU, over {limit:.0f}: errors are wider",
            value=noise_hu,
            limit=limit,
            unit="HU",
        ),
    )


def low_contrast(contrast_hu: float | None, *, clipped: bool = False) -> tuple[Finding, ...]:
    """Bone along the path hardly denser than soft tissue, or cut off by the stored range."""
    limit = value("contrast_limit")
    if contrast_hu is None or (contrast_hu >= limit and not clipped):
        return ()
    why = "its range is cut off in the file" if clipped else f"under {limit:.0f} HU"
    return (
        make(
            "low-contrast",
            Level.NOTE,
            f"the bone along the path stands out by {contrast_hu:.0f} HU ({why}): its edges are "
            "less certain",
            value=contrast_hu,
            limit=limit,
            unit="HU",
            figures=("thickness.skull_mm",),
        ),
    )


def frontal_sinus(distance_mm: float) -> Finding:
    """Air between the tables on the path or beside it."""
    return make(
        "frontal-sinus",
        Level.CAUTION,
        f"the frontal sinus lies {distance_mm:.0f} mm from the path",
        value=distance_mm,
        figures=("thickness.skull_mm", "drill_stop"),
    )


def asymmetry(difference_mm: float | None) -> tuple[Finding, ...]:
    """One side of the head against the other."""
    limit = value("asymmetry_limit")
    if difference_mm is None or difference_mm <= limit:
        return ()
    return (
        make(
            "asymmetry",
            Level.NOTE,
            f"the two sides of the head differ by up to {difference_mm:.0f} mm",
            value=difference_mm,
            limit=limit,
            figures=("midsagittal_plane",),
        ),
    )


def population_only(what: str) -> Finding:
    """Figure that comes from other heads."""
    return make(
        "population-only",
        Level.NOTE,
        f"{what} from published figures of other heads, with their spread; skull thickness, drill "
        "stop and depths from bone are not known without a scan",
        unit="",
    )


def measure_unusual(name: str, found_mm: float, low_mm: float, high_mm: float) -> Finding:
    """Measure outside the range of published series of adults."""
    return make(
        "measure-unusual",
        Level.NOTE,
        f"the {name} of {found_mm:.0f} mm lies outside the {low_mm:.0f} to {high_mm:.0f} mm seen "
        "in published series of adults",
        value=found_mm,
        limit=low_mm if found_mm < low_mm else high_mm,
    )


def landmark_model(sd_along_mm: float, sd_across_mm: float, missing: str = "") -> Finding:
    """Scalp that is a model through the landmarks."""
    return make(
        "landmark-model",
        Level.CAUTION if missing else Level.NOTE,
        "the scalp is a smooth model through the landmarks; its own error at the entry is "
        f"{sd_along_mm:.1f} mm along the midline and {sd_across_mm:.1f} mm across (one standard "
        f"deviation){'; ' + missing if missing else ''}",
        value=sd_along_mm,
        figures=("scalp_entry_mm",),
    )


def stored_values(
    what: str, *, level: Level = Level.NOTE, figures: tuple[str, ...] = ()
) -> Finding:
    """How the file stores its values, and what was done to read them."""
    return make("stored-values", level, what, unit="", figures=figures)
