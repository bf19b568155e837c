"""Words that every output shares."""

from __future__ import annotations

from entrypoint.planning.model import How, InputKind, Level, Seat, Side

PRACTICE_BANNER = "PRACTICE HEAD, NOT A PATIENT"
NOT_KNOWN = "NOT KNOWN WITHOUT A SCAN"
BLANK = "________"

SIDE_WORDS = {Side.RIGHT: "PATIENT'S RIGHT", Side.LEFT: "PATIENT'S LEFT"}
LEVEL_WORDS = {Level.STOP: "STOP", Level.CAUTION: "CAUTION", Level.NOTE: "NOTE"}
LEVEL_ORDER = (Level.STOP, Level.CAUTION, Level.NOTE)
SEAT_WORDS = {Seat.BONE: "ON BONE", Seat.SCALP: "ON SCALP"}
KIND_WORDS = {
    InputKind.CT: "a CT volume",
    InputKind.LANDMARKS: "landmarks, with a scalp fitted between them",
    InputKind.SCALP: "a scalp surface with landmarks",
    InputKind.TAPE: "tape measures",
}
HOW_WORDS = {
    How.DETECTED: "found",
    How.GIVEN: "given",
    How.MEASURED: "measured",
    How.ESTIMATED: "estimated, not seen",
}
SPREADS = (
    '± is half of the 95 % interval of the measurement. Where "readers ±" follows, it is how far '
    "careful readers differ in what the word means (half of 95 %)."
)
SEAT_NOT_NAMED = "No stop length is shown, because the surface that the stop seats on was not named"
NAME_THE_SEAT = f"{SEAT_NOT_NAMED}: add --stop-seats-on bone or --stop-seats-on scalp."
STOP_GIVES = (
    "Lengths run from the stop's face to the very point of the bit. The length is a lower "
    "bound, from which common practice advances in small steps. The scalp gives "
    "under a stop, and swelling changes by the hour."
)
DEVICE_FIRST = "The device's own instructions take precedence."


def sentence(text: str) -> str:
    """A text as a sentence: a capital at its start and a full stop at its end.

    Examples
    --------
    >>> sentence("the scan is noisy")
    'The scan is noisy.'
    """
    text = text.strip()
    if not text:
        return text
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")
