"""A path of one's own on a CT: measured and judged as the plan's own path is."""

from __future__ import annotations

from entrypoint.planning.ct_parts import CtParts
from entrypoint.planning.given_path_model import CheckedPath, GivenPath, Within

__all__ = ["check_path"]


def check_path(
    parts: CtParts,
    given: GivenPath,
    *,
    child: bool = False,
    within: Within | None = None,
) -> CheckedPath:
    """Measure and judge one path.

    Parameters
    ----------
    parts : CtParts
        What was found on the scan; its rule gives margins, and the sensor's depth where no tip
        is given.
    given : GivenPath
        World RAS mm.
    child : bool
        Geometry alone, as where a plan's findings suspect a child.
    within : Within, optional
        Also look for the worst figures within this reach; without it there are none.

    Returns
    -------
    CheckedPath
        Its ``path`` has the form of one side of a plan.

    Raises
    ------
    FieldRefused
        The point is not on this head, its side contradicts the plane, the points fit the other
        space, the direction points outwards or meets no bone, or the tip lies outside the skull.
    MeasurementError
        The skin, the tapes or the bone there are not in view.
    """
    raise NotImplementedError
