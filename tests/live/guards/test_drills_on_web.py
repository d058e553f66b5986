"""A class of drills in browsers: trainees and instructor, each by an address of their own."""

import asyncio
import contextlib
import signal
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import aiohttp
import pytest

from monitor.attach.client import end_guard, start_class
from monitor.attach.endpoint import runtime_folder
from monitor.attach.order import ClassOrder
from monitor.attach.place import PlaceLink
from monitor.attach.protocol import Command
from monitor.web.role import Role
from monitor.web.server import WebServer, bound_socket
from tests.kit.drills import short_lesson
from tests.kit.patience import PATIENCE_S
from tests.kit.visitors import drawn, own_headers, session

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks processes up in /proc")


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))


@contextlib.asynccontextmanager
async def page_of(server: WebServer) -> AsyncIterator[aiohttp.ClientWebSocketResponse]:
    """Open a server's page, as a browser does."""
    own = own_headers(server.admission.port)
    async with session(server.admission) as http:
        socket = await http.ws_connect("/ws?width=100&height=30", headers=own)
        try:
            yield socket
        finally:
            await socket.close()


async def type_in(socket: aiohttp.ClientWebSocketResponse, text: str) -> None:
    """Type a text and Enter."""
    for letter in f"{text}\r":
        await socket.send_json(["stdin", letter])


def names_in(folder: Path) -> set[str]:
    """Return the names of what is in a folder."""
    return {path.name for path in folder.iterdir()}


async def offered(socket: aiohttp.ClientWebSocketResponse) -> str:
    """Wait for a file to be offered; return its key."""
    async with asyncio.timeout(PATIENCE_S):
        async for message in socket:
            if message.type is aiohttp.WSMsgType.TEXT and "deliver_file_start" in message.data:
                return str(message.json()[1])
    raise AssertionError("no file was offered")


@pytest.mark.asyncio
async def test_trainees_and_instructor_meet_in_browsers(tmp_path: Path) -> None:
    """Whoever has the trainees' address drives under an alias, and sees no truth before the end."""
    order = ClassOrder([str(short_lesson(tmp_path))], instructed=True, speed=4.0)
    process, endpoint = await asyncio.to_thread(start_class, order)
    try:
        async with (
            WebServer(endpoint, bound_socket(0), role=Role.TRAINEE) as trainees,
            WebServer(endpoint, bound_socket(0), role=Role.INSTRUCTOR) as teachers,
            page_of(trainees) as ann,
            page_of(trainees) as ben,
            page_of(teachers) as teacher,
        ):
            assert trainees.admission.token != teachers.admission.token
            told = await drawn(ann, "alias")
            await type_in(ann, "ann")
            told += await drawn(ann, "One pull")
            await drawn(ben, "alias")
            await type_in(ben, "ben")
            await drawn(ben, "One pull")
            seen = await drawn(teacher, "ann", "ben")
            assert "pump" in seen  # the truth
            async with asyncio.timeout(PATIENCE_S):
                async with PlaceLink(endpoint, "instruct") as link:
                    link.send(Command("begin"))
                    told += await drawn(ann, "kPa")
            told += await drawn(ann, "pump stops")  # the debriefing
            before, _, _ = told.partition("pump stops")
            assert "pump_stop" not in before
            assert "lost its drive" not in before
    finally:
        await asyncio.to_thread(end_guard, process)


@pytest.mark.asyncio
async def test_a_browser_downloads_its_debrief_and_nothing_is_written_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page comes once, to whoever may come in; where the class runs there is no new file."""
    monkeypatch.chdir(tmp_path)
    lesson = str(short_lesson(tmp_path))
    before = names_in(tmp_path)
    process, endpoint = await asyncio.to_thread(start_class, ClassOrder([lesson], speed=20.0))
    try:
        async with (
            WebServer(endpoint, bound_socket(0), role=Role.TRAINEE) as server,
            page_of(server) as ann,
            session(server.admission) as http,
        ):
            await drawn(ann, "alias")
            await type_in(ann, "ann")
            await drawn(ann, "READY")
            await ann.send_json(["stdin", " "])
            await drawn(ann, "pump stops")
            await ann.send_json(["stdin", "w"])
            where = f"/download/{await offered(ann)}"
            async with http.get(where) as response:
                page = await response.text()
                assert response.status == 200
                assert response.headers["Content-Disposition"].startswith("attachment; filename")
            assert "lost its drive" in page
            for key in (where, "/download/", "/download/x"):
                async with http.get(key) as response:
                    assert response.status == 404
    finally:
        await asyncio.to_thread(end_guard, process)
    assert names_in(tmp_path) - before <= {"run"}


OWN = """
import sys
from monitor.attach.endpoint import runtime_folder
from monitor.attach.order import ClassOrder
from monitor.web.serving import serve_own_class
from monitor.words.look import USUAL
sys.exit(serve_own_class(ClassOrder([sys.argv[1]], instructed=True), 0, USUAL))
"""


def test_ctrl_c_ends_servers_and_class(tmp_path: Path) -> None:
    """Trainees and instructor are told apart by address, port and token; nothing is left behind."""
    process = subprocess.Popen(
        [sys.executable, "-c", OWN, str(short_lesson(tmp_path))],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    said = [process.stdout.readline() for _ in range(5)]
    process.send_signal(signal.SIGINT)
    rest, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    assert said[0].startswith("drill at http://127.0.0.1:")
    assert said[2].startswith("instructor at http://127.0.0.1:")
    assert said[0].split(":")[-1] != said[2].split(":")[-1]
    assert "and the class." in said[4]
    assert "stopped with the server" in rest
    assert list(runtime_folder().iterdir()) == []
