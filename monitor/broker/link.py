"""The one place that knows aiomqtt: a connection to a broker that looks after itself.

It runs in a thread of its own with a loop of its own: whoever uses it never waits for the broker,
and aiomqtt gets the selector loop it needs on Windows, whatever loop runs elsewhere.
"""

import asyncio
import contextlib
import logging
import secrets
import socket
import struct
import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple

import aiomqtt

from monitor.broker.address import Broker
from monitor.broker.backoff import Backoff
from monitor.broker.packets import PacketReader
from monitor.clock import now_ns
from monitor.wake import WakeUp
from simulator.strict import clean

ANSWER_S: Final = 5.0  # longest wait for a broker's answer
KEEPALIVE_S: Final = 5  # a link that is silently gone shows within twice this
MOST_POSTS: Final = 1000
LAST_POSTS_S: Final = 0.5  # for what is still to be said before leaving
DENIED: Final = 0x80  # MQTT 3.1.1, 3.9.3: the broker's answer to a subscription it doesn't grant
# What brokers and libraries say, by a part of it in lower case; the first that fits.
_PLAIN_WORDS: Final = (
    ("bad user name or password", "wrong user or password"),
    ("not authori", "the broker does not let us in: user, password or access list"),
    ("certificate verify failed", "the broker's certificate is not trusted"),
    ("wrong version number", "no encryption there"),
    ("ssl", "encryption failed"),
    ("connection refused", "nobody listens there"),
    ("name or service not known", "no such host"),
    ("name resolution", "no such host"),
    ("no address associated", "no such host"),
    ("nodename nor servname", "no such host"),
    ("getaddrinfo failed", "no such host"),
    ("timed out", "no answer"),
    ("unreachable", "no way there"),
    ("no route", "no way there"),
    ("server unavailable", "the broker says it is not available"),
    ("connection was lost", "the connection was lost"),
    ("keep alive", "no answer"),
    ("disconnected during", "the connection was lost"),
    ("codec can't decode", "the broker talks nonsense"),
)
_LOGGER: Final = logging.getLogger("flowdebt.mqtt")
_LOGGER.addHandler(logging.NullHandler())
_LOGGER.propagate = False  # a line on standard error would run across the dashboard


class Message(NamedTuple):
    """A message that came in; ``retained`` where the broker kept it from before we came."""

    topic: str
    payload: bytes
    retained: bool
    arrived_ns: int


class Up(NamedTuple):
    """The broker let us in and granted every topic."""


class Down(NamedTuple):
    """There is no connection, and why; the link tries again."""

    why: str


class Post(NamedTuple):
    """A message to send. QoS 0 is dropped where there is no connection, QoS 1 waits for one."""

    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False


class TooLong(NamedTuple):
    """A message that was longer than any of use, and was thrown away; its length in bytes."""

    length: int


LinkEvent = Message | Up | Down | TooLong
Handle = Callable[[LinkEvent], None]


class Denied(Exception):
    """The broker grants a topic to others, not to us."""


def plainly(error: BaseException) -> str:
    """Return what a broker's or library's error means; its own words where that isn't known."""
    said = clean(str(error), 200)
    if isinstance(error, Denied):
        return said
    lower = f"{said} {error.__cause__ or ''}".lower()
    for part, meaning in _PLAIN_WORDS:
        if part in lower:
            return meaning
    return said or type(error).__name__


