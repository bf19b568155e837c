"""Landmarks that were given beside a CT: put on their surface, compared with what is found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from entrypoint.errors import FieldRefused
from entrypoint.geometry.polylines import nearest_on
from entrypoint.planning.ct_head import CtHead
from entrypoint.planning.ct_suture import CtSuture
from entrypoint.planning.landmark_findings import given_against_detected, landmark_moved
from entrypoint.planning.model import Finding, How, LateralBy, Rule, Side
from entrypoint.reference import spread, value
from entrypoint.volume.volume import Volume

FloatArray = NDArray[np.float64]

_RIGHT_NAMES = ("right_preauricular", "right_pupil")
_LEFT_NAMES = ("left_preauricular", "left_pupil")


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """Given points, world RAS mm, and what was found about them."""

    points: dict[str, FloatArray]
    nasion_mm: FloatArray | None = None
    inion_mm: FloatArray | None = None
    bregma_mm: FloatArray | None = None
    moved_mm: dict[str, float] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def against(self, head: CtHead) -> Given:
        """Check sides against the plane, and distances against the surfaces.

        Raises
        ------
        FieldRefused
            Left and right points on the wrong sides of the plane, or a point more than 10 mm
            off its surface.
        """
        if not self.points:
            return self
        self._check_sides(head)
        found: list[Finding] = []
        moved = dict(self.moved_mm)
        for name, line in (
            ("nasion", head.section.skin_points()),
            ("inion", head.section.skin_points()),
            ("bregma", head.section.bone_points()),
        ):
            if name not in self.points:
                continue
            line = line[np.isfinite(line).all(axis=1)]
            _, _, away = nearest_on(line, self.points[name])
            self._check_space(name, away, line)
            found += landmark_moved(name, away)
            moved[name] = away
            found += given_against_detected(name, _apart_mm(head, name, self.points[name]))
        return replace(self, moved_mm=moved, findings=tuple(found))

    def _check_sides(self, head: CtHead) -> None:
        for names, sign, word in ((_RIGHT_NAMES, 1.0, "right"), (_LEFT_NAMES, -1.0, "left")):
            for name in names:
                if name not in self.points:
                    continue
                away = sign * float(
                    (self.points[name] - head.frame.origin_mm) @ head.frame.unit_right
                )
                if away < 0:
                    raise FieldRefused(
                        found=f"the {name.replace('_', ' ')} point lies {-away:.0f} mm on the "
                        f"other side of this head's midline",
                        expected=f"a point on the patient's {word}",
                        next_step="check the names and the coordinate space (RAS or LPS)",
                    )

    def _check_space(self, name: str, away_mm: float, line: FloatArray) -> None:
        if away_mm <= value("landmark_refused"):
            return
        flipped = self.points[name] * np.array([-1.0, -1.0, 1.0])
        _, _, other = nearest_on(line, flipped)
        hint = (
            (
                "the points fit this scan in the other space (RAS against LPS): correct the "
                "stated coordinate space"
            )
            if other < value("landmark_refused")
            else ("check its coordinates, unit and coordinate space (RAS or LPS)")
        )
        raise FieldRefused(
            found=f"the landmark {name} lies {away_mm:.1f} mm from the surface",
            expected=f"a point at most {value('landmark_refused'):.0f} mm from it",
            next_step=hint,
        )

    def with_pupils(self, rule: Rule) -> Rule:
        """The rule with the distance between given pupils, where it asks for it."""
        if rule.lateral_by is not LateralBy.MID_PUPILLARY or not {
            "left_pupil",
            "right_pupil",
        } <= set(self.points):
            return rule
        gap = float(np.linalg.norm(self.points["left_pupil"] - self.points["right_pupil"]))
        return replace(rule, interpupillary_mm=gap)

    def moved_to_bregma(self, suture: CtSuture, head: CtHead) -> CtSuture:
        """Where the suture is only estimated, let it pass through the given bregma."""
        if self.bregma_mm is None:
            return suture
        shift = self.bregma_mm - suture.bregma_mm
        sds = dict(suture.sd_mm)
        curve = suture.curve_mm
        if How.MEASURED not in suture.how.values():
            curve = curve + shift
            sds = {
                s: float(np.hypot(spread("landmark_given"), value("suture_bow_sd"))) for s in sds
            }
        return replace(
            suture,
            bregma_mm=self.bregma_mm,
            curve_mm=curve,
            sd_mm=sds,
            bregma_sd_mm=spread("landmark_given"),
            bregma_how=How.GIVEN,
        )


def _apart_mm(head: CtHead, name: str, given_mm: FloatArray) -> float:
    """How far a given point lies along the skin from the one that was found; 0 where none was."""
    found = None
    if name == "nasion" and head.nasion_hollow is not None:
        found = head.nasion_hollow.position_mm
    elif name == "inion" and head.inion_found_mm is not None:
        found = head.inion_found_mm
    if found is None:
        return 0.0
    line = head.section.skin_points()
    line = line[np.isfinite(line).all(axis=1)]
    return abs(nearest_on(line, given_mm)[0] - nearest_on(line, found)[0])


def given_on_ct(
    volume: Volume, landmarks: Mapping[str, FloatArray], plane: tuple[FloatArray, FloatArray] | None
) -> Given:
    """Take given landmarks as they are; surfaces are compared once the head is found.

    Raises
    ------
    FieldRefused
        A point outside the volume's field of view.
    """
    points = {k: np.asarray(p, dtype=float) for k, p in landmarks.items()}
    for name, p in points.items():
        if not bool(np.all(volume.grid.covers(p[None], margin_mm=-20.0))):
            flipped = p * np.array([-1.0, -1.0, 1.0])
            hint = (
                (
                    "the point would lie in it in the other space: correct the stated coordinate "
                    "space"
                )
                if volume.grid.covers(flipped[None])[0]
                else ("check its coordinates, unit and coordinate space (RAS or LPS)")
            )
            raise FieldRefused(
                found=f"the landmark {name} lies outside the scan's field of view",
                expected="a point on the head that the scan shows",
                next_step=hint,
            )
    return Given(
        points=points,
        nasion_mm=points.get("nasion"),
        inion_mm=points.get("inion"),
        bregma_mm=points.get("bregma"),
    )


def suture_doubts(suture: CtSuture, points_mm: FloatArray) -> tuple[Finding, ...]:
    """The given suture against the one that was found, or where none was, against its estimate.

    Where it was only estimated, three of the estimate's own standard deviations are let pass.
    """
    gaps = np.array([nearest_on(suture.curve_mm, p)[2] for p in points_mm])
    apart = float(np.median(gaps))
    if How.MEASURED not in suture.how.values():
        apart = max(0.0, apart - 3.0 * max(suture.sd_mm.values()))
    return given_against_detected("coronal suture", apart)


def suture_given(suture: CtSuture, head: CtHead, points_mm: FloatArray) -> CtSuture:
    """The given coronal suture in place of the found one, ordered from left to right."""
    away = (points_mm - head.frame.origin_mm) @ head.frame.unit_right
    order = np.argsort(away)
    curve, lateral = points_mm[order], away[order]
    sd = spread("landmark_given")
    at_mid = np.array([np.interp(0.0, lateral, curve[:, k]) for k in range(3)])
    spans = lateral[0] < 0.0 < lateral[-1]
    how = {
        Side.RIGHT: How.GIVEN if lateral[-1] > 20 else suture.how[Side.RIGHT],
        Side.LEFT: How.GIVEN if lateral[0] < -20 else suture.how[Side.LEFT],
    }
    return replace(
        suture,
        curve_mm=curve,
        lateral_mm=lateral,
        seen=np.ones(len(curve), dtype=bool),
        how=how,
        sd_mm=dict.fromkeys(how, sd),
        bregma_mm=at_mid if spans else suture.bregma_mm,
        bregma_how=How.GIVEN if spans else suture.bregma_how,
        bregma_sd_mm=sd if spans else suture.bregma_sd_mm,
    )
