"""The error family.

::

    EntrypointError
    ├── InputError          exit 3: the input is refused, and says by name why
    │   ├── FileRefused         unreadable, truncated, of another kind, too large
    │   ├── OrientationRefused  no stated orientation, or two that differ in handedness
    │   ├── UnitRefused         missing or implausible unit
    │   ├── FieldRefused        a field of a record, table or landmark file
    │   └── OutputRefused       cannot be written, or would overwrite
    ├── GeometryError       exit 4: values that allow no construction (a zero vector)
    ├── MeasurementError    exit 4: the data do not show what would have to be measured
    └── MissingExtra        exit 3: an optional library or a system library is needed

Each error carries what was found, what was expected and the next step, as three short
clauses; ``str(error)`` joins them into one sentence that can be shown to a person as it is.
"""

from __future__ import annotations

__all__ = [
    "EntrypointError",
    "FieldRefused",
    "FileRefused",
    "GeometryError",
    "InputError",
    "MeasurementError",
    "MissingExtra",
    "OrientationRefused",
    "OutputRefused",
    "UnitRefused",
]


class EntrypointError(Exception):
    """Base of every error that this package raises on purpose.

    Parameters
    ----------
    found : str
        What was found, e.g. ``"the file holds 4 dimensions (64, 64, 32, 10)"``.
    expected : str
        What was expected, e.g. ``"one volume of three dimensions"``.
    next_step : str
        What the reader can do, e.g. ``"extract one volume and try again"``.

    Examples
    --------
    >>> str(FileRefused(found="the file is empty", expected="a NIfTI volume",
    ...                 next_step="check the copy"))
    'The file is empty; expected a NIfTI volume; check the copy.'
    """

    exit_code = 4

    def __init__(self, *, found: str, expected: str, next_step: str) -> None:
        self.found = found
        self.expected = expected
        self.next_step = next_step
        sentence = f"{found}; expected {expected}; {next_step}"
        ending = "" if sentence.endswith("?") else "."
        super().__init__(sentence[:1].upper() + sentence[1:].rstrip(".") + ending)


class InputError(EntrypointError):
    """The input is refused."""

    exit_code = 3


class FileRefused(InputError):
    """A file that cannot be read, is cut short, too large, or of another kind."""


class OrientationRefused(InputError):
    """A file that states no orientation, or two that disagree in handedness."""


class UnitRefused(InputError):
    """A length unit that is missing or gives an impossible head."""


class FieldRefused(InputError):
    """A field of a landmark file, table or record that is missing or wrong."""


class OutputRefused(InputError):
    """An output that cannot be written, or that would overwrite a file."""


class GeometryError(EntrypointError):
    """Values from which the construction cannot be made."""


class MeasurementError(EntrypointError):
    """The data do not show what would have to be measured."""


class MissingExtra(EntrypointError):
    """An optional library, or a system library, is missing."""

    exit_code = 3
