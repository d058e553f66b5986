"""What there is to say about decisions: events, alarms that moved, likely causes."""

from collections import deque
from collections.abc import Sequence
from typing import Final

from monitor.attach.message_parts import EventFacts
from monitor.attach.protocol import CauseLine, EventTurn, Message, Notice
from monitor.guard.alarm_desk import AlarmDesk
from monitor.guard.cause_desk import CauseDesk
from rules.events import Event, EventTracker, Turn
from rules.facts import Rig
from rules.step.state import Decision

MOST_EVENTS: Final = 50


class News:
    """Turns decisions into messages. Nothing here flows back into a decision.

    Args:
        rig: The rig.

    Attributes:
        alarms: The alarm list.
        causes: The ranking of causes.
        events: The newest events, oldest first.
    """

    def __init__(self, rig: Rig) -> None:
        self._tracker = EventTracker(rig)
        self.alarms = AlarmDesk(rig.command.start_boost_kpa)
        self.causes = CauseDesk(rig)
        self.events: deque[Event] = deque(maxlen=MOST_EVENTS)

    def feed(self, decision: Decision) -> Sequence[Message]:
        """Take a decision; return what there is to say of it. Quick where there is nothing."""
        messages: list[Message] = []
        if decision.changed:  # as nearly never
            for turn, event in self._tracker.feed(decision):
                if turn is Turn.RAISED:
                    self.events.append(event)
                messages.append(EventTurn(turn, EventFacts.of(event), event.check_first))
        moved = self.alarms.feed(decision)
        self.causes.feed(decision)
        return [*messages, *moved] if messages else moved

    def due(self, time_s: float) -> list[Message]:
        """Do the reckoning that decisions don't wait for; return what came of it."""
        messages: list[Message] = []
        if self.causes.work():
            messages.append(CauseLine(time_s, self.causes.ranked))
        messages += [Notice("rig", words) for words in self.causes.of_rig()]
        return messages

    def change(self, rig: Rig) -> None:
        """Speak by another rig from the next decision on."""
        self._tracker.change(rig)
        self.causes.change(rig)
        self.alarms.change(rig.command.start_boost_kpa)

    def finish(self, decision: Decision) -> tuple[Event, ...]:
        """Return the events that stand open at the end, whole up to the last decision."""
        self._tracker.finish(decision)
        return self._tracker.open_events
