"""Is a message news? By its sequence number and time, where it has them."""

from typing import Final

from monitor.decode import Rejected, strict_number
from rules.channels import NOT_SENT

LONGEST_PAYLOAD: Final = 96
# A number this much lower than the last is no straggler: the sender began anew, or its counter
# wrapped. On one connection messages keep their order, so stragglers lag by a few at most.
MOST_BEHIND: Final = 100
# So many in a row behind the last one: a sender that began anew soon after its start.
BEGUN_ANEW: Final = 20
# A time this much lower is a clock that stepped back, which the rules judge, not a straggler.
CLOCK_STEP_S: Final = 1.0


class Freshness:
    """Judges the messages of one topic, in the order in which they come.

    Attributes:
        missing: Sequence numbers that never came.
        restarts: Times the numbers began anew.
    """

    def __init__(self) -> None:
        self.missing = 0
        self.restarts = 0
        self._number: int | None = None
        self._time_s: float | None = None
        self._behind = 0

    def judge(self, time_s: float | None, number: int | None) -> None:
        """Take a message's time and number; return where it is news.

        Raises:
            Rejected: ``duplicate``, or ``out of order``: older than one that came before.
        """
        if number is not None:
            self._judge_number(number)
        elif time_s is not None and self._time_s is not None:
            behind_s = self._time_s - time_s
            if behind_s == 0.0:
                raise Rejected("duplicate")
            if 0.0 < behind_s < CLOCK_STEP_S:
                raise Rejected("out of order")
        if time_s is not None:
            self._time_s = time_s

    def _judge_number(self, number: int) -> None:
        last = self._number
        if last is not None and number <= last:
            if number == last:
                raise Rejected("duplicate")
            self._behind += 1
            if last - number <= MOST_BEHIND and self._behind < BEGUN_ANEW:
                raise Rejected("out of order")
            self.restarts += 1
        elif last is not None:
            self.missing += number - last - 1
        self._behind = 0
        self._number = number


def read_payload(payload: bytes) -> tuple[float, float | None, int | None]:
    """Return the value, time and sequence number in a channel's payload.

    The payload is ``VALUE``, ``VALUE,TIME`` or ``VALUE,TIME,NUMBER``; the time may be empty.

    Raises:
        Rejected: Not that: ``payload too long``, ``number of fields``, ``not a number``, ``time``
            or ``sequence``.
    """
    if len(payload) > LONGEST_PAYLOAD:
        raise Rejected("payload too long")
    fields = payload.split(b",")
    if len(fields) > 3:
        raise Rejected("number of fields")
    value = strict_number(fields[0])
    if value == NOT_SENT:
        raise Rejected("not a number")
    time_s: float | None = None
    number: int | None = None
    if len(fields) > 1:
        time_s = strict_number(fields[1])
        if time_s == NOT_SENT:
            time_s = None
        elif time_s != time_s:
            raise Rejected("time")
    if len(fields) > 2:
        number = sequence_number(fields[2])
    return value, time_s, number


def sequence_number(field: bytes) -> int:
    """Return a sequence number: 1 to 15 ASCII digits.

    Raises:
        Rejected: ``sequence``.
    """
    field = field.strip()
    if not 1 <= len(field) <= 15 or field.translate(None, b"0123456789"):
        raise Rejected("sequence")
    return int(field)
