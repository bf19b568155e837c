"""The ladder of practice heads: from a plain adult to what makes the rule fail.

Each step is a recipe of :mod:`entrypoint.phantoms`. Their volumes are shipped as they were made
(``volumes/``), because a head takes ten seconds to make; ``python -m entrypoint.rehearsal.ladder``
makes them again, byte for byte.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from entrypoint.phantoms import HeadSpec, Scanner, build, named_spec, nifti_bytes, random_spec
from entrypoint.phantoms.conditions.bone import Flattened
from entrypoint.phantoms.conditions.scalp import Haematoma
from entrypoint.phantoms.conditions.support import Pillow

__all__ = ["LADDER", "SHIPPED", "LadderStep", "head_bytes", "ladder_spec", "spec_of_seed"]

SHIPPED = Path(__file__).parent / "volumes"
# Coarse on purpose: small files, read and planned in a second, and the entry still within a
# millimetre of the recipe's exact answer (0.6 mm at the worst that was looked at).
_VOXEL_MM, _NOISE_HU, _STEP_HU = 1.4, 8.0, 16.0
_BELOW_MM = 88.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderStep:
    """One head of the ladder.

    Parameters
    ----------
    key, title : str
        As in ``ladder:KEY``; as a heading.
    text : str
        One plain sentence: what is to be met on this head.
    suture_felt : bool
        Whether the coronal suture may be shown as something that a finger would find.
    draped : bool
        Whether a cloth covers the half of the head that is not asked for.
    """

    key: str
    title: str
    text: str
    suture_felt: bool = True
    draped: bool = False


LADDER = (
    LadderStep(
        key="adult",
        title="An adult's head",
        text="A head of usual size with bone of usual thickness, lying nearly straight.",
    ),
    LadderStep(
        key="small",
        title="A small head",
        text="The rule's point lies nearer to the coronal suture than its margin on this head.",
    ),
    LadderStep(
        key="large",
        title="A large head",
        text="A large head, on which the suture lies far behind the rule's point.",
    ),
    LadderStep(
        key="thick",
        title="Thick bone",
        text="The bone is nearly twice as thick as usual: a usual setting stops within it.",
    ),
    LadderStep(
        key="thin",
        title="Thin bone",
        text="The bone is thin: a usual setting passes through it.",
    ),
    LadderStep(
        key="haematoma",
        title="A swollen scalp",
        text="A swelling under the scalp on the PATIENT'S RIGHT moves the tape, the point and any "
        "stop that seats on scalp.",
    ),
    LadderStep(
        key="asymmetric",
        title="An uneven head",
        text="The two halves of the back of this head differ by more than half a centimetre, so "
        "that the eye finds another middle than the head's own plane.",
    ),
    LadderStep(
        key="turned",
        title="Turned on the pillow, half-draped",
        text="The head lies turned and tilted on a pillow, and a cloth covers its other half.",
        draped=True,
    ),
    LadderStep(
        key="no-suture",
        title="No suture to feel",
        text="The coronal suture is closed and gives the finger nothing to go by.",
        suture_felt=False,
    ),
)


def ladder_spec(key: str) -> HeadSpec:
    """The recipe of a step.

    Raises
    ------
    KeyError
        For a key that is not on the ladder.
    """
    adult = named_spec("adult")

    def like(seed: int, **changes: Any) -> HeadSpec:
        return replace(adult, name=f"ladder-{key}", seed=seed, **changes)

    recipes: dict[str, HeadSpec] = {
        "adult": adult,
        "small": named_spec("small"),
        "large": like(
            23, length_mm=212.0, breadth_mm=163.0, nasion_bregma_arc_mm=139.0, scalp_mm=6.3,
            skull_mm=7.2, interpupillary_mm=67.0, brow_mm=3.4, nose_scale=1.08,
            yaw_deg=-5.0, pitch_deg=3.0, roll_deg=-2.0, centre_mm=(-6.0, 4.0, 3.0),
        ),
        "thick": like(24, skull_mm=12.0, outer_table_mm=2.0, inner_table_mm=1.5, yaw_deg=4.0),
        # The adult's own seed: another one's unevenness would make the bone thick at the site.
        "thin": like(
            1, skull_mm=4.3, outer_table_mm=1.3, inner_table_mm=1.0, yaw_deg=-3.0, roll_deg=-4.0
        ),
        "haematoma": like(
            26, yaw_deg=5.0, roll_deg=-5.0,
            conditions=(Haematoma(side="right", height_mm=9.0, sigma_mm=18.0),),
        ),
        "asymmetric": like(
            27, skew_mm=3.0, bulge_mm=2.0, yaw_deg=2.0, roll_deg=-3.0,
            conditions=(Flattened(side="left", depth_mm=8.0),),
        ),
        "turned": like(
            28, yaw_deg=24.0, pitch_deg=8.0, roll_deg=-12.0, centre_mm=(12.0, -9.0, 6.0),
            conditions=(Pillow(),),
        ),
        "no-suture": like(29, suture_open=False, suture_seam=0.0, yaw_deg=-4.0, pitch_deg=2.0),
    }  # fmt: skip
    return recipes[key]


def spec_of_seed(seed: int) -> HeadSpec:
    """The recipe of a random head."""
    return random_spec(seed)


def head_bytes(spec: HeadSpec, *, dtype: type = np.float64) -> bytes:
    """The volume of a practice head as a file's content; ``float32`` takes half the time."""
    head = build(spec)
    grid = head.grid(
        voxel_mm=_VOXEL_MM,
        slice_mm=_VOXEL_MM,
        axes="RAS",
        below_mm=_BELOW_MM,
        margin_mm=5.0,
        behind_mm=10.0,
    )
    scanner = Scanner(fwhm_mm=0.9, noise_hu=_NOISE_HU, noisy_air=False, step_hu=_STEP_HU)
    hu, world = head.render(grid, scanner, dtype=dtype)
    return nifti_bytes(hu, world)


def main(folder: Path = SHIPPED) -> None:
    """Make the shipped volumes; takes a minute or two."""
    from entrypoint.io.atomic import write_bytes

    folder.mkdir(parents=True, exist_ok=True)
    for step in LADDER:
        write_bytes(
            folder / f"{step.key}.nii.gz", head_bytes(ladder_spec(step.key)), force=True
        )


if __name__ == "__main__":
    main()