class MqttLink:
    """A connection that is made again, as often as it takes, until ``stop``.

    Args:
        broker: Where.
        handle: Called on the link's thread with all that happens; must be quick and not raise.
        topics: What to subscribe to, at QoS 0: nothing here is worth a late repetition.
        hints: Further topics, that the broker may deny.
        will: What the broker shall say for us when we are gone without a goodbye.
        backoff: Waits between attempts.

    Attributes:
        dropped: Posts that were never sent: the ring was full, or the connection away.
    """

    def __init__(
        self,
        broker: Broker,
        handle: Handle,
        topics: Sequence[str] = (),
        *,
        hints: Sequence[str] = (),
        will: Post | None = None,
        backoff: Backoff | None = None,
    ) -> None:
        self.dropped = 0
        self._broker = broker
        self._handle = handle
        self._topics = tuple(topics)
        self._hints = tuple(hints)
        self._will = will
        self._backoff = backoff or Backoff()
        self._lock = threading.Lock()
        self._posts: deque[Post] = deque()
        self._stopped = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._wake: WakeUp | None = None
        self._stop = asyncio.Event()
        self._news = asyncio.Event()
        self._thread = threading.Thread(
            target=self._work, name=f"mqtt {broker.host}:{broker.port}", daemon=True
        )

    # --- from any thread ------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self._thread.start()

    def post(self, post: Post) -> None:
        """Send a message when possible; returns at once. The oldest goes where too many wait."""
        with self._lock:
            if self._stopped:
                return
            self._posts.append(post)
            if len(self._posts) > MOST_POSTS:
                self._posts.popleft()
                self.dropped += 1
        self._wake_up()

    @property
    def waiting(self) -> int:
        """How many messages wait to be sent."""
        return len(self._posts)

    def stop(self) -> None:
        """Say what waits to be said, say goodbye, end the thread; returns at once."""
        with self._lock:
            self._stopped = True
        self._wake_up()

    def join(self, within_s: float) -> bool:
        """Wait for the thread's end; return whether it came."""
        if self._thread.is_alive():
            self._thread.join(within_s)
        return not self._thread.is_alive()

    def call_later(self, delay_s: float, function: Callable[[], None]) -> None:
        """Call a function on the link's thread, later. Only from ``handle``."""
        if self._loop is not None:
            self._loop.call_later(delay_s, function)

    def _wake_up(self) -> None:
        if self._wake is not None:
            self._wake.ask()

    def _look(self) -> None:
        """Pass on, on the link's thread, what other threads left for it."""
        self._news.set()
        if self._stopped:
            self._stop.set()

    # --- on the link's thread ---------------------------------------------------------------------

    def _work(self) -> None:
        with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
            runner.run(self._keep_connected())

    async def _keep_connected(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._wake = WakeUp(self._look)
        with self._lock:
            if self._stopped:  # before the loop could be asked to
                return
        while True:
            why = await self._one_connection()
            if self._stop.is_set():
                return
            self._handle(Down(why))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._stop.wait(), self._backoff.wait_s())
                return

    async def _one_connection(self) -> str:
        try:
            async with self._client() as client:
                if self._stop.is_set():
                    return "stopped"
                await self._subscribe(client)
                self._backoff.reset()
                self._forget_stale_posts()
                self._handle(Up())
                await self._serve(client)
        except (
            aiomqtt.MqttError,
            Denied,
            OSError,
            ValueError,
            RuntimeError,
            struct.error,
        ) as error:
            return plainly(error)
        return "stopped"

    def _client(self) -> aiomqtt.Client:
        broker, will = self._broker, self._will
        client = aiomqtt.Client(
            broker.host,
            broker.port,
            username=None if broker.login is None else broker.login.user,
            password=None if broker.login is None else broker.login.password,
            identifier=f"flowdebt-{secrets.token_hex(6)}",
            tls_context=broker.tls,
            will=None if will is None else aiomqtt.Will(*will),
            logger=_LOGGER,
            timeout=ANSWER_S,
            keepalive=KEEPALIVE_S,
            # Else one message in a thousand waits 40 ms for an answer to the one before.
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            queue_type=_handing_over(self._take),
        )
        # The only place where what comes can be bounded before it is held.
        paho: Any = client._client
        paho._sock_recv = PacketReader(paho._sock_recv, lambda n: self._handle(TooLong(n)))
        return client

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        if not self._topics:
            return
        wanted = (*self._topics, *self._hints)
        answers = await client.subscribe([(topic, 0) for topic in wanted])
        denied = [
            topic
            for topic, answer in zip(self._topics, answers, strict=False)
            if getattr(answer, "value", answer) == DENIED
        ]
        if denied:
            raise Denied(f"the broker does not let us read {clean(', '.join(denied), 120)}")

    def _take(self, message: aiomqtt.Message) -> None:
        payload = message.payload
        self._handle(
            Message(
                str(message.topic),
                payload if isinstance(payload, bytes) else b"",
                message.retain,
                now_ns(),
            )
        )

    def _forget_stale_posts(self) -> None:
        with self._lock:
            waiting = len(self._posts)
            self._posts = deque(post for post in self._posts if post.qos)
            self.dropped += waiting - len(self._posts)

    async def _serve(self, client: aiomqtt.Client) -> None:
        """Send and receive until the connection is lost (raises) or we are to stop."""
        self._news.set()
        reading = asyncio.create_task(_until_lost(client))
        posting = asyncio.create_task(self._send_posts(client))
        stopping = asyncio.create_task(self._stop.wait())
        tasks: tuple[asyncio.Task[object], ...] = (reading, posting, stopping)
        done, _ = await asyncio.wait(tasks, return_when="FIRST_COMPLETED")
        if done == {stopping}:
            # Not cut off in the middle: what was sent and not yet answered would be sent again.
            self._news.set()
            done, _ = await asyncio.wait(
                (reading, posting), timeout=LAST_POSTS_S, return_when="FIRST_COMPLETED"
            )
        for task in tasks:
            task.cancel()
        ends = await asyncio.gather(*tasks, return_exceptions=True)
        for task, end in zip(tasks, ends, strict=True):
            if task in done and isinstance(end, Exception):
                raise end

    async def _send_posts(self, client: aiomqtt.Client) -> None:
        while True:
            await self._news.wait()
            self._news.clear()
            while self._posts:
                await self._send_next(client)
            if self._stop.is_set():
                return

    async def _send_next(self, client: aiomqtt.Client) -> None:
        with self._lock:
            post = self._posts[0]
        try:
            # One at a time: a broker that doesn't take them fills our own bounded ring, not the
            # library's unbounded one.
            await client.publish(post.topic, post.payload, post.qos, post.retain)
        except BaseException:
            if not post.qos:
                self._done_with(post)
                self.dropped += 1
            raise
        self._done_with(post)

    def _done_with(self, post: Post) -> None:
        with self._lock:  # unless the ring, being full, has let go of it meanwhile
            if self._posts and self._posts[0] is post:
                self._posts.popleft()


LinkMaker = Callable[..., MqttLink]  # takes what ``MqttLink`` takes


async def _until_lost(client: aiomqtt.Client) -> None:
    """Wait for the connection's end; messages don't come this way."""
    async for _ in client.messages:  # pragma: no cover (see _handing_over)
        pass


def _handing_over(take: Callable[[aiomqtt.Message], None]) -> type[asyncio.Queue[aiomqtt.Message]]:
    """Return a queue that holds nothing: each message goes on the moment it is decoded.

    The library's own queue drops the newest when it is full, and a reader behind it would stamp
    messages late.
    """

    class Handover(asyncio.Queue[aiomqtt.Message]):
        def put_nowait(self, item: aiomqtt.Message) -> None:
            take(item)

    return Handover
