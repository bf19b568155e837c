"""Published values, and judgements, as frozen rows: every clinical number has one home.

A number that is used as a default or as a limit is a row here, with where it comes from:

``S``  read in a copy of the source; ``C``  arithmetic done from such a value;
``M``  from memory; ``P``  common practice, no source; ``J``  judgement, no source.

None of it is medical advice. Lengths are mm, angles degrees, CT values HU.
"""

from __future__ import annotations

from entrypoint.reference.kinds import Mark, Row
from entrypoint.reference.rows import ROWS, row, spread, value

__all__ = ["ROWS", "Mark", "Row", "row", "spread", "value"]
