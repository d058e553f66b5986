"""Listening to a device through a broker: its heartbeat, its state, or a message when it acts."""

import threading
from typing import Any, Final

import msgspec

from monitor.broker.address import Broker
from monitor.broker.link import Down, LinkEvent, LinkMaker, Message, MqttLink, Up
from monitor.clock import now_s
from monitor.device.base import HELD, RELEASED, Ear, Heard
from rules.facts import Action
from simulator.strict import BadInput

FORMS: Final = {"form": ("beat", "state", "message")}  # the first is the default
ANSWER_S: Final = 6.0
_TOPIC: Final = {"beat": ("hold",), "state": ("state",), "message": ()}


class _State(msgspec.Struct):
    """What is read of a state: the action; null where there is none to tell."""

    action: Any = None


class TopicEar(Ear):
    """What arrives on a topic; what a broker kept from before is not news.

    The forms: ``beat`` is ``PREFIX/hold`` as ``watch --output mqtt://HOST/PREFIX`` sends it
    (``1,...`` holds, anything else or silence releases); ``state`` is ``PREFIX/state`` as
    ``watch --publish mqtt://HOST/PREFIX`` does (JSON whose ``action`` is no_action, warn,
    pull_timing or cut_boost); ``message`` is any message on ``PREFIX`` itself, for the moment.

    Args:
        broker: Where, with its form.
        silence_s: How long a beat lasts.
        link: Makes the link.
    """

    def __init__(self, broker: Broker, silence_s: float, link: LinkMaker = MqttLink) -> None:
        self._form = broker.options["form"]
        topic = broker.topic(*_TOPIC[self._form])
        self.name = f"{self._form} at {topic} of {broker.host}:{broker.port}"
        self.tells_action = self._form == "state"
        self.heard = Heard(silence_s) if self._form == "beat" else Heard()
        self._answered = threading.Event()
        self._link = link(broker, self._handle, (topic,))

    def open(self) -> None:
        """Connect and subscribe.

        Raises:
            BadInput: The broker is not there, or does not let us read.
        """
        self.heard.fault = "no answer"
        self._link.start()
        self._answered.wait(ANSWER_S)
        if self.heard.fault:
            self.close()
            raise BadInput(
                f"--listen: {self.name}: found {self.heard.fault}, expected a broker that lets us "
                "read there"
            )
        if self._form == "message":
            self.heard.take(now_s(), HELD)  # it says nothing until it acts

    def close(self) -> None:
        """Say goodbye."""
        self._link.stop()
        self._link.join(2.0)

    def _handle(self, event: LinkEvent) -> None:
        """Take what happens to the link, on its thread."""
        if isinstance(event, Up | Down):
            # Later on, what was missed meanwhile may have been the answer: it stays a fault.
            if not self._answered.is_set() or isinstance(event, Down):
                self.heard.fault = event.why if isinstance(event, Down) else ""
            self._answered.set()
        elif isinstance(event, Message) and not event.retained:
            self._take(1e-9 * event.arrived_ns, event.payload)

    def _take(self, at_s: float, payload: bytes) -> None:
        if self._form == "beat":
            self.heard.take(at_s, HELD if payload.partition(b",")[0] == b"1" else RELEASED)
        elif self._form == "message":
            self.heard.take(at_s, RELEASED)
            self.heard.take(at_s, HELD)
        elif (action := _action_of(payload)) is not None:
            self.heard.take(at_s, action)


def _action_of(payload: bytes) -> Action | None:
    """Return the action a state tells; None where it tells none, or is none."""
    try:
        word = msgspec.json.decode(payload, type=_State).action
    except (msgspec.MsgspecError, RecursionError):
        return None
    return next((action for action in Action if action.word == word), None)
