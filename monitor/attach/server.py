"""Serving viewers at any time, and never waiting for one.

Whoever connects must first say the token. What anyone can make the guard hold or do is bounded:
connections, viewers, the length of a command, commands a second, and what waits to be read.
"""

import asyncio
import contextlib
import hmac
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

import msgspec

from monitor.attach.endpoint import Endpoint
from monitor.attach.protocol import Answer, Command, Frame, Message, decode_command, encode
from monitor.clock import now_s
from simulator.strict import BadInput, called, clean

MOST_VIEWERS: Final = 16
MOST_CONNECTIONS: Final = 64  # with those that have not said the token yet
MOST_WAITING: Final = 200  # messages held for one viewer, 10 s of frames
MOST_UNSENT_BYTES: Final = 1 << 20
FIRST_WORD_S: Final = 5.0
LAST_WORD_S: Final = 1.0
LONGEST_COMMAND: Final = 8192
COMMANDS_A_SECOND: Final = 20.0
COMMANDS_AT_ONCE: Final = 40.0  # a hand on the keys, or a script's first few


class Pace:
    """How long a viewer that says much has to wait: it is read no faster than it may talk.

    Args:
        start_s: Steady time now, s.
    """

    def __init__(self, start_s: float) -> None:
        self._left = COMMANDS_AT_ONCE
        self._at_s = start_s

    def wait_s(self, at_s: float) -> float:
        """Count a line read at a steady time; return how long to read no further, s."""
        gained = (at_s - self._at_s) * COMMANDS_A_SECOND
        self._left = min(COMMANDS_AT_ONCE, self._left + gained) - 1.0
        self._at_s = at_s
        return max(0.0, -self._left / COMMANDS_A_SECOND)


Obey = Callable[[Command, Callable[[Message], None]], None]


class _Viewer:
    def __init__(self, writer: asyncio.StreamWriter) -> None:
        self.writer = writer
        self.waiting: deque[tuple[bytes, bool]] = deque()
        self.news = asyncio.Event()
        self.idle = asyncio.Event()
        self.dropped = 0

    def put(self, line: bytes, *, passing: bool = False) -> None:
        """Queue a line. Where too many wait, the oldest passing one (a frame) goes first."""
        if len(self.waiting) >= MOST_WAITING:
            oldest = next((i for i, (_, goes) in enumerate(self.waiting) if goes), 0)
            del self.waiting[oldest]
            self.dropped += 1
        self.waiting.append((line, passing))
        self.idle.clear()
        self.news.set()


