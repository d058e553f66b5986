"""A heartbeat through a broker, on the topic ``PREFIX/hold``.

No broker promises a time, so this is for things that may take a while (a lamp, a pit wall), never
the only way to an engine.
"""

import threading

from monitor.broker.address import broker_from
from monitor.broker.link import Down, LinkEvent, MqttLink, Post, Up
from monitor.clock import now_s
from monitor.outputs.base import OutputFault


class BeatTopic:
    """Messages ``1,TIME,NUMBER`` while held, ``0,TIME,NUMBER`` while released, QoS 0.

    TIME is the keeper's steady clock, s; NUMBER counts up by one. The will, which the broker says
    for us where we are gone, is ``0``. Nothing is retained: an old "held" would be a lie.
    """

    def __init__(self, address: str) -> None:
        broker = broker_from(address)
        self.name = f"heartbeat at {broker.topic('hold')} of {broker.host}:{broker.port}"
        self._broker = broker
        self._topic = broker.topic("hold")
        self._number = 0
        self._fault: str | None = None
        self._link: MqttLink | None = None
        self._answered = threading.Event()

    def open(self) -> None:
        """Connect.

        Raises:
            OutputFault: The broker is not there, or does not let us in.
        """
        self._answered.clear()
        self._fault = "no answer"
        self._link = MqttLink(self._broker, self._handle, will=Post(self._topic, b"0"))
        self._link.start()
        self._answered.wait(6.0)
        if self._fault is not None:
            fault = self._fault
            self.close()
            raise OutputFault(f"{self.name}: {fault}")

    def beat(self, held: bool) -> None:
        """Post one message; the link sends it from a thread of its own.

        Raises:
            OutputFault: There is no connection.
        """
        if self._link is None or self._fault is not None:
            raise OutputFault(f"{self.name}: {self._fault or 'not open'}")
        self._number += 1
        self._link.post(Post(self._topic, b"%d,%.3f,%d" % (held, now_s(), self._number)))

    def close(self) -> None:
        """Say that it is released, and goodbye."""
        link, self._link = self._link, None
        if link is None:
            return
        if self._fault is None:
            self._number += 1
            link.post(Post(self._topic, b"0,%.3f,%d" % (now_s(), self._number)))
        link.stop()
        link.join(1.0)

    def _handle(self, event: LinkEvent) -> None:
        if isinstance(event, Up):
            self._fault = None
        elif isinstance(event, Down):
            self._fault = event.why
        self._answered.set()
