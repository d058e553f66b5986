"""A counter in every line or message: what was lost on the way, came twice, or came too late."""

from typing import Final

from monitor.sources.lines.strict_numbers import Rejected

HIGHEST: Final = 2**32 - 1
MOST_LOST: Final = 10_000  # a longer way ahead is another count, not a loss
WINDOW: Final = 64  # as far back, a number is old news, not a counter that started again
# So many old numbers in a row, each one more than the last, are a counter that started again just
# behind where it was (a device reset soon after its start).
RESTART_RUN: Final = 8
BAD_SEQUENCE: Final = "sequence"
REPEATED: Final = "repeated"
OUT_OF_ORDER: Final = "out of order"
_MODULI: Final = (2**16, 2**32)


class SequenceCheck:
    """Follows a counter that goes up by one and wraps at 16 or 32 bits, whichever it turns out.

    Attributes:
        lost: Numbers that never came. One that comes late after all stays counted.
        restarts: Times the counter began anew.
    """

    def __init__(self) -> None:
        self.lost = 0
        self.restarts = 0
        self._newest: int | None = None
        self._old: int | None = None  # the last number that was old news
        self._old_run = 0

    def take(self, number: float | bool | str) -> None:
        """Take in the next number, as it was sent.

        Raises:
            Rejected: ``BAD_SEQUENCE``: it is none. ``REPEATED`` or ``OUT_OF_ORDER``: see ``fault``.
        """
        if type(number) is not float or not 0.0 <= number <= HIGHEST or number != int(number):
            raise Rejected(BAD_SEQUENCE)
        fault = self.fault(int(number))
        if fault is not None:
            raise Rejected(fault)

    def fault(self, number: int) -> str | None:
        """Take in the next number; return why what carries it is not fresh, or None.

        Args:
            number: 0 to 2**32 - 1.
        """
        newest = self._newest
        if newest is None:
            self._accept(number)
            return None
        ahead = self._ahead(newest, number)
        if 0 < ahead <= MOST_LOST:
            self.lost += ahead - 1
            self._accept(number)
            return None
        if -WINDOW <= ahead <= 0:
            self._old_run = self._old_run + 1 if self._old == number - 1 else 1
            self._old = number
            if self._old_run < RESTART_RUN:
                return OUT_OF_ORDER if ahead else REPEATED
        self.restarts += 1
        self._accept(number)
        return None

    def _accept(self, number: int) -> None:
        self._newest = number
        self._old = None
        self._old_run = 0

    @staticmethod
    def _ahead(newest: int, number: int) -> int:
        """Return how far ahead a number is, by the wrap that makes it least far; negative behind.

        A counter that ever went beyond 16 bits does not wrap there.
        """
        ways = [number - newest]
        for modulus in _MODULI:
            if newest < modulus and number < modulus:
                ways += [number - newest + modulus, number - newest - modulus]
        return min(ways, key=abs)