class ViewerServer:
    """Sends every message to every attached viewer. ``first`` is set once there was one.

    A viewer that doesn't read loses its oldest waiting messages, counted; its socket holds at most
    ``MOST_UNSENT_BYTES``, and the guard goes on as if it weren't there.

    Args:
        endpoint: Where to listen; TCP ports are chosen by the system.
        hello: Makes what a new viewer is greeted with.
        obey: Takes a viewer's command, and what answers that viewer alone.

    Attributes:
        endpoint: Where it listens.
        dropped: Messages viewers did not read in time.
        refused: Connections that were one too many, or did not know the token.
    """

    def __init__(
        self, endpoint: Endpoint, hello: Callable[[], Sequence[Message]], obey: Obey
    ) -> None:
        self.endpoint = endpoint
        self.dropped = 0
        self.refused = 0
        self.first = asyncio.Event()
        self._hello = hello
        self._obey = obey
        self._viewers: set[_Viewer] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    @property
    def attached(self) -> int:
        """Number of viewers attached now."""
        return len(self._viewers)

    async def start(self) -> Endpoint:
        """Listen; return the endpoint, with the port where it is TCP.

        A socket that a killed guard left at the endpoint is taken over.

        Raises:
            BadInput: Nothing can listen there.
        """
        if self.endpoint.path:
            try:
                self._server = await asyncio.start_unix_server(
                    self._serve, path=self.endpoint.path, limit=LONGEST_COMMAND
                )
            except OSError as error:  # a path over 107 bytes, or no socket in its place
                raise BadInput(
                    f"{called(self.endpoint.path)}: found {error.strerror or error}, expected a "
                    "place for a socket (FLOWDEBT_RUNTIME_DIR names another folder)"
                ) from None
        else:
            self._server = await asyncio.start_server(
                self._serve, host="127.0.0.1", port=0, limit=LONGEST_COMMAND
            )
            port = self._server.sockets[0].getsockname()[1]
            self.endpoint = replace(self.endpoint, port=port)
        return self.endpoint

    def send(self, message: Message) -> None:
        """Hand a message to every viewer; never waits."""
        if self._viewers:
            line = encode(message)
            passing = isinstance(message, Frame)
            for viewer in self._viewers:
                viewer.put(line, passing=passing)

    async def close(self, last: Message, patience_s: float = 1.0) -> None:
        """Say goodbye, give viewers a moment to read it, and stop listening."""
        self.send(last)
        if self._server is not None:
            self._server.close()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(patience_s):
                for viewer in list(self._viewers):
                    await viewer.idle.wait()
                    with contextlib.suppress(ConnectionError):
                        await viewer.writer.drain()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(self._tasks) >= MOST_CONNECTIONS:
            self.refused += 1
            writer.close()
            return
        task = asyncio.current_task()
        if task is not None:
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        viewer = _Viewer(writer)
        sender: asyncio.Task[None] | None = None
        try:
            if not await self._has_token(reader):
                return
            if len(self._viewers) >= MOST_VIEWERS:
                self.refused += 1
                full = f"found {MOST_VIEWERS} viewers attached, expected fewer: detach one"
                writer.write(encode(Answer("attach", False, full)))
                writer.write_eof()
                async with asyncio.timeout(
                    LAST_WORD_S
                ):  # closed on what is unread, it would be lost
                    while await reader.read(LONGEST_COMMAND):
                        pass
                return
            writer.transport.set_write_buffer_limits(high=MOST_UNSENT_BYTES)
            for message in self._hello():
                viewer.put(encode(message))
            self._viewers.add(viewer)
            self.first.set()
            sender = asyncio.create_task(self._send_waiting(viewer))
            await self._listen(viewer, reader)
        except (ConnectionError, ValueError, TimeoutError, asyncio.CancelledError):
            pass  # gone, talking nonsense, or the guard ends
        finally:
            self._viewers.discard(viewer)
            self.dropped += viewer.dropped
            if sender is not None:
                sender.cancel()
            writer.close()

    async def _listen(self, viewer: _Viewer, reader: asyncio.StreamReader) -> None:
        def answer(message: Message) -> None:
            viewer.put(encode(message))

        pace = Pace(now_s())
        while line := await reader.readline():
            try:
                self._obey(decode_command(line), answer)
            except msgspec.MsgspecError as error:
                answer(Answer("", False, clean(f"found no command: {error}", 200)))
            # Not read, its next lines fill its socket: a flood costs whoever makes it.
            await asyncio.sleep(pace.wait_s(now_s()))

    async def _has_token(self, reader: asyncio.StreamReader) -> bool:
        try:
            async with asyncio.timeout(FIRST_WORD_S):
                line = await reader.readline()
        except ValueError:  # longer than any command
            line = b"?"
        if not line:
            return False
        try:
            command = decode_command(line)
        except msgspec.MsgspecError:
            command = Command("")
        known = hmac.compare_digest(command.token.encode(), self.endpoint.token.encode())
        if known and command.do == "attach":
            return True
        self.refused += 1
        return False

    async def _send_waiting(self, viewer: _Viewer) -> None:
        with contextlib.suppress(ConnectionError):
            while True:
                await viewer.news.wait()
                viewer.news.clear()
                while viewer.waiting:
                    viewer.writer.write(viewer.waiting.popleft()[0])
                    await viewer.writer.drain()
                viewer.idle.set()
