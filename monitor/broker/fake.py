"""A broker and links without a network, beside the real ones, for tests. One loop, no threads."""

import asyncio
from collections.abc import Callable, Sequence

from monitor.broker.address import Broker
from monitor.broker.link import Down, Handle, Message, MqttLink, Post, Up
from monitor.clock import now_ns


class FakeBroker:
    """Passes messages on to the links that subscribe to their very topic; keeps retained ones.

    Attributes:
        posts: All that was posted, oldest first.
        refuses: Why it lets nobody in; None lets all in.
    """

    def __init__(self, refuses: str | None = None) -> None:
        self.posts: list[Post] = []
        self.refuses = refuses
        self._retained: dict[str, bytes] = {}
        self._links: list[FakeLink] = []

    def link(
        self,
        broker: Broker,
        handle: Handle,
        topics: Sequence[str] = (),
        *,
        hints: Sequence[str] = (),
        will: Post | None = None,
    ) -> "FakeLink":
        """Return a link to this broker; takes what ``MqttLink`` takes."""
        return FakeLink(self, broker, handle, (*topics, *hints), will)

    def let_in(self, link: "FakeLink") -> None:
        """Connect a link, or say why not."""
        if self.refuses is not None:
            link.handle(Down(self.refuses))
            return
        self._links.append(link)
        link.handle(Up())
        for topic in link.topics:
            if topic in self._retained:
                link.handle(Message(topic, self._retained[topic], True, now_ns()))

    def post(self, post: Post) -> None:
        """Take a message and pass it on."""
        self.posts.append(post)
        if post.retain:
            self._retained[post.topic] = post.payload
        for link in self._links:
            if post.topic in link.topics:
                link.handle(Message(post.topic, post.payload, False, now_ns()))

    def drop(self, link: "FakeLink", why: str | None = None) -> None:
        """End a link; with a reason its will is done and it is told, else it said goodbye."""
        if link not in self._links:
            return
        self._links.remove(link)
        if why is not None:
            if link.will is not None:
                self.post(link.will)
            link.handle(Down(why))

    def restart(self) -> None:
        """Lose every link, forget nothing, let all in again."""
        for link in list(self._links):
            self.drop(link, "the connection was lost")
            self.let_in(link)


class FakeLink(MqttLink):
    """Behaves as ``MqttLink``, on the caller's loop."""

    def __init__(
        self,
        fake: FakeBroker,
        broker: Broker,
        handle: Handle,
        topics: Sequence[str],
        will: Post | None,
    ) -> None:
        super().__init__(broker, handle, topics, will=will)
        self.handle = handle
        self.topics = tuple(topics)
        self.will = will
        self._fake = fake

    def start(self) -> None:
        """Connect."""
        self._fake.let_in(self)

    def post(self, post: Post) -> None:
        """Send a message."""
        self._fake.post(post)

    def stop(self) -> None:
        """Say goodbye."""
        self._fake.drop(self)

    def join(self, within_s: float) -> bool:
        """Say that it has ended."""
        del within_s
        return True

    def call_later(self, delay_s: float, function: Callable[[], None]) -> None:
        """Call a function later."""
        asyncio.get_running_loop().call_later(delay_s, function)
