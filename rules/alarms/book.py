"""Alarms: the life cycle of ISA-18.2 / IEC 62682 over the findings, by the names of its states.

**The book never acts.** It reads the levels the rules decided and the operator's hand, and says
what stands on the list and whether the bell rings. Nothing flows back: shelving, suppression and
taking out of service silence the bell, never the engine's protection.

States are kept by name; the letters of the standard differ between published profiles.
An alarm's *standing* is what its finding says now: ``quiet`` or ``present`` (until the off-delay ends),
``latched`` when gone but a finding that pulled timing or cut boost has not been reset, and
``suppressed`` where boost is below onset and the finding may be suppressed by design.
A pair of state and input that the table lacks is refused, with a reason (``REASONS``).

| state | input | quiet | quiet, suppressed | present | present, suppressed | latched |
|---|---|---|---|---|---|---|
| normal | condition | normal | suppressed by design | unacknowledged | suppressed by design | latched unacknowledged |
| unacknowledged | condition | returned unacknowledged | returned unacknowledged | unacknowledged | unacknowledged | latched unacknowledged |
| acknowledged | condition | normal | suppressed by design | acknowledged | acknowledged | latched acknowledged |
| returned unacknowledged | condition | returned unacknowledged | returned unacknowledged | unacknowledged | returned unacknowledged | latched unacknowledged |
| latched unacknowledged | condition | latched unacknowledged | latched unacknowledged | unacknowledged | latched unacknowledged | latched unacknowledged |
| latched acknowledged | condition | latched acknowledged | latched acknowledged | unacknowledged | latched acknowledged | latched acknowledged |
| suppressed by design | condition | normal | suppressed by design | unacknowledged | suppressed by design | latched unacknowledged |
| shelved, out of service | condition | - | - | - | - | - |
| acknowledged | escalation | normal | suppressed by design | unacknowledged | acknowledged | latched acknowledged |
| any other | escalation | as condition | as condition | as condition | as condition | as condition |
| unacknowledged | acknowledge | normal | suppressed by design | acknowledged | acknowledged | latched acknowledged |
| returned unacknowledged | acknowledge | normal | suppressed by design | acknowledged | suppressed by design | latched acknowledged |
| latched unacknowledged | acknowledge | latched acknowledged | latched acknowledged | acknowledged | acknowledged | latched acknowledged |
| latched acknowledged | reset | normal | suppressed by design | unacknowledged | suppressed by design | normal |
| shelved | unshelve, expiry | normal | suppressed by design | unacknowledged | suppressed by design | latched unacknowledged |
| out of service | return to service | normal | suppressed by design | unacknowledged | suppressed by design | latched unacknowledged |
| any but shelved, out of service | shelve | shelved | shelved | shelved | shelved | shelved |
| any but out of service | take out of service | out of service | out of service | out of service | out of service | out of service |

(``-``: stays as it is.) Choices of our own, where the standard leaves one:

- An escalation (warn, pull timing, cut boost) rings again: acknowledging a warning does not cover
  a boost cut. (A shelf does cover it: the action is shown and taken, the bell stays silent.)
- Suppression by design takes alarms that have nothing left to say; one already on the list stays
  until it was seen. It holds back warnings alone, never the alarm of an action taken.
- A latched alarm is acknowledged first, then reset.
- The bell rings for what is unacknowledged and there, or unacknowledged and latched; a warning that
  came and went is listed, silently.

Time is an argument. A delay or a shelf that ends between two calls is worked out at the next one
and stamped with the time it was due, so the result doesn't depend on how often the book is fed.
The caller feeds every sample, or only those in which a level or the suppression changed, or whose
time steps back or is not a number; and calls once ``due_s`` is reached, so that news isn't late.
"""  # noqa: E501 (a table row is one line)

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from itertools import zip_longest
from typing import Final

from rules.alarms.alarm import (
    LONGEST_SHELF_S,
    NEVER,
    OFF_DELAY_S,
    ON_THE_LIST,
    RINGING,
    TIME_LIMIT_S,
    AlarmState,
    AlarmView,
    Answer,
    ForwardClock,
    Mover,
    Priority,
    Refusal,
    Transition,
)

PULL: Final = (
    2  # the level from which an alarm latches: 0 no action, 1 warn, 2 pull timing, 3 cut boost
)
LONGEST_TEXT: Final = 40
HAND: Final = "operator"  # who commands, where no name is given


