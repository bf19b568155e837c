"""A kind of record: its name and version, how it is written, read back and described.

Written with a fixed order of keys and full precision, so that the same model gives the same bytes.
Read strictly: bounded, no duplicate keys, no NaN or Infinity; fields that are not known are
ignored, and a higher version is refused by name.
"""

from __future__ import annotations

import dataclasses
import json
from typing import Any, Generic, TypeVar

from entrypoint.io.plain_values import build, plain
from entrypoint.io.strict_json import parse, refuse, shown

__all__ = ["RecordKind"]

Model = TypeVar("Model")


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class RecordKind(Generic[Model]):
    """One kind of record.

    Parameters
    ----------
    name : str
        In the field ``record``.
    version : int
    model : type
        A frozen dataclass.
    first : tuple of str
        Fields that come first, in their order; the others follow in the order of the model.
    one, the : str
        What it is called in a message.
    description : str
        Of its schema.
    """

    name: str
    version: int
    model: type[Model]
    first: tuple[str, ...]
    one: str
    the: str
    description: str

    def to_dict(self, made: Model) -> dict[str, Any]:
        """Plain values in the record's order.

        Raises
        ------
        FieldRefused
            When a number is NaN or infinite: what cannot be known is null.
        """
        names = [f.name for f in dataclasses.fields(self.model)]  # type: ignore[arg-type]
        out: dict[str, Any] = {"record": self.name, "version": self.version}
        for name in [*self.first, *(n for n in names if n not in self.first)]:
            out[name] = plain(getattr(made, name), name)
        return out

    def dumps(self, made: Model) -> str:
        """JSON text, ending in a line feed."""
        text = json.dumps(self.to_dict(made), indent=1, ensure_ascii=False, allow_nan=False)
        return text + "\n"

    def loads(self, text: str) -> Model:
        """The model from JSON text.

        Raises
        ------
        FieldRefused
        """
        data = parse(text, what=self.the)
        if not isinstance(data, dict) or data.get("record") != self.name:
            raise refuse(f'the text has no "record": "{self.name}"', self.one)
        version = data.get("version")
        if isinstance(version, bool) or not isinstance(version, int) or version < 1:
            raise refuse(f"{self.the} has version {shown(version)}", f"version {self.version}")
        if version > self.version:
            raise refuse(
                f"{self.the} has version {version}",
                f"version {self.version}",
                "use a newer version of this tool",
            )
        made: Model = build(self.model, data, self.the, top=True)
        return made
