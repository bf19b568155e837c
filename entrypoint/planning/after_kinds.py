"""The catalogue's findings about a scan after placement."""

from __future__ import annotations

from entrypoint.planning.finding_kind import FindingKind
from entrypoint.planning.model import Level

__all__ = ["AFTER_KINDS"]

NOTE, CAUTION, STOP = Level.NOTE, Level.CAUTION, Level.STOP

# fmt: off
AFTER_KINDS = (
    FindingKind(
        code="after-side", title="Bolt on another side than planned", levels=(STOP,),
        means="The bolt lies on the other side of this head's midsagittal plane than the side that "
        "was named as planned, or too near to the plane for its side to be told.",
        do="Compare with the plan, with the side that was marked, and with the file's orientation; "
        "a file that was mirrored before it came here cannot be told from one that was not."),
    FindingKind(
        code="after-tip-outside", title="Tip not inside the skull", levels=(CAUTION, STOP),
        means="The tip, as it is seen, lies at or outside the inner table, or its error reaches "
        "that far.",
        do="Look at the tip and the inner table on the scan; local protocol decides what follows."),
    FindingKind(
        code="after-tip-depth", title="Tip deeper or shallower than planned", levels=(CAUTION,),
        means="The depth of the tip below the inner table differs from the planned one.",
        do="Compare both depths and their errors.", rows=("after_depth_limit",)),
    FindingKind(
        code="after-away-from-plan", title="Path away from the planned one", levels=(CAUTION,),
        means="Where the path meets the skull, or its direction, differs from the plan.",
        do="Look at the clearances as achieved; a path away from its plan may keep every margin.",
        rows=("after_place_limit", "after_turn_limit")),
    FindingKind(
        code="after-tilt", title="Bolt not square to the skull", levels=(CAUTION,),
        means="The bolt's axis leans from square to the outer table.",
        do="Look at the clearances at the tip.", rows=("tilt_limit",)),
    FindingKind(
        code="after-suture", title="Path nearer to the coronal suture than the margin",
        levels=(CAUTION,),
        means="Where the path meets the outer table it lies behind the coronal suture or nearer to "
        "it than the margin of the rule.",
        do="Look at the suture on the scan.", rows=("rule_suture_margin",)),
    FindingKind(
        code="after-bent", title="Sensor off the bolt's axis", levels=(CAUTION,),
        means="The tip does not lie on the line that the bolt gives.",
        do="Look at the sensor's course; streaks can draw it aside.", rows=("after_bent_limit",)),
    FindingKind(
        code="after-sensor-unseen", title="Sensor not seen, or seen in part",
        levels=(NOTE, CAUTION),
        means="Below the bolt no thread stands out of tissue and streaks, or only parts of one do. "
        "A sensor may be thinner than a voxel, and metal hides what lies beside it.",
        do="Look at the scan with its full range and thin slices; where the tip is not seen, its "
        "depth cannot be judged."),
    FindingKind(
        code="after-hidden", title="Metal hides the bone at the bolt", levels=(NOTE, CAUTION),
        means="Bone under and beside the bolt cannot be read on this scan. Its thickness is taken "
        "from the scan before placement, or is not known.",
        do="Give the scan that the plan was made on with --before."),
    FindingKind(
        code="after-by-landmarks", title="Compared by landmarks", levels=(NOTE,),
        means="Plan and scan were brought together by the midsagittal plane and landmarks found on "
        "both. That is less exact than by the skull, and would not notice every exchange of "
        "heads.",
        do="Give the scan that the plan was made on with --before."),
    FindingKind(
        code="after-not-compared", title="Not compared with the plan in space", levels=(CAUTION,),
        means="The plan holds no landmarks that can be found on the scan.",
        do="Compare the tape distances alone, or give the scan that the plan was made on."),
    FindingKind(
        code="after-look", title="Something to look at along the path", levels=(NOTE, CAUTION),
        means="Along the path the scan reads like air, or denser than brain beside the same place "
        "on the other side. What it is cannot be told from readings; streaks of metal "
        "can look alike.",
        do="Have the scan read by someone who reads scans.",
        rows=("corridor_air_hu", "corridor_denser", "corridor_denser_sides")),
    FindingKind(
        code="after-other-bolt", title="More than one bolt", levels=(CAUTION,),
        means="More than one piece of metal stands through the skull as a bolt does. The figures "
        "are of the one nearest to the planned point on the planned side, or nearest to it at all.",
        do="Check which bolt is meant."),
    FindingKind(
        code="after-other-metal", title="Other metal in view", levels=(NOTE,),
        means="Metal that is no bolt: it lies flat, away from the vault, or does not reach bone.",
        do="Nothing was measured on it."),
)
# fmt: on
