"""What a guard tells a broker: state, events, health, heartbeat. It never waits for the broker.

Topics under the prefix, JSON with units in the names; each message has ``run`` (this guard's run),
``sequence`` (counts up by one on its topic) and ``time_s`` (the data's own time):

| topic | QoS | retained | when | why so |
|---|---|---|---|---|
| ``state`` | 1 | yes | on change, and each second | a newcomer must see it; worth a repetition, not a loss |
| ``event`` | 1 | no | as findings are raised, worsen, clear | news, once at least; old news misleads |
| ``alarm`` | 1 | no | as alarms move | the same |
| ``health`` | 0 | no | each second | the next one is better than the last one again |
| ``heartbeat`` | 0 | no | ten times a second while it decides | a late heartbeat is worse than none |

The will makes ``state`` read ``gone`` where the guard ends without a goodbye; a broker may take
seconds to notice, so who depends on the guard counts heartbeats, and takes their absence for gone.
The guard listens for its own heartbeat: many a broker takes what its access list forbids and says
nothing (eclipse-mosquitto/mosquitto#547).
"""  # noqa: E501 (a table row is one line)

import secrets
from collections import Counter
from typing import Any, Final

import msgspec
from msgspec import structs

from monitor.attach.listeners import Listener, ListenerFacts, RunningGuard
from monitor.attach.message_parts import DecisionHead
from monitor.attach.protocol import (
    AlarmTurn,
    EventTurn,
    Message,
    Notice,
    Publishing,
    health_of,
)
from monitor.broker.address import broker_from
from monitor.broker.link import Down, LinkEvent, LinkMaker, MqttLink, Post, Up
from monitor.broker.link import Message as BrokerMessage
from monitor.clock import now_s, stamp
from rules.channels import Sample
from rules.explain import status
from rules.facts import Action
from rules.step.state import FINDING_NAMES, Decision

HEARTBEAT_S: Final = 0.1
SLOW_S: Final = 1.0
NO_ECHO_S: Final = 3.0


