"""Numbers as text: what is one, what is none, and why a line or message is rejected."""

from math import inf, nan
from typing import Final

from rules.channels import NOT_SENT

_NUMBER_BYTES: Final = b"0123456789+-.eE"
_LONGEST_NUMBER: Final = 32
# Empty, no number, or so far from nought that it could not tell one reading from the next.
NO_TIME: Final = "no usable time"


class Rejected(Exception):
    """A line or message can't be used; ``reason`` is one of a few fixed words, for counting."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def strict_number(field: bytes) -> float:
    """Return the float a field holds; ``NOT_SENT`` where it is empty.

    Accepts an ASCII decimal number of at most 32 characters, and ``nan`` in any case (the logger
    says it doesn't know). What would overflow to infinity reads as NaN. Python's own ``float``
    also takes "inf", "1_000" and non-ASCII digits; on a wire those are noise.

    Raises:
        Rejected: Anything else.
    """
    field = field.strip()
    if not field:
        return NOT_SENT
    if len(field) > _LONGEST_NUMBER:
        raise Rejected("not a number")
    if field.translate(None, _NUMBER_BYTES):
        if field.lower() == b"nan":
            return nan
        raise Rejected("not a number")
    try:
        value = float(field)
    except ValueError:
        raise Rejected("not a number") from None
    return value if -inf < value < inf else nan
