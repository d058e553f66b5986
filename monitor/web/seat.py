"""A visitor's seat: the process that draws for one browser, and its certain end."""

import asyncio
import contextlib
import logging
import subprocess
import sys
from collections.abc import AsyncGenerator
from pathlib import Path
from typing import Any, Final

import msgspec
from aiohttp import WSCloseCode, web
from textual_serve.app_service import AppService
from textual_serve.download_manager import DownloadManager

LEAVE_S: Final = 3.0
LONGEST_PING: Final = 64
WIDTHS: Final = (10, 400)  # cells
HEIGHTS: Final = (5, 200)

# The library tells of an application that failed to start in its log; here the page tells.
logging.getLogger("textual-serve").addHandler(logging.NullHandler())
logging.getLogger("textual-serve").propagate = False


class Seat(AppService):
    """Runs a dashboard for one websocket.

    Args:
        told: What the visitor's process is told (see ``monitor.web.visitor``).
        websocket: The browser's, prepared.
        hands_out: Whether files that the dashboard makes may be downloaded.
    """

    def __init__(
        self, told: tuple[str, ...], websocket: web.WebSocketResponse, *, hands_out: bool = False
    ) -> None:
        self._downloads = DownloadManager()
        super().__init__(
            "",
            write_bytes=websocket.send_bytes,
            write_str=websocket.send_str,
            close=self._closed,
            download_manager=self._downloads,
        )
        self._told = told
        self._websocket = websocket
        self._hands_out = hands_out
        self._offered: dict[str, str] = {}

    async def _closed(self) -> None:
        await close(self._websocket)

    async def _open_app_process(
        self, width: int = 80, height: int = 24
    ) -> asyncio.subprocess.Process:
        """Start the dashboard without a shell, and in a session of its own.

        Ctrl-C at our terminal must reach us alone: we end it.
        """
        environment = self._build_environment(width=width, height=height)
        environment["TEXTUAL_DRIVER"] = "monitor.web.driver:VisitorDriver"
        environment["TEXTUAL_FPS"] = "20"  # the dashboard draws ten times a second
        self._process = await asyncio.create_subprocess_exec(
            sys.executable,
            *("-m", "monitor.web.visitor", *self._told),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=environment,
            start_new_session=True,
        )
        self._stdin = self._process.stdin
        return self._process

    async def run(self) -> None:
        """Hand what the dashboard draws to the browser; close when it ends, however it ends."""
        await super().run()
        await close(self._websocket)

    async def on_meta(self, data: bytes) -> None:
        """Obey the goodbye, and offer a file where any may be; no links are opened."""
        match msgspec.json.decode(data, type=dict[str, Any]):
            case {"type": "exit"}:
                await self.remote_close()
            case {"type": "deliver_file_start", "key": str(key), "path": str(path)}:
                if self._hands_out:
                    self._offered[key] = Path(path).name
                    await super().on_meta(data)

    def take_offer(self, key: str) -> str | None:
        """Return the name of the file that was offered under a key, once; None: there is none."""
        return self._offered.pop(key, None)

    def hand_out(self, key: str) -> AsyncGenerator[bytes, None]:
        """Yield the bytes of the file that was offered under a key."""
        return self._downloads.download(key)

    async def take(self, text: str) -> None:
        """Do what the browser says; what is no message of the page's is passed over."""
        try:
            said = msgspec.json.decode(text)
        except (msgspec.MsgspecError, RecursionError):
            return
        match said:
            case ["stdin", str(keys)]:
                await self.send_bytes(keys.encode("utf-8", "replace"))
            case ["resize", {"width": int(width), "height": int(height)}]:
                await self.set_terminal_size(within(width, WIDTHS), within(height, HEIGHTS))
            case ["ping", str(when)] if len(when) <= LONGEST_PING:
                await self._websocket.send_json(["pong", when])
            case ["blur"]:
                await self.blur()
            case ["focus"]:
                await self.focus()

    async def stop(self) -> None:
        """Ask the dashboard to end; end it if it doesn't."""
        leaving = asyncio.create_task(super().stop())
        waits: set[asyncio.Task[Any]] = {leaving}
        process = self._process
        if process is not None:
            waits.add(asyncio.create_task(process.wait()))
        # Not by a timeout around them: the library's task takes its cancelling for a normal end.
        await asyncio.wait(waits, timeout=LEAVE_S)
        if process is not None and process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
        for task in waits:
            task.cancel()
        await asyncio.wait(waits, timeout=LEAVE_S)


async def close(websocket: web.WebSocketResponse, code: int = WSCloseCode.OK) -> None:
    """Close a websocket; a browser that doesn't read is not waited for."""
    with contextlib.suppress(TimeoutError, ConnectionError):
        async with asyncio.timeout(LEAVE_S):
            await websocket.close(code=code)


def within(cells: int, bounds: tuple[int, int]) -> int:
    """Return a number of cells, kept within bounds."""
    return min(bounds[1], max(bounds[0], cells))


def asked_cells(text: str | None, otherwise: int, bounds: tuple[int, int]) -> int:
    """Return the number of cells a query asks for, kept within bounds."""
    if text is None or len(text) > 6 or not (text.isascii() and text.isdigit()):
        return otherwise
    return within(int(text), bounds)