class Publisher(Listener):
    """Publishes one guard under one prefix.

    Args:
        address: See ``broker_from``.
        source: What the guard reads, by name.
        link: Makes the link.

    Raises:
        BadInput: The address can't be used. (A broker that isn't there is no bad input: the guard
            matters more, and the link keeps trying.)
    """

    def __init__(
        self,
        address: str,
        source: str,
        link: LinkMaker = MqttLink,
    ) -> None:
        broker = broker_from(address)
        self.name = broker.name
        self._source = source
        self._run = secrets.token_hex(4)
        self._counts: Counter[str] = Counter()
        self._topics = {
            name: broker.topic(name) for name in ("state", "event", "alarm", "health", "heartbeat")
        }
        self._guard: RunningGuard | None = None
        self._decision: Decision | None = None
        self._decided = self._decided_before = 0
        self._due_s = self._slow_due_s = 0.0
        self._up_since_s: float | None = None
        self._unanswered_s: float | None = None  # of the first heartbeat since one came back
        self._down_why = "not connected yet"
        self._silent_told = False
        self._news: list[str] = []
        self._done: tuple[float, float] | None = None
        self._health_due_s = 0.0
        gone = self._encoded("state", {"state": "gone", "action": None, "at": stamp()})
        will = Post(self._topics["state"], gone, 1, True)
        self._link = link(broker, self._handle, (self._topics["heartbeat"],), will=will)

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self._link.start()

    # --- listening to the guard -----------------------------------------------------------------

    def opened(self, guard: RunningGuard) -> None:
        """Publish how this guard stands."""
        self._guard = guard

    def decided(self, row: Sample, decision: Decision) -> None:
        """Publish another action or finding at once, other changes at the next tick."""
        self._decision = decision
        self._decided += 1
        if decision.changed:
            done = (decision.action, decision.finding)
            if done != self._done:
                self._done = done
                self._post_state(decision)
            else:
                self._slow_due_s = 0.0

    def handle(self, message: Message) -> None:
        """Publish events and alarms."""
        if isinstance(message, EventTurn):
            facts = {"turn": message.turn, **structs.asdict(message.event)}
            self._post("event", facts, qos=1)
        elif isinstance(message, AlarmTurn):
            self._post("alarm", msgspec.to_builtins(message), qos=1)

    def tick(self) -> None:
        """Publish what is due; report what the link had to say."""
        guard, decision, now = self._guard, self._decision, now_s()
        if guard is None:
            return
        news, self._news = self._news, []
        for text in news:
            guard.report(Notice("publish", text))
        if decision is None:
            return
        if now >= self._due_s and self._decided != self._decided_before:
            self._due_s = now + HEARTBEAT_S
            self._decided_before = self._decided
            facts = {"time_s": decision.time_s, "decided": self._decided}
            if self._unanswered_s is None:
                self._unanswered_s = now
            self._post("heartbeat", {**facts, "action": _word(decision)})
        if now >= self._slow_due_s:
            self._slow_due_s = now + SLOW_S
            self._post_state(decision)
        if now >= self._health_due_s:
            self._health_due_s = now + SLOW_S
            counts = guard.statistics()
            counts.not_published = self._link.dropped
            health = {
                "time_s": decision.time_s,
                "channels": health_of(guard.rig, decision),
                "statistics": counts,
            }
            self._post("health", health)
            self._look_for_echo(guard, now)

    def enter(self, facts: ListenerFacts) -> None:
        """Enter whether the broker is there, and passes on what is published."""
        fault = None
        if self._up_since_s is None:
            fault = self._down_why
        elif self._is_unheard(now_s()):
            fault = "our own heartbeat does not come back"
        facts.publishing.append(Publishing(self.name, fault))

    def ending(self, why: str) -> None:
        """Publish that the guard ended, and why; say goodbye."""
        end = {"state": "ended", "why": why, "action": None, "at": stamp()}
        self._post("state", end, qos=1, retain=True)
        self._link.stop()
        self._link.join(1.0)

    def _post_state(self, decision: Decision) -> None:
        guard = self._guard
        if guard is None:
            return
        finding = int(decision.finding)
        facts = {
            "state": "watching",
            **structs.asdict(DecisionHead.of(guard.rig, decision)),
            "action": _word(decision),
            "finding": FINDING_NAMES[finding] if finding >= 0 else None,
            "status": status(guard.rig, decision),
            "rig": guard.rig.name,
            "source": self._source,
            "outputs": guard.listener_facts().outputs,
            "at": stamp(),
        }
        self._post("state", facts, qos=1, retain=True)

    def _post(
        self, name: str, facts: dict[str, Any], *, qos: int = 0, retain: bool = False
    ) -> None:
        self._link.post(Post(self._topics[name], self._encoded(name, facts), qos, retain))

    def _encoded(self, name: str, facts: dict[str, Any]) -> bytes:
        self._counts[name] += 1
        return msgspec.json.encode({"run": self._run, "sequence": self._counts[name], **facts})

    def _look_for_echo(self, guard: RunningGuard, now: float) -> None:
        if not self._silent_told and self._is_unheard(now):
            self._silent_told = True
            text = (
                f"{self.name}: our own heartbeat does not come back: the broker does not pass on "
                "what we publish, or does not let us read it (access list?)"
            )
            guard.report(Notice("publish", text))

    def _is_unheard(self, now: float) -> bool:
        up_s, sent_s = self._up_since_s, self._unanswered_s
        if up_s is None or sent_s is None:
            return False
        return now - max(up_s, sent_s) > NO_ECHO_S

    # --- on the link's thread ---------------------------------------------------------------------

    def _handle(self, event: LinkEvent) -> None:
        if isinstance(event, BrokerMessage):
            self._unanswered_s = None
        elif isinstance(event, Up):
            self._up_since_s = now_s()
            self._silent_told = False
            self._news.append(f"connected to {self.name}")
        elif isinstance(event, Down):
            if self._up_since_s is not None or not self._silent_told:
                self._silent_told = True
                self._news.append(f"{self.name}: {event.why}; trying again")
            self._up_since_s = None
            self._down_why = event.why


def _word(decision: Decision) -> str:
    return Action(int(decision.action)).word
