"""The server: admits, serves the page, and seats visitors while there is room."""

import asyncio
import contextlib
import logging
import socket
from collections.abc import Awaitable, Callable
from typing import Final

from aiohttp import WSCloseCode, WSMsgType, web
from aiohttp.helpers import content_disposition_header
from aiohttp.http_exceptions import HttpProcessingError

from monitor.attach.drilling import MOST_RIDES
from monitor.attach.endpoint import Endpoint
from monitor.web import page
from monitor.web.admission import Admission
from monitor.web.role import Role
from monitor.web.seat import HEIGHTS, WIDTHS, Seat, asked_cells, close
from monitor.words.look import USUAL, Look
from simulator.strict import BadInput

HOST: Final = "127.0.0.1"
MOST_VISITORS: Final = 8  # each is a process that draws; a guard takes 16 viewers, and a class
LONGEST_MESSAGE: Final = 64 * 1024
HEARTBEAT_S: Final = 15.0
CLOSE_S: Final = 2.0
END_S: Final = 10.0
_FULL: Final = (
    "{} browsers are watching already, which is as many as may. Close one of them, then load this "
    "page again."
)
_ENDED: Final = "The {} has ended, so there is nothing to show any more."
_HEADERS: Final = {
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "Server": "flowdebt",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
_LOG: Final = logging.getLogger("monitor.web")
_Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


def _ours(record: logging.LogRecord) -> bool:
    """Whether a log line tells of a mistake of ours, and not of garbage somebody sent."""
    return record.exc_info is None or not isinstance(record.exc_info[1], HttpProcessingError)


_LOG.addFilter(_ours)


def bound_socket(port: int) -> socket.socket:
    """Return a listening socket on loopback; port 0 takes any free one.

    Raises:
        BadInput: The port can't be had.
    """
    try:
        return socket.create_server((HOST, port), backlog=64)
    except OSError as error:
        raise BadInput(
            f"--web-port: found {port} ({error.strerror}), expected a free port; 0 takes any"
        ) from None


class WebServer:
    """Serves one guard's dashboard to a bounded number of browsers.

    Use as ``async with WebServer(endpoint, listening) as server: ...``; leaving ends every
    visitor's process.

    Args:
        endpoint: The guard, or a class of drills.
        listening: A listening socket; closed at the end.
        look: Units, theme and bell that visitors begin with.
        operator: Who they are taken to be.
        role: What visitors are.

    Attributes:
        admission: Token and checks; holds the address to open.
        ended: Set by whoever learns that the guard has ended; nobody new is seated then.
        empty: Set while nobody is seated.
    """

    def __init__(
        self,
        endpoint: Endpoint,
        listening: socket.socket,
        look: Look = USUAL,
        operator: str = "",
        role: Role = Role.VIEWER,
    ) -> None:
        self.endpoint = endpoint
        self.role = role
        self._look = look
        self._operator = operator
        self.admission = Admission(listening.getsockname()[1])
        self.ended = False
        self.empty = asyncio.Event()
        self.empty.set()
        self._listening = listening
        self._taken = 0
        self._open: set[web.WebSocketResponse] = set()
        self._seats: set[Seat] = set()
        app = web.Application(middlewares=[self._admit])
        app.router.add_get("/", self._page)
        app.router.add_get("/ws", self._watch)
        app.router.add_get("/static/{name}", self._static)
        app.router.add_get("/download/{key}", self._download)
        app.on_response_prepare.append(_dress)
        app.on_shutdown.append(self._send_away)
        self._runner = web.AppRunner(
            app, handle_signals=False, access_log=None, logger=_LOG, shutdown_timeout=END_S
        )

    async def __aenter__(self) -> "WebServer":
        """Start serving."""
        await self._runner.setup()
        await web.SockSite(self._runner, self._listening).start()
        return self

    async def __aexit__(self, *_: object) -> None:
        """Close every websocket, end every visitor's process, stop listening."""
        await self._runner.cleanup()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(END_S):
                await self.empty.wait()

    @property
    def visitors(self) -> int:
        """Number of browsers seated now."""
        return self._taken

    @web.middleware
    async def _admit(self, request: web.Request, handler: _Handler) -> web.StreamResponse:
        refusal = self.admission.refuse(
            request.headers, request.query, request.cookies, websocket=request.path == "/ws"
        )
        if refusal is not None:
            return _refused(403, "Refused", refusal.value)
        try:
            return await handler(request)
        except web.HTTPException as error:
            return _refused(error.status, "Not here", "This server has no such page.")

    def _no_room(self) -> web.Response | None:
        if self.ended:
            return _refused(410, "Ended", _ENDED.format(self.role.of.words))
        most = MOST_RIDES if self.role is Role.TRAINEE else MOST_VISITORS
        if self._taken >= most:
            return _refused(503, "Full", _FULL.format(most))
        return None

    async def _page(self, request: web.Request) -> web.StreamResponse:
        refused = self._no_room()
        if refused is not None:
            return refused
        response = web.Response(
            text=page.page(self.endpoint.source, request.host), content_type="text/html"
        )
        response.set_cookie(
            self.admission.cookie, self.admission.token, httponly=True, samesite="Strict", path="/"
        )
        return response

    async def _static(self, request: web.Request) -> web.StreamResponse:
        found = await asyncio.to_thread(page.static_file, request.match_info["name"])
        if found is None:
            raise web.HTTPNotFound
        return web.Response(body=found[0], content_type=found[1], charset="utf-8")

    async def _download(self, request: web.Request) -> web.StreamResponse:
        """Hand out, once, what a visitor's dashboard offered to its browser."""
        key = request.match_info["key"]
        for seat in tuple(self._seats):
            if (name := seat.take_offer(key)) is not None:
                response = web.StreamResponse()
                response.content_type = "application/octet-stream"
                response.headers["Content-Disposition"] = content_disposition_header(
                    "attachment", filename=name
                )
                await response.prepare(request)
                async for chunk in seat.hand_out(key):
                    await response.write(chunk)
                return response
        raise web.HTTPNotFound

    async def _watch(self, request: web.Request) -> web.StreamResponse:
        websocket = web.WebSocketResponse(
            heartbeat=HEARTBEAT_S, timeout=CLOSE_S, max_msg_size=LONGEST_MESSAGE
        )
        if not websocket.can_prepare(request):
            return _refused(400, "Not here", "Only a websocket can be opened here.")
        refused = self._no_room()
        if refused is not None:
            return refused
        self._taken += 1
        self.empty.clear()
        try:
            await websocket.prepare(request)
            self._open.add(websocket)
            await self._seat(request, websocket)
        finally:
            self._open.discard(websocket)
            self._taken -= 1
            if not self._taken:
                self.empty.set()
        return websocket

    async def _seat(self, request: web.Request, websocket: web.WebSocketResponse) -> None:
        width = asked_cells(request.query.get("width"), 80, WIDTHS)
        height = asked_cells(request.query.get("height"), 24, HEIGHTS)
        told = (str(self.endpoint.pid), self.role, *self._look, self._operator)
        seat = Seat(told, websocket, hands_out=self.role is Role.TRAINEE)
        self._seats.add(seat)
        try:
            await seat.start(width, height)
            async for message in websocket:
                if message.type == WSMsgType.TEXT:
                    await seat.take(message.data)
        finally:
            self._seats.discard(seat)
            await seat.stop()
            await close(websocket)

    async def _send_away(self, _: web.Application) -> None:
        going = (close(websocket, WSCloseCode.GOING_AWAY) for websocket in tuple(self._open))
        await asyncio.gather(*going)


def _refused(status: int, title: str, why: str) -> web.Response:
    return web.Response(status=status, text=page.refused(title, why), content_type="text/html")


async def _dress(request: web.Request, response: web.StreamResponse) -> None:
    response.headers.update(_HEADERS)
    host = request.host if response.status == 200 else HOST
    response.headers["Content-Security-Policy"] = page.policy(host)
