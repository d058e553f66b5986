"""Who may come in over the web: token, Host and Origin, before anything else."""

import asyncio
import contextlib
import re
import socket
from collections.abc import AsyncIterator

import aiohttp
import pytest
import pytest_asyncio
from hypothesis import given
from hypothesis import strategies as some
from multidict import CIMultiDict

from monitor.attach.endpoint import Endpoint
from monitor.web import page, server
from monitor.web.admission import Admission, Refusal
from monitor.web.server import WebServer, bound_socket
from simulator.strict import BadInput
from tests.kit.patience import PATIENCE_S
from tests.kit.visitors import own_headers, session

NOBODY = Endpoint(1, "", 0, "", 'a <script>alert("x")</script> & {source} log')
OPEN = Admission(8000, "right")


def refusal(
    host: str = "127.0.0.1:8000",
    origin: str | None = None,
    *,
    token: str | None = None,
    cookie: str | None = None,
    websocket: bool = False,
) -> Refusal | None:
    """Ask the check about one request."""
    headers = CIMultiDict({"host": host})
    if origin is not None:
        headers["origin"] = origin
    return OPEN.refuse(
        headers,
        {} if token is None else {"token": token},
        {} if cookie is None else {"flowdebt_8000": cookie},
        websocket=websocket,
    )


def test_token_or_cookie_admits() -> None:
    """The page by its address, then by its cookie; localhost and a tunnel's port are us too."""
    assert refusal(token="right") is None
    assert refusal(cookie="right") is None
    assert refusal("localhost:9999", cookie="right") is None
    assert refusal("[::1]:9999", "http://[::1]:9999", cookie="right", websocket=True) is None
    assert refusal(origin="http://127.0.0.1:8000", cookie="right", websocket=True) is None


def test_no_token_no_way() -> None:
    """Without a token, with a wrong one, or with a wrong one beside the right cookie."""
    assert refusal() is Refusal.TOKEN
    assert refusal(token="wrong") is Refusal.TOKEN
    assert refusal(token="") is Refusal.TOKEN
    assert refusal(token="right ") is Refusal.TOKEN
    assert refusal(cookie="wrong") is Refusal.TOKEN
    assert refusal(token="wrong", cookie="right") is Refusal.TOKEN


@pytest.mark.parametrize(
    "host",
    [
        "",
        "evil.example",
        "evil.example:8000",
        "127.0.0.1.evil.example:8000",
        "127.0.0.1:8000@evil.example",
        "127.0.0.1:8000:evil",
        "localhost:٣",
        "localhost.:8000",
        "127.0.0.1" + ":8000" * 100,
    ],
)
def test_other_names_are_refused(host: str) -> None:
    """A name pointed at this machine (DNS rebinding) comes with the right token to no use."""
    assert refusal(host, token="right") is Refusal.HOST


@pytest.mark.parametrize(
    "origin",
    [
        None,
        "",
        "null",
        "http://evil.example",
        "https://127.0.0.1:8000",
        "http://127.0.0.1:8001",
        "http://localhost:8000",
        "http://127.0.0.1:8000.evil.example",
    ],
)
def test_other_pages_open_no_websocket(origin: str | None) -> None:
    """A page from elsewhere, or a sender that doesn't say where from (RFC 6455, section 10.2)."""
    assert refusal(origin=origin, cookie="right", websocket=True) is Refusal.ORIGIN


@given(said=some.text(some.characters(), max_size=60))
def test_whatever_is_said_only_the_token_passes(said: str) -> None:
    """No text, lone surrogates included, breaks the comparison or passes it."""
    assert OPEN.knows(said) is (said == "right")


def test_tokens_are_long_and_each_servers_own() -> None:
    """256 bits out of the system's generator; not shown by repr, which ends up in logs."""
    one, two = Admission(1), Admission(1)
    assert one.token != two.token
    assert len(one.token) >= 43
    assert one.token in one.address
    assert one.token not in repr(one)


@pytest_asyncio.fixture(loop_scope="function")
async def served() -> AsyncIterator[WebServer]:
    """Yield a server of a guard that isn't there; pages need none."""
    async with WebServer(NOBODY, bound_socket(0)) as running:
        yield running


async def bare(running: WebServer, path: str, **headers: str) -> tuple[int, str, dict[str, str]]:
    """Ask for a path without cookies; return status, text and headers."""
    address = f"http://127.0.0.1:{running.admission.port}{path}"
    async with aiohttp.ClientSession() as http, http.get(address, headers=headers) as got:
        return got.status, await got.text(errors="replace"), dict(got.headers)