class Input(StrEnum):
    """What can move an alarm from one state to another."""

    CONDITION = "condition"
    ESCALATION = "escalation"
    EXPIRY = "expiry"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    TAKE_OUT_OF_SERVICE = "take out of service"
    RETURN_TO_SERVICE = "return to service"


COMMANDS: Final = tuple(Input)[3:]  # the operator's


class Standing(IntEnum):
    """What the finding says now; the columns of the table."""

    QUIET = 0
    QUIET_SUPPRESSED = 1
    PRESENT = 2
    PRESENT_SUPPRESSED = 3
    LATCHED = 4


_N, _U, _A, _R, _LU, _LA, _SH, _SD, _OUT = AlarmState
_Row = tuple[AlarmState, AlarmState, AlarmState, AlarmState, AlarmState]
_AFRESH: Final[_Row] = (_N, _SD, _U, _SD, _LU)
_CONDITION: Final[dict[AlarmState, _Row]] = {
    _N: _AFRESH,
    _U: (_R, _R, _U, _U, _LU),
    _A: (_N, _SD, _A, _A, _LA),
    _R: (_R, _R, _U, _R, _LU),
    _LU: (_LU, _LU, _U, _LU, _LU),
    _LA: (_LA, _LA, _U, _LA, _LA),
    _SH: (_SH,) * 5,
    _SD: _AFRESH,
    _OUT: (_OUT,) * 5,
}
TABLE: Final[Mapping[tuple[AlarmState, Input], _Row]] = {
    **{(state, Input.CONDITION): row for state, row in _CONDITION.items()},
    **{(state, Input.ESCALATION): row for state, row in _CONDITION.items()},
    (_A, Input.ESCALATION): (_N, _SD, _U, _A, _LA),
    (_U, Input.ACKNOWLEDGE): (_N, _SD, _A, _A, _LA),
    (_R, Input.ACKNOWLEDGE): (_N, _SD, _A, _SD, _LA),
    (_LU, Input.ACKNOWLEDGE): (_LA, _LA, _A, _A, _LA),
    (_LA, Input.RESET): (_N, _SD, _U, _SD, _N),
    (_SH, Input.UNSHELVE): _AFRESH,
    (_SH, Input.EXPIRY): _AFRESH,
    (_OUT, Input.RETURN_TO_SERVICE): _AFRESH,
    **{(state, Input.SHELVE): (_SH,) * 5 for state in AlarmState if state not in (_SH, _OUT)},
    **{(state, Input.TAKE_OUT_OF_SERVICE): (_OUT,) * 5 for state in AlarmState if state != _OUT},
}
REASONS: Final[Mapping[tuple[AlarmState, Input], str]] = {
    **{(state, Input.ACKNOWLEDGE): "it has nothing to acknowledge" for state in (_N, _A, _LA, _SD)},
    **{(state, Input.RESET): "it is not latched" for state in (_N, _R, _SD)},
    **{(state, Input.RESET): "its condition is still there" for state in (_U, _A)},
    (_LU, Input.RESET): "it is not acknowledged yet",
    **{(s, Input.UNSHELVE): "it is not shelved" for s in AlarmState if s not in (_SH, _OUT)},
    **{(s, Input.RETURN_TO_SERVICE): "it is in service" for s in AlarmState if s != _OUT},
    **{(_SH, what): "it is shelved: unshelve it first" for what in COMMANDS[:3]},
    **{(_OUT, what): "it is out of service: return it first" for what in COMMANDS[:5]},
}
_NONE: Final[Mapping[str, bool]] = {}
_MOVERS: Final[Mapping[Input, Mover]] = {
    Input.CONDITION: Mover.CONDITION,
    Input.ESCALATION: Mover.CONDITION,
    Input.EXPIRY: Mover.EXPIRY,
}
_PRIORITIES: Final = (Priority.LOW, Priority.LOW, Priority.MEDIUM, Priority.HIGH)


@dataclass(slots=True)
class _Alarm:
    """What the book remembers of one alarm; times in forward time."""

    name: str
    suppressible: bool
    state: AlarmState = AlarmState.NORMAL
    level: int = 0  # as last read
    worst: int = 0  # since it was last normal
    present: bool = False  # until the off-delay ends
    pending_s: float = NEVER  # when that is
    shelf_s: float = NEVER  # when the shelf ends
    since_s: float = float("nan")  # last move, on the caller's time base

    def due_s(self) -> float:
        return min(self.pending_s, self.shelf_s)


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text[:LONGEST_TEXT])


