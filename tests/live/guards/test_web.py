"""Visitors over the web: viewers of the one guard, bounded, gone without a trace."""

import asyncio
import os
import signal
import subprocess
import sys
from pathlib import Path

import aiohttp
import pytest

from monitor.attach.client import ViewerLink
from monitor.attach.endpoint import find_endpoint
from monitor.attach.protocol import Command, Frame
from monitor.cli import run
from monitor.guard.process import Order
from monitor.review.review import review
from monitor.web import server
from monitor.web.admission import Admission
from monitor.web.seat import WIDTHS, asked_cells
from monitor.web.server import WebServer, bound_socket
from tests.kit.browser import CHROMIUM, browser
from tests.kit.guards import guard, short_pump_stop
from tests.kit.patience import PATIENCE_S
from tests.kit.visitors import drawn, own_headers, session, visitor_processes, wait_for_end

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks processes up in /proc")


@pytest.fixture(autouse=True)
def own_guards(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let guards of this test be found, and no others."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))


FLOWDEBT = [sys.executable, "-c", "from monitor.cli import main; main()"]
NONSENSE = ("", "no JSON", "[]", "{}", '["stdin", 3]', '["resize", {}]', "[" * 9999)
SLOW = 0.01  # of real time: a guard that lives through the test


@pytest.mark.asyncio
async def test_visitors_watch_one_guard_and_leave_it_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two draw the same guard, a third is refused; q and a closed tab end a view, no more."""
    monkeypatch.setattr(server, "MOST_VISITORS", 2)
    with guard(Order(f"sim:{short_pump_stop(tmp_path)}", speed=SLOW)) as (pid, link):
        async with WebServer(link.endpoint, bound_socket(0)) as running:
            own = own_headers(running.admission.port)
            async with session(running.admission) as http:
                one = await http.ws_connect("/ws?width=100&height=30", headers=own)
                two = await http.ws_connect("/ws?width=huge&height=-1", headers=own)
                with pytest.raises(aiohttp.WSServerHandshakeError, match="503"):
                    await http.ws_connect("/ws", headers=own)
                await asyncio.gather(drawn(one, "Brindle"), drawn(two, "Brindle"))
                processes = visitor_processes(pid)
                assert len(processes) == 2

                for nonsense in NONSENSE:
                    await one.send_str(nonsense)
                await one.send_json(["stdin", "?"])
                await drawn(one, "must not read this screen")
                await one.send_json(["ping", "12"])

                await one.send_json(["stdin", "q"])
                async with asyncio.timeout(PATIENCE_S):
                    async for _ in one:
                        pass
                await two.close()
                async with asyncio.timeout(PATIENCE_S):
                    await running.empty.wait()
            assert all(wait_for_end(process) for process in processes)
            assert running.visitors == 0
        async with link:  # still there, and still at work
            async for message in link.messages():
                if isinstance(message, Frame):
                    break
            else:
                raise AssertionError("the guard is gone")


@pytest.mark.asyncio
async def test_a_server_that_ends_takes_its_visitors_with_it(tmp_path: Path) -> None:
    """Leaving the server closes websockets and ends processes, one that hangs included."""
    with guard(Order(f"sim:{short_pump_stop(tmp_path)}", speed=SLOW)) as (pid, link):
        async with WebServer(link.endpoint, bound_socket(0)) as running:
            http = session(running.admission)
            socket = await http.ws_connect("/ws", headers=own_headers(running.admission.port))
            await drawn(socket, "Brindle")
            (process,) = visitor_processes(pid)
            os.kill(process, signal.SIGSTOP)
            assert running.visitors == 1
        assert wait_for_end(process)
        assert running.visitors == 0
        await http.close()


@pytest.mark.asyncio
async def test_a_guard_that_is_gone_closes_the_view(tmp_path: Path) -> None:
    """A dashboard that can't start ends its websocket instead of leaving it open and empty."""
    with guard(Order(f"sim:{short_pump_stop(tmp_path)}", speed=SLOW)) as (_, link):
        endpoint = link.endpoint
    async with WebServer(endpoint, bound_socket(0)) as running, session(running.admission) as http:
        socket = await http.ws_connect("/ws", headers=own_headers(running.admission.port))
        async with asyncio.timeout(PATIENCE_S):
            assert (await socket.receive()).type is aiohttp.WSMsgType.CLOSE


def started(*arguments: str) -> tuple["subprocess.Popen[str]", Admission]:
    """Start ``flowdebt watch --web``; return it, and how to come in."""
    process = subprocess.Popen(
        [*FLOWDEBT, "watch", *arguments, "--web"], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    address = process.stdout.readline().removeprefix("dashboard at http://127.0.0.1:")
    port, _, token = address.strip().partition("/?token=")
    return process, Admission(int(port), token)


async def visited(
    admission: Admission,
) -> tuple[aiohttp.ClientSession, aiohttp.ClientWebSocketResponse]:
    """Open a websocket as the page does, and wait for the dashboard."""
    http = session(admission)
    socket = await http.ws_connect("/ws", headers=own_headers(admission.port))
    await drawn(socket, "Brindle")
    return http, socket


@pytest.mark.asyncio
async def test_ctrl_c_ends_server_visitors_and_guard_and_finishes_the_recording(
    tmp_path: Path,
) -> None:
    """As on a terminal: one Ctrl-C, nothing left running, a session that reads back."""
    folder = tmp_path / "sessions"
    process, admission = started(
        f"sim:{short_pump_stop(tmp_path)}", "--record", str(folder), "--speed", "0.05"
    )
    with process:
        pid = find_endpoint(None).pid
        http, _socket = await visited(admission)
        (visitor,) = visitor_processes(pid)
        process.send_signal(signal.SIGINT)
        assert await asyncio.to_thread(process.wait, 20) == 0
        await http.close()
        assert process.stdout is not None
        assert f"guard {pid}: stopped with the server" in process.stdout.read()
    assert wait_for_end(visitor, 0.0)
    assert wait_for_end(pid, 0.0)
    (recorded,) = folder.iterdir()
    read = review(recorded, None)
    assert read.cut is None
    assert read.reproduced is True


@pytest.mark.asyncio
async def test_a_killed_server_leaves_no_visitor_but_the_guard(tmp_path: Path) -> None:
    """SIGKILL can't be answered: visitors notice by themselves, and the engine stays watched."""
    process, admission = started(
        f"sim:{short_pump_stop(tmp_path)}", "--no-record", "--speed", "0.01"
    )
    with process:
        endpoint = find_endpoint(None)
        http, _socket = await visited(admission)
        (visitor,) = visitor_processes(endpoint.pid)
        process.kill()
        assert await asyncio.to_thread(wait_for_end, visitor)
        await http.close()
    async with ViewerLink(endpoint) as link:
        link.send(Command("stop"))
        async for _ in link.messages():
            pass
    assert wait_for_end(endpoint.pid)


@pytest.mark.asyncio
async def test_attached_the_guard_outlives_the_server(tmp_path: Path) -> None:
    """``--attach --web`` serves a guard that was there before and stays."""
    with guard(Order(f"sim:{short_pump_stop(tmp_path)}", speed=SLOW)) as (pid, link):
        process, admission = started("--attach", "--pid", str(pid))
        with process:
            http, _socket = await visited(admission)
            process.send_signal(signal.SIGTERM)
            assert await asyncio.to_thread(process.wait, 20) == 0
            await http.close()
        assert visitor_processes(pid) == []
        async with link:
            async for message in link.messages():
                if isinstance(message, Frame):
                    return
        raise AssertionError("the guard is gone")


def test_the_server_ends_with_the_guard_when_nobody_looks(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A log that has run through, without a visitor, leaves nothing to serve."""
    source = f"sim:{short_pump_stop(tmp_path)}"
    assert run(["watch", source, "--web", "--speed", "0", "--no-record"]) == 0
    assert "source ended" in capfd.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "found"),
    [
        (["sim:pump_stop", "--web", "--headless"], "--web: found --headless"),
        (["sim:pump_stop", "--web", "--text"], "--web: found --headless, --text or --json"),
        (["--attach", "--web", "--json"], "--web: found --headless, --text or --json"),
        (["sim:pump_stop", "--web-port", "8000"], "--web-port: found no --web"),
        (["sim:pump_stop", "--web", "--web-port", "65536"], "65536"),
        (["--web"], "found no source"),
        (["sim:nothing", "--web"], "nothing"),
    ],
)
def test_nonsense_is_refused_in_one_line(
    arguments: list[str], found: str, capfd: pytest.CaptureFixture[str]
) -> None:
    """What can't go together, named, before anything is started."""
    assert run(["watch", *arguments]) == 2
    said = capfd.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert found in said.err


def test_sizes_asked_for_are_bounded() -> None:
    """A terminal of a million columns would be a million cells to draw."""
    for nonsense in (None, "", "-5", "1e3", "٣", "9" * 99):
        assert asked_cells(nonsense, 80, WIDTHS) == 80
    assert [asked_cells(text, 80, WIDTHS) for text in ("0", "120", "999999")] == [10, 120, 400]


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")
@pytest.mark.asyncio
async def test_a_real_browser_shows_it(tmp_path: Path) -> None:
    """The page draws, takes keys, asks only this server; a wrong token shows a refusal."""
    with guard(Order(f"sim:{short_pump_stop(tmp_path)}", speed=SLOW)) as (_, link):
        async with (
            WebServer(link.endpoint, bound_socket(0)) as running,
            browser(tmp_path / "profile") as chromium,
        ):
            address = running.admission.address
            one = await chromium.tab(address)
            two = await chromium.tab(address)
            for tab in (one, two):
                await tab.until("document.body.classList.contains('-first-byte')")
            assert running.visitors == 2
            own = f"127.0.0.1:{running.admission.port}/"
            assert {asked.partition("://")[2][: len(own)] for asked in one.asked} == {own}
            assert await one.value("location.href") == f"http://{own}"
            assert await one.value("document.cookie") == ""
            assert [said for said in one.said if "WebGL" not in said] == []

            before = await one.picture()
            await one.press("?")
            while await one.picture() == before:
                pass
            await one.press("q")
            await one.until("document.body.classList.contains('-closed')")
            assert await one.value("document.activeElement.id") == "again"

            wrong = await chromium.tab(address[:-1] + ("A" if address[-1] != "A" else "B"))
            await wrong.until("document.title == 'flowdebt: Refused'")
            await two.press("d")
            async with asyncio.timeout(PATIENCE_S):
                await running.empty.wait()
