"""Is a message news? By its sequence number and time, where it has them."""

from math import inf
from typing import Final

from monitor.sources.lines.sequence import BAD_SEQUENCE, OUT_OF_ORDER, REPEATED, SequenceCheck
from monitor.sources.lines.strict_numbers import NO_TIME, Rejected, strict_number
from rules.channels import NOT_SENT, is_time

LONGEST_PAYLOAD: Final = 96
# Without time or number a reading that comes so soon after another may be an old one, delivered
# twice or late: of the two the worse counts. (Twice a usual logger's interval.)
TOO_SOON_S: Final = 0.02
# Where less is worse; of all other channels, more.
_LESS_IS_WORSE: Final = frozenset(
    ("delivered_ml_min", "tank_ml", "line_kpa", "supply_v", "confirmed_retard_deg")
)
# A time this much lower is a clock that stepped back, which the rules judge, not a straggler.
CLOCK_STEP_S: Final = 1.0


class Freshness:
    """Judges the messages of one topic, in the order in which they come.

    Attributes:
        numbers: Follows their sequence numbers.

    Args:
        channel: What the topic's readings are of.
    """

    def __init__(self, channel: str = "") -> None:
        self.numbers = SequenceCheck()
        self._time_s: float | None = None
        self._sign = -1.0 if channel in _LESS_IS_WORSE else 1.0
        self._value = 0.0
        self._taken_ns = -inf

    def judge(self, time_s: float | None, number: float | bool | str | None) -> None:
        """Take a message's time and number; return where it is news.

        Raises:
            Rejected: ``repeated``, or ``out of order``: older than one that came before;
                ``sequence``: the number is none.
        """
        if number is not None:
            self.numbers.take(number)
        elif time_s is not None and self._time_s is not None:
            behind_s = self._time_s - time_s
            if behind_s == 0.0:
                raise Rejected(REPEATED)
            if 0.0 < behind_s < CLOCK_STEP_S:
                raise Rejected(OUT_OF_ORDER)
        if time_s is not None:
            self._time_s = time_s

    def may_be_news(self, value: float, arrived_ns: int) -> bool:
        """Take a reading that has neither time nor number; return whether it is to be used.

        It is not where it comes too soon and is no worse than the one before.
        """
        no_worse = self._sign * value <= self._sign * self._value
        if no_worse and arrived_ns - self._taken_ns < TOO_SOON_S * 1e9:
            return False
        self._value, self._taken_ns = value, arrived_ns
        return True


def read_payload(
    payload: bytes, time_factor: float = 1.0
) -> tuple[float, float | None, float | None]:
    """Return the value, time (s) and sequence number in a channel's payload.

    The payload is ``VALUE``, ``VALUE,TIME`` or ``VALUE,TIME,NUMBER``; the time may be empty.

    Args:
        payload: It.
        time_factor: Seconds in the time's unit.

    Raises:
        Rejected: Not that: ``payload too long``, ``number of fields``, ``not a number``, ``time``
            (``NO_TIME``) or ``sequence``.
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
    number: float | None = None
    if len(fields) > 1:
        time_s = strict_number(fields[1])
        if time_s == NOT_SENT:
            time_s = None
        elif not is_time(time_s := time_s * time_factor):
            raise Rejected(NO_TIME)
    if len(fields) > 2:
        digits = fields[2].strip()
        if len(digits) > 10 or not digits.isdigit():  # of bytes, so ASCII's alone
            raise Rejected(BAD_SEQUENCE)
        number = float(digits)
    return value, time_s, number