@pytest.mark.asyncio
async def test_everything_is_refused_without_the_token(served: WebServer) -> None:
    """Page, websocket, static files and what isn't there look alike from outside."""
    for path in ("/", "/?token=wrong", "/ws", "/static/terminal.js", "/nothing", "/static/../x"):
        status, text, headers = await bare(served, path, **own_headers(served.admission.port))
        assert status == 403, path
        assert "whole address" in text
        assert "Set-Cookie" not in headers
    status, text, _ = await bare(served, f"/?token={served.admission.token}", Host="evil.example")
    assert (status, "127.0.0.1 and localhost only" in text) == (403, True)


@pytest.mark.asyncio
async def test_the_page_sets_a_strict_cookie_and_asks_for_nothing_outside(
    served: WebServer,
) -> None:
    """The cookie then opens every file the page names, and the policy names no other place."""
    status, text, headers = await bare(served, f"/?token={served.admission.token}")
    assert status == 200
    cookie = headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert headers["Referrer-Policy"] == "no-referrer"
    assert headers["Cache-Control"] == "no-store"
    allowed = headers["Content-Security-Policy"]
    assert "default-src 'none'" in allowed
    assert f"ws://127.0.0.1:{served.admission.port}" in allowed
    assert "a &lt;script&gt;alert(&quot;x&quot;)&lt;/script&gt; &amp; {source} log" in text
    assert "<script>" not in text
    assert served.admission.token not in text
    async with session(served.admission) as http:
        for name in ("page.css", "page.js", "terminal.css", "terminal.js", "mono.ttf"):
            async with http.get(f"/static/{name}") as got:
                assert got.status == 200, name
                body = await got.read()
                assert len(body) > 200
            if name.endswith(".css"):
                places = re.findall(rb"""(?:url\(|@import)\s*["']?([^"')]+)""", body)
                assert all(place.startswith(b"/static/") for place in places), places
        async with http.get("/static/server.py") as got:
            assert got.status == 404
        async with http.get("/ws", headers=own_headers(served.admission.port)) as got:
            assert got.status == 400  # no websocket is asked for
        async with http.post("/") as got:
            assert got.status == 405


@pytest.mark.asyncio
async def test_a_websocket_needs_our_own_pages_origin(served: WebServer) -> None:
    """The right cookie from another page's websocket is refused before anything is started."""
    async with session(served.admission) as http:
        for origin in ("http://evil.example", "null", ""):
            with pytest.raises(aiohttp.WSServerHandshakeError, match="403"):
                await http.ws_connect("/ws", headers={"Origin": origin})
        with pytest.raises(aiohttp.WSServerHandshakeError, match="403"):
            await http.ws_connect("/ws")
    assert served.visitors == 0


@pytest.mark.parametrize(
    "garbage",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\n\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: evil\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET /?token=\xff HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: " + b"a=b; " * 2000 + b"\r\n\r\n",
    ],
    ids=["not http", "two hosts", "not ascii", "long"],
)
@pytest.mark.asyncio
async def test_garbage_is_answered_and_not_talked_about(
    served: WebServer, garbage: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    """Nobody without a token can fill our terminal with what they sent."""
    reader, writer = await asyncio.open_connection("127.0.0.1", served.admission.port)
    writer.write(garbage)
    async with asyncio.timeout(PATIENCE_S):
        assert b" 400 " in await reader.readline()
    writer.close()
    assert caplog.records == []


@pytest.mark.asyncio
async def test_full_and_ended_are_told_on_the_page(
    served: WebServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where nobody may be seated, the page says so instead of opening and closing."""
    path = f"/?token={served.admission.token}"
    monkeypatch.setattr(server, "MOST_VISITORS", 0)
    status, text, _ = await bare(served, path)
    assert (status, "Close one of them" in text) == (503, True)
    served.ended = True
    status, text, _ = await bare(served, path)
    assert (status, "guard has ended" in text) == (410, True)


def test_a_port_in_use_is_named() -> None:
    """One clear line, before any guard is started."""
    with contextlib.closing(socket.create_server(("127.0.0.1", 0))) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(BadInput, match=f"--web-port: found {port} .*expected a free port"):
            bound_socket(port)


def test_the_policy_is_for_this_server_alone() -> None:
    """No scheme or wildcard that would let a script or a font come from elsewhere."""
    words = page.policy("127.0.0.1:8000").replace(";", " ").split()
    places = [word for word in words if ":" in word or "*" in word]
    assert places == ["data:", "ws://127.0.0.1:8000"]
