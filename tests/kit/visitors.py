"""Browsers' visits without a browser: processes found and awaited, websockets opened."""

import asyncio
import os
import select
from pathlib import Path

import aiohttp
from yarl import URL

from monitor.web.admission import Admission
from tests.kit.patience import PATIENCE_S


def visitor_processes(guard: int) -> list[int]:
    """Return the processes that draw for visitors of this guard."""
    wanted = f"-m\0monitor.web.visitor\0{guard}\0".encode()
    found = []
    for folder in Path("/proc").iterdir():
        try:
            if folder.name.isdigit() and wanted in (folder / "cmdline").read_bytes():
                found.append(int(folder.name))
        except OSError:  # it ended meanwhile
            continue
    return found


def wait_for_end(pid: int, within_s: float = 20.0) -> bool:
    """Wait until a process ends; return whether it did in time."""
    try:
        handle = os.pidfd_open(pid)
    except ProcessLookupError:
        return True
    try:
        return bool(select.select([handle], [], [], within_s)[0])
    finally:
        os.close(handle)


def own_headers(port: int) -> dict[str, str]:
    """Return what the page's own websocket comes with."""
    return {"Origin": f"http://127.0.0.1:{port}"}


def session(admission: Admission) -> aiohttp.ClientSession:
    """Return a client that has been given the cookie."""
    jar = aiohttp.CookieJar(unsafe=True)  # addresses by number get cookies only so
    jar.update_cookies(
        {admission.cookie: admission.token}, URL(f"http://127.0.0.1:{admission.port}/")
    )
    return aiohttp.ClientSession(f"http://127.0.0.1:{admission.port}", cookie_jar=jar)


async def drawn(socket: aiohttp.ClientWebSocketResponse, *words: str) -> str:
    """Read what is drawn until all these words were; return it, with the terminal's codes."""
    seen = ""
    async with asyncio.timeout(PATIENCE_S):
        while not all(word in seen for word in words):
            message = await socket.receive()
            assert message.type in (aiohttp.WSMsgType.BINARY, aiohttp.WSMsgType.TEXT), message
            if message.type is aiohttp.WSMsgType.BINARY:
                seen += message.data.decode()
    return seen
