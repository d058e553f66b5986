"""A real headless browser for tests, where one is installed; driven over its DevTools protocol."""

import asyncio
import base64
import contextlib
import itertools
import shutil
import signal
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, Final

import aiohttp

from tests.kit.patience import PATIENCE_S

CHROMIUM: Final = shutil.which("chromium") or shutil.which("chromium-browser")
_FLAGS: Final = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-port=0",
    "--window-size=1280,720",
)
_CODES: Final = {"Escape": 27, "ArrowDown": 40, "ArrowUp": 38}


class Tab:
    """One page, in a context (cookies, storage) of its own.

    Attributes:
        asked: Every address the page asked for, websockets included.
        said: What the page complained of on its console.
    """

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self.asked: list[str] = []
        self.said: list[str] = []
        self._socket = socket
        self._numbers = itertools.count(1)
        self._answers: dict[int, asyncio.Future[dict[str, Any]]] = {}

    async def hear(self) -> None:
        """Read what the browser says, until it closes."""
        async for message in self._socket:
            said = message.json()
            if "id" in said:
                self._answers.pop(said["id"]).set_result(said)
                continue
            facts = said["params"]
            match said["method"]:
                case "Network.requestWillBeSent":
                    self.asked.append(facts["request"]["url"])
                case "Network.webSocketCreated":
                    self.asked.append(facts["url"])
                case "Runtime.exceptionThrown":
                    self.said.append(str(facts["exceptionDetails"]))
                case "Log.entryAdded":
                    self.said.append(str(facts["entry"]["text"]))

    async def call(self, method: str, **facts: Any) -> dict[str, Any]:
        """Ask the browser to do something; return its answer."""
        number = next(self._numbers)
        answer = asyncio.get_running_loop().create_future()
        self._answers[number] = answer
        await self._socket.send_json({"id": number, "method": method, "params": facts})
        said: dict[str, Any] = await answer
        assert "error" not in said, (method, said)
        result: dict[str, Any] = said["result"]
        return result

    async def value(self, expression: str) -> Any:
        """Return the value of a JavaScript expression; promises are waited for."""
        said = await self.call(
            "Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True
        )
        return said["result"].get("value")

    async def until(self, condition: str) -> None:
        """Wait until a JavaScript condition holds, looked at on every animation frame."""
        await self.value(
            "new Promise(done => { const look = () => { let held = false;"
            f"try {{ held = {condition} }} catch {{}}"
            "held ? done(true) : setTimeout(look, 30) }; look() })"
        )

    async def press(self, key: str) -> None:
        """Press and release a key."""
        facts = {"key": key, "windowsVirtualKeyCode": _CODES.get(key, ord(key[0].upper()))}
        typed = {} if key in _CODES else {"text": key}
        await self.call("Input.dispatchKeyEvent", type="keyDown", **facts, **typed)
        await self.call("Input.dispatchKeyEvent", type="keyUp", **facts)

    async def picture(self) -> bytes:
        """Return a PNG of the page."""
        said = await self.call("Page.captureScreenshot", format="png")
        return base64.b64decode(said["data"])


class Browser:
    """A headless Chromium; use ``browser`` to get one."""

    def __init__(self, http: aiohttp.ClientSession, port: int) -> None:
        self._http = http
        self._port = port
        self._hearing: list[asyncio.Task[None]] = []

    async def _tab_at(self, path: str) -> Tab:
        socket = await self._http.ws_connect(
            f"ws://127.0.0.1:{self._port}{path}", max_msg_size=64 << 20
        )
        tab = Tab(socket)
        self._hearing.append(asyncio.create_task(tab.hear()))
        return tab

    async def start(self, path: str) -> None:
        """Connect to the browser itself."""
        self._whole = await self._tab_at(path)

    async def tab(self, address: str) -> Tab:
        """Open an address in a new page that shares no cookies with any other."""
        context = (await self._whole.call("Target.createBrowserContext"))["browserContextId"]
        target = await self._whole.call(
            "Target.createTarget", url="about:blank", browserContextId=context
        )
        tab = await self._tab_at(f"/devtools/page/{target['targetId']}")
        for domain in ("Page", "Network", "Runtime", "Log"):
            await tab.call(f"{domain}.enable")
        await tab.call("Emulation.setFocusEmulationEnabled", enabled=True)
        await tab.call("Page.navigate", url=address)
        return tab

    async def stop(self) -> None:
        """Stop listening to it."""
        for task in self._hearing:
            task.cancel()
        await asyncio.gather(*self._hearing, return_exceptions=True)


@contextlib.asynccontextmanager
async def browser(folder: Path) -> AsyncIterator[Browser]:
    """Start a Chromium with a fresh profile in a folder; end it, and what it started, after."""
    assert CHROMIUM is not None
    process = await asyncio.create_subprocess_exec(
        CHROMIUM,
        *_FLAGS,
        f"--user-data-dir={folder}",
        "about:blank",
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
        start_new_session=True,
    )
    try:
        assert process.stderr is not None
        async with asyncio.timeout(PATIENCE_S), aiohttp.ClientSession() as http:
            async for line in process.stderr:
                if b"DevTools listening on " in line:
                    break
            else:
                raise AssertionError("the browser did not start")
            address = line.decode().split(" on ")[1].strip()
            port, _, path = address.removeprefix("ws://127.0.0.1:").partition("/")
            found = Browser(http, int(port))
            await found.start(f"/{path}")
            try:
                yield found
            finally:
                await found.stop()
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.send_signal(signal.SIGTERM)
        try:
            async with asyncio.timeout(PATIENCE_S):
                await process.communicate()
        except TimeoutError:
            process.kill()
            await process.wait()