class AlarmBook:
    """The alarms of one guard: fed with levels and the operator's hand, it says what stands.

    Deterministic, of constant size, without influence on any action.

    Args:
        names: Names of the findings, in the order of their levels; each once.
        suppressible: Findings that boost below onset suppresses by design (absent: not).
        off_delay_s: How long a finding must be quiet to count as gone, 0 or more: the deadband in
            time, as those in value live in the decision code.
        longest_shelf_s: No shelf lasts longer.

    Raises:
        ValueError: A name comes twice, or ``suppressible`` names none of them.
    """

    def __init__(
        self,
        names: Sequence[str],
        suppressible: Mapping[str, bool] = _NONE,
        off_delay_s: float = OFF_DELAY_S,
        longest_shelf_s: float = LONGEST_SHELF_S,
    ) -> None:
        if len(set(names)) != len(names):
            raise ValueError(f"alarms: found a name twice in {list(names)}, expected each once")
        if not set(suppressible) <= set(names):
            raise ValueError(
                f"suppressible: found {sorted(suppressible)}, expected of {list(names)}"
            )
        self._off_delay_s = off_delay_s
        self._longest_shelf_s = longest_shelf_s
        self._alarms = {name: _Alarm(name, suppressible.get(name, False)) for name in names}
        self._clock = ForwardClock()
        self._levels: list[float] = []
        self._suppressed = False
        self._due_s = TIME_LIMIT_S
        self._order: list[str] = []
        self._news: list[Transition] = []

    @property
    def due_s(self) -> float:
        """Time from which a call has news even if nothing changes (1e12: none), caller's time."""
        return self._due_s

    @property
    def sounding(self) -> bool:
        """Whether the bell should ring. What is done to the engine doesn't depend on it."""
        return any(alarm.state in RINGING for alarm in self._alarms.values())

    @property
    def order(self) -> tuple[str, ...]:
        """Alarms in the order in which they came since the list was last empty, first-out first."""
        return tuple(self._order)

    def alarms(self) -> tuple[AlarmView, ...]:
        """Return every alarm as of the last call, in the order of the findings."""
        views = []
        for name, alarm in self._alarms.items():
            left_s = alarm.shelf_s - self._clock.now_s if alarm.shelf_s < NEVER else 0.0
            rank = self._order.index(name) if name in self._order else -1
            priority = _PRIORITIES[alarm.worst]
            at = (alarm.state, priority, alarm.present, alarm.since_s, left_s, rank)
            views.append(AlarmView(name, *at))
        return tuple(views)

    def feed(
        self, time_s: float, levels: Sequence[float], suppressed: bool = False
    ) -> tuple[Transition, ...]:
        """Take the levels of one decision; return what moved, in order (ties: finding order).

        A level that is none of 0 to 3 (NaN too) is unknown: present, at least a warning, and never
        less than before. Under a time that is not a number nothing clears and no delay holds back.

        Args:
            time_s: The decision's time.
            levels: One for each name: 0 no action, 1 warn, 2 pull timing, 3 cut boost.
            suppressed: Boost is below spray onset (False where boost isn't known).

        Raises:
            ValueError: Not one level for each name.
        """
        clock = self._clock
        same = suppressed == self._suppressed
        if same and levels == self._levels and clock.last_s <= time_s < self._due_s:
            clock.last_s = time_s
            return ()
        if len(levels) != len(self._alarms):
            raise ValueError(f"levels: found {len(levels)}, expected {len(self._alarms)}")
        known = clock.read(time_s)
        self._fire_due()
        self._suppressed = bool(suppressed)
        before = self._levels if same and known else []
        for alarm, level, old in zip_longest(self._alarms.values(), levels, before):
            if level != old:
                self._read(alarm, level, known)
        self._levels = list(levels) if known else []
        return self._told()

    def command(
        self,
        time_s: float,
        what: Input,
        name: str | None = None,
        who: str = HAND,
        for_s: float = 0.0,
    ) -> Answer:
        """Take an operator's command; return what moved and what was refused.

        A reset returns a latched, acknowledged alarm to normal; it is refused while the condition
        is there. A shelf silences an alarm for a time, out of service until it is returned to
        service (say: its sensor is being changed); after either it rings again if its condition is
        there.

        Args:
            time_s: Now.
            what: One of ``COMMANDS``.
            name: To which alarm; None acknowledges or resets all that can be.
            who: Who gives it.
            for_s: How long a shelf is to last, more than 0; cut to the longest.
        """
        if time_s >= self._clock.last_s:  # a hand on the button counts at any time, even at none
            self._clock.read(time_s)
        now_s = self._clock.now_s
        self._fire_due()
        refusals = []
        if name is None and what in (Input.ACKNOWLEDGE, Input.RESET):
            for alarm in self._alarms.values():
                if (alarm.state, what) in TABLE:
                    self._apply(alarm, what, now_s, who)
                elif what is Input.RESET and alarm.worst >= PULL:
                    refusals.append(Refusal(alarm.name, REASONS[alarm.state, what]))
        elif name is None or name not in self._alarms:
            refusals.append(
                Refusal(_plain(name or ""), f"expected one of {', '.join(self._alarms)}")
            )
        else:
            alarm = self._alarms[name]
            fault = REASONS.get((alarm.state, what), "")
            if what is Input.SHELVE and not for_s > 0.0:
                fault = f"found {for_s} s, expected more than 0"
            if fault:
                refusals.append(Refusal(name, fault))
            else:
                self._apply(alarm, what, now_s, who)
                if what is Input.SHELVE:
                    alarm.shelf_s = now_s + min(for_s, self._longest_shelf_s)
        return Answer(self._told(), tuple(refusals))

    def _read(self, alarm: _Alarm, level: float, known: bool) -> None:
        now_s = self._clock.now_s
        rung = int(level) if level in (0.0, 1.0, 2.0, 3.0) else max(1, alarm.level)
        if rung == 0 and not known:
            self._apply(alarm, Input.CONDITION, now_s)
            return
        alarm.level = rung
        if (rung > 0) is alarm.present:
            alarm.pending_s = NEVER
        elif rung or not known:
            alarm.pending_s = now_s
        else:
            alarm.pending_s = min(alarm.pending_s, now_s + self._off_delay_s)
        if alarm.pending_s <= now_s:
            self._flip(alarm, now_s)
        elif alarm.present and rung > alarm.worst:
            alarm.worst = rung
            self._apply(alarm, Input.ESCALATION, now_s)
        else:
            self._apply(alarm, Input.CONDITION, now_s)

    def _flip(self, alarm: _Alarm, at_s: float) -> None:
        alarm.pending_s = NEVER
        alarm.present = not alarm.present
        if alarm.present:
            alarm.worst = max(alarm.worst, alarm.level)
        elif alarm.worst < PULL:
            alarm.worst = 0
        self._apply(alarm, Input.CONDITION, at_s)

    def _fire_due(self) -> None:
        """Work out the delays and shelves that ended since the last call, in their order."""
        while True:
            alarm = min(self._alarms.values(), key=_Alarm.due_s, default=None)
            if alarm is None or alarm.due_s() > self._clock.now_s:
                return
            if alarm.pending_s <= alarm.shelf_s:
                self._flip(alarm, alarm.pending_s)
            else:
                self._apply(alarm, Input.EXPIRY, alarm.shelf_s)

    def _apply(self, alarm: _Alarm, what: Input, at_s: float, who: str = "") -> None:
        before = alarm.state
        if what is Input.RESET:
            alarm.worst = 0
        if alarm.worst >= PULL:
            standing = Standing.PRESENT if alarm.present else Standing.LATCHED
        else:
            suppressed = self._suppressed and alarm.suppressible
            standing = Standing(2 * alarm.present + suppressed)
        after = TABLE[before, what][standing]
        rings_again = what is Input.ESCALATION and after is AlarmState.UNACKNOWLEDGED
        if after is before and not rings_again:
            return
        alarm.state = after
        alarm.since_s = at_s - self._clock.offset_s
        if after is not AlarmState.SHELVED:
            alarm.shelf_s = NEVER
        first_out = False
        if after in ON_THE_LIST:
            if alarm.name not in self._order:
                first_out = not self._order
                self._order.append(alarm.name)
        elif not any(other.state in ON_THE_LIST for other in self._alarms.values()):
            self._order.clear()
        mover = _MOVERS.get(what, Mover.OPERATOR)
        priority = _PRIORITIES[alarm.worst]
        move = (alarm.since_s, alarm.name, before, after, mover, _plain(who), priority, first_out)
        self._news.append(Transition(*move))

    def _told(self) -> tuple[Transition, ...]:
        news = tuple(self._news)
        self._news.clear()
        self._set_due()
        return news

    def _set_due(self) -> None:
        due_s = min((alarm.due_s() for alarm in self._alarms.values()), default=NEVER)
        self._due_s = min(due_s - self._clock.offset_s, TIME_LIMIT_S)
