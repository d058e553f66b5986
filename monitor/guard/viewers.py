"""Serving viewers: any number, at any time, and never waiting for one."""

import asyncio
import contextlib
import hmac
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import msgspec

from monitor.guard.place import Place
from monitor.guard.protocol import Command, Frame, Message, decode_command, encode

MOST_VIEWERS: Final = 16
MOST_WAITING: Final = 200  # messages held for one viewer, 10 s of frames
MOST_UNSENT_BYTES: Final = 1 << 20
FIRST_WORD_S: Final = 5.0
LONGEST_COMMAND: Final = 512


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
        place: Where to listen; TCP ports are chosen by the system.
        hello: Makes the greeting for a new viewer.
        obey: Takes a viewer's command.
    """

    def __init__(
        self, place: Place, hello: Callable[[], Message], obey: Callable[[Command], None]
    ) -> None:
        self.place = place
        self.dropped = 0
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

    async def start(self) -> Place:
        """Listen; return the place, with the port where it is TCP."""
        if self.place.path:
            self._server = await asyncio.start_unix_server(
                self._serve, path=self.place.path, limit=LONGEST_COMMAND
            )
        else:
            self._server = await asyncio.start_server(
                self._serve, host="127.0.0.1", port=0, limit=LONGEST_COMMAND
            )
            port = self._server.sockets[0].getsockname()[1]
            self.place = replace(self.place, port=port)
        return self.place

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
        task = asyncio.current_task()
        if task is not None:
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        viewer = _Viewer(writer)
        sender: asyncio.Task[None] | None = None
        try:
            if len(self._viewers) >= MOST_VIEWERS or not await self._has_token(reader):
                return
            writer.transport.set_write_buffer_limits(high=MOST_UNSENT_BYTES)
            viewer.put(encode(self._hello()))
            self._viewers.add(viewer)
            self.first.set()
            sender = asyncio.create_task(self._send_waiting(viewer))
            while line := await reader.readline():
                with contextlib.suppress(msgspec.MsgspecError):
                    self._obey(decode_command(line))
        except (ConnectionError, ValueError, TimeoutError, asyncio.CancelledError):
            pass  # gone, talking nonsense, or the guard ends
        finally:
            self._viewers.discard(viewer)
            self.dropped += viewer.dropped
            if sender is not None:
                sender.cancel()
            writer.close()

    async def _has_token(self, reader: asyncio.StreamReader) -> bool:
        async with asyncio.timeout(FIRST_WORD_S):
            line = await reader.readline()
        try:
            command = decode_command(line)
        except msgspec.MsgspecError:
            return False
        return command.do == "attach" and hmac.compare_digest(
            command.token.encode(), self.place.token.encode()
        )

    async def _send_waiting(self, viewer: _Viewer) -> None:
        with contextlib.suppress(ConnectionError):
            while True:
                await viewer.news.wait()
                viewer.news.clear()
                while viewer.waiting:
                    viewer.writer.write(viewer.waiting.popleft()[0])
                    await viewer.writer.drain()
                viewer.idle.set()
