"""Makes the README's pictures: ``python -m entrypoint.figures.readme``.

From the repository's top: reads ``sample_volumes/adult.nii.gz`` and writes two pictures into
``notebooks/pictures``. The section is the same bytes each time with the same libraries; the head
in three dimensions needs a library that draws, and is left as it is where there is none.
"""

from __future__ import annotations

import io
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from entrypoint.errors import MissingExtra
from entrypoint.figures.head import head_with_tapes
from entrypoint.figures.section import section_along_path
from entrypoint.figures.style import BANNER_PAPER, DARK, LIGHT
from entrypoint.io.atomic import write_bytes
from entrypoint.io.nifti import read_nifti
from entrypoint.planning.ct import plan_from_volume
from entrypoint.planning.model import InputInfo, InputKind, Rule, Side

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["main", "small_png"]

SOURCE = Path("sample_volumes/adult.nii.gz")
FOLDER = Path("notebooks/pictures")
_GREYS, _SHADES = 120, 12
_HUES = tuple(
    getattr(palette, name)
    for palette in (LIGHT, DARK)
    for name in ("path", "tip", "suture", "plane", "margin")
)


def small_png(figure: Figure, *, dpi: int, palette: bool = True) -> bytes:
    """A figure as PNG with no date inside.

    With ``palette`` in greys and the figures' own colours, which is a third of the size; a smooth
    shading needs every colour.
    """
    import numpy as np
    from PIL import Image

    raw = io.BytesIO()
    figure.savefig(raw, format="png", dpi=dpi, metadata={"Software": None})
    picture = Image.open(raw).convert("RGB")
    if palette:
        entries = Image.new("P", (1, 1))
        entries.putpalette(_palette())
        few = picture.quantize(palette=entries, dither=Image.Dither.NONE)
        index = np.asarray(few).copy()
        # Matched by coarse steps of each channel: without this white comes out as light grey.
        index[np.asarray(picture).min(axis=2) == 255] = _GREYS - 1
        picture = Image.frombytes("P", few.size, index.astype(np.uint8).tobytes())
        picture.putpalette(_palette())
    packed = io.BytesIO()
    picture.save(packed, format="png", optimize=True)
    return packed.getvalue()


def _palette() -> list[int]:
    """Red, green, blue of 256 entries: greys, and each colour from black towards white."""
    entries = [(round(255 * i / (_GREYS - 1)),) * 3 for i in range(_GREYS)]
    for colour in (*_HUES, BANNER_PAPER):
        pure = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
        for k in range(1, _SHADES + 1):
            share = k / 9.0
            mixed = [c * share if share <= 1 else c + (255 - c) * (share - 1) for c in pure]
            entries.append((round(mixed[0]), round(mixed[1]), round(mixed[2])))
    entries += [(0, 0, 0)] * (256 - len(entries))
    return [value for entry in entries for value in entry]


def main(source: Path = SOURCE, folder: Path = FOLDER) -> int:
    """Make the pictures and replace those that are there."""
    loaded = read_nifti(source)
    info = InputInfo(kind=InputKind.CT, name=loaded.code, sha256=loaded.sha256)
    plan = plan_from_volume(
        loaded.volume.canonical(), info=info, rule=Rule(), facts=loaded.facts
    )
    folder.mkdir(parents=True, exist_ok=True)
    section = section_along_path(plan, loaded.volume, Side.RIGHT)
    write_bytes(folder / "adult-section.png", small_png(section, dpi=120), force=True)
    try:
        head = head_with_tapes(plan, loaded.volume, Side.RIGHT)
    except MissingExtra as missing:
        print(missing, file=sys.stderr)
        return missing.exit_code
    write_bytes(folder / "adult-tapes.png", small_png(head, dpi=90, palette=False), force=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
