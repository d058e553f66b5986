"""The viewers' socket: who gets in, and what those who do can cost the guard."""

import asyncio
import contextlib
import json
import os
import socket
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import asdict, replace
from pathlib import Path

import pytest

from monitor.attach import endpoint as endpoints
from monitor.attach import server as viewers_module
from monitor.attach.ask import ask, look
from monitor.attach.client import ViewerLink
from monitor.attach.endpoint import (
    Endpoint,
    find_endpoint,
    new_endpoint,
    publish,
    running_endpoints,
)
from monitor.attach.protocol import (
    LONGEST_PATH,
    Answer,
    Bye,
    Command,
    Ending,
    Frame,
    Hello,
    Message,
    encode,
)
from monitor.attach.server import (
    COMMANDS_A_SECOND,
    COMMANDS_AT_ONCE,
    LONGEST_COMMAND,
    MOST_CONNECTIONS,
    MOST_UNSENT_BYTES,
    MOST_VIEWERS,
    MOST_WAITING,
    Pace,
    ViewerServer,
)
from monitor.commands.alarm_list import run_alarms
from simulator.strict import BadInput
from tests.kit.patience import PATIENCE_S
from tests.kit.screen_messages import event, event_turn, statistics
from tests.kit.screen_script import frame, hello, rows

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX sockets")

TOKEN = "the right word"
_clients: list[asyncio.StreamWriter] = []
BIG = frame("No action.", rows(10.0, 14.0), 1)


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))


def greeting() -> list[Message]:
    """Return what a viewer is greeted with."""
    return [hello()]


class Served:
    """A server on its own, and what it was told."""

    def __init__(self, endpoint: Endpoint) -> None:
        self.heard: list[Command] = []
        self.news = asyncio.Event()
        self.server = ViewerServer(endpoint, greeting, self._obey)

    def _obey(self, command: Command, answer: Callable[[Message], None]) -> None:
        self.heard.append(command)
        answer(Answer(command.do, True, "heard"))
        self.news.set()


@asynccontextmanager
async def served(endpoint: Endpoint | None = None) -> AsyncIterator[Served]:
    """Serve viewers until the end of a test."""
    made = Served(endpoint or replace(new_endpoint("test"), token=TOKEN))
    made.server.endpoint = await made.server.start()
    try:
        yield made
    finally:
        await made.server.close(Bye(Ending.STOPPED, "test", statistics()), patience_s=0.01)
        while _clients:
            writer = _clients.pop()
            writer.transport.abort()
            with contextlib.suppress(OSError):
                await writer.wait_closed()


async def until_so(condition: Callable[[], bool]) -> None:
    """Let the loop run until something is so."""
    for _ in range(100_000):
        if condition():
            return
        await asyncio.sleep(0)
    raise AssertionError("it did not come about")


async def connected(endpoint: Endpoint) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Connect, saying nothing yet."""
    if endpoint.path:
        reader, writer = await asyncio.open_unix_connection(endpoint.path, limit=1 << 22)
    else:
        reader, writer = await asyncio.open_connection("127.0.0.1", endpoint.port, limit=1 << 22)
    _clients.append(writer)
    return reader, writer


async def attached(endpoint: Endpoint) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Connect and attach."""
    reader, writer = await connected(endpoint)
    writer.write(encode(Command("attach", TOKEN)))
    assert json.loads(await reader.readline())["kind"] == "hello"
    return reader, writer


@pytest.mark.parametrize(
    "word",
    [
        encode(Command("attach", "another word")),
        encode(Command("attach", TOKEN[:-1])),
        encode(Command("attach", TOKEN + "x")),
        encode(Command("attach", "")),
        encode(Command("stop", TOKEN)),
        b'{"do":"attach"}\n',
        b'{"do":"attach","token":7}\n',
        b'{"do":"attach","token":"\\ud800"}\n',
        b"[]\n",
        b"\n",
        b"\xff\xfe\x00 no text at all\n",
        b"x" * (LONGEST_COMMAND + 1000),
    ],
)
@pytest.mark.asyncio
async def test_without_the_token_nothing_is_said(word: bytes) -> None:
    """Not a byte comes back, the door closes, and it is counted."""
    async with served() as one, asyncio.timeout(PATIENCE_S):
        reader, writer = await connected(one.server.endpoint)
        writer.write(word)
        with contextlib.suppress(ConnectionError):
            assert await reader.read() == b""
        writer.close()
        assert one.server.attached == 0
        assert one.server.refused == 1
        assert one.heard == []


@pytest.mark.asyncio
async def test_tokens_are_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """The comparison is hmac's, whatever the word is, so that its time tells nothing."""
    compared: list[tuple[bytes, bytes]] = []

    def compare(given: bytes, right: bytes) -> bool:
        compared.append((given, right))
        return given == right

    monkeypatch.setattr("hmac.compare_digest", compare)
    async with served() as one:
        for do, word in (("attach", "wrong"), ("stop", "wrong"), ("attach", TOKEN)):
            reader, writer = await connected(one.server.endpoint)
            writer.write(encode(Command(do, word)))
            await reader.readline()
    assert compared == [(t.encode(), TOKEN.encode()) for t in ("wrong", "wrong", TOKEN)]


@pytest.mark.asyncio
async def test_whoever_says_nothing_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """A connection without a word ends by itself, and only so many are held."""
    monkeypatch.setattr(viewers_module, "FIRST_WORD_S", PATIENCE_S)
    async with served() as one, asyncio.timeout(PATIENCE_S):
        silent = [await connected(one.server.endpoint) for _ in range(MOST_CONNECTIONS + 8)]
        await until_so(lambda: one.server.refused == 8)
        for _, writer in silent:
            writer.close()
        greeting = b""
        while not greeting:  # until there is room again
            reader, writer = await connected(one.server.endpoint)
            with contextlib.suppress(ConnectionError):
                writer.write(encode(Command("attach", TOKEN)))
                greeting = await reader.readline()
    monkeypatch.setattr(viewers_module, "FIRST_WORD_S", 0.2)
    async with served() as one, asyncio.timeout(PATIENCE_S):
        reader, _ = await connected(one.server.endpoint)
        assert await reader.read() == b""


@pytest.mark.asyncio
async def test_only_so_many_viewers(monkeypatch: pytest.MonkeyPatch) -> None:
    """One too many is told so, in words; when one leaves there is room. All came at once."""
    monkeypatch.setattr(viewers_module, "MOST_VIEWERS", 3)
    async with served() as one, asyncio.timeout(PATIENCE_S):
        links = [await connected(one.server.endpoint) for _ in range(4)]
        for _, writer in links:
            writer.write(encode(Command("attach", TOKEN)))
        first = [json.loads(await reader.readline()) for reader, _ in links]
        assert sorted(message["kind"] for message in first) == ["answer", "hello", "hello", "hello"]
        told = next(message for message in first if message["kind"] == "answer")
        assert not told["done"]
        assert f"found {MOST_VIEWERS - 13} viewers attached" in told["text"]
        publish(one.server.endpoint)
        with pytest.raises(BadInput, match="3 viewers attached, expected fewer"):
            await asyncio.to_thread(ask, None, Command("reload"))
        links[0][1].close()
        await until_so(lambda: one.server.attached == 2)
        await attached(one.server.endpoint)


@pytest.mark.asyncio
async def test_an_overlong_command_ends_its_viewer_alone() -> None:
    """A line beyond the limit closes that connection; others go on; long values are refused."""
    async with served() as one, asyncio.timeout(PATIENCE_S):
        good_reader, good = await attached(one.server.endpoint)
        reader, writer = await attached(one.server.endpoint)
        writer.write(b'{"do":"acknowledge","alarm":"' + b"x" * 100 + b'"}\n')
        assert "length <= 64" in json.loads(await reader.readline())["text"]
        writer.write(encode(Command("reload", rig="x" * (LONGEST_PATH + 1))))
        assert f"length <= {LONGEST_PATH}" in json.loads(await reader.readline())["text"]
        writer.write(b'{"do":"' + b"x" * (3 * LONGEST_COMMAND))
        with contextlib.suppress(ConnectionError):
            assert await reader.read() == b""
        good.write(encode(Command("acknowledge")))
        assert json.loads(await good_reader.readline())["do"] == "acknowledge"
        assert [command.do for command in one.heard] == ["acknowledge"]
        assert one.server.attached == 1


def test_a_flood_is_paced_and_a_hand_is_not() -> None:
    """The first commands cost no wait; after that the rate is the limit; a pause fills up again."""
    pace = Pace(0.0)
    assert [pace.wait_s(0.0) for _ in range(int(COMMANDS_AT_ONCE))] == [0.0] * 40
    assert pace.wait_s(0.0) == pytest.approx(1.0 / COMMANDS_A_SECOND)
    at_s, told = 0.0, 0
    pace = Pace(0.0)
    while at_s < 100.0:
        at_s += pace.wait_s(at_s)
        told += 1
    assert told == pytest.approx(100.0 * COMMANDS_A_SECOND + COMMANDS_AT_ONCE, abs=2.0)
    assert pace.wait_s(at_s + 1000.0) == 0.0


@pytest.mark.asyncio
async def test_a_flooding_viewer_costs_itself() -> None:
    """Of thousands of commands only the first few are heard at once; others are served."""
    async with served() as one, asyncio.timeout(PATIENCE_S):
        _, flooding = await attached(one.server.endpoint)
        reader, writer = await attached(one.server.endpoint)
        flooding.write(encode(Command("acknowledge")) * 20_000)
        while len(one.heard) < COMMANDS_AT_ONCE:
            one.news.clear()
            await one.news.wait()
        for _ in range(20):
            writer.write(encode(Command("rates")))
            assert json.loads(await reader.readline())["do"] == "rates"
        flood = sum(command.do == "acknowledge" for command in one.heard)
        assert flood <= 2 * COMMANDS_AT_ONCE


@pytest.mark.asyncio
async def test_a_slow_reader_loses_frames_and_keeps_events() -> None:
    """What one viewer does not read is bounded and counted; events outlive frames."""
    async with served() as one, asyncio.timeout(PATIENCE_S):
        reader, _ = await attached(one.server.endpoint)
        reader._transport.pause_reading()  # type: ignore[attr-defined]
        (viewer,) = one.server._viewers
        sent = 0
        while viewer.dropped == 0:  # until socket and buffers are full
            one.server.send(BIG)
            sent += 1
            await asyncio.sleep(0)
        unsent = viewer.writer.transport.get_write_buffer_size()
        assert unsent <= MOST_UNSENT_BYTES + len(encode(BIG))
        for i in range(20):
            one.server.send(event_turn("raised", event(time_s=float(i))))
            one.server.send(BIG)
        for _ in range(500):
            one.server.send(BIG)
        assert len(viewer.waiting) == MOST_WAITING
        reader._transport.resume_reading()  # type: ignore[attr-defined]
        turns: list[float] = []
        frames = 0
        while len(turns) < 20:
            message = json.loads(await reader.readline())
            frames += message["kind"] == "frame"
            if message["kind"] == "event":
                turns.append(message["event"]["time_s"])
        assert turns == [float(i) for i in range(20)]
        assert frames < sent


@pytest.mark.asyncio
async def test_nobody_can_listen_from_outside() -> None:
    """Where there is no AF_UNIX it is loopback; the other is a file only its owner can reach."""
    loopback = Endpoint(os.getpid(), "", 0, TOKEN, "test")
    async with served(loopback) as one:
        assert one.server.endpoint.port > 0
        assert one.server._server is not None
        names = [made.getsockname()[0] for made in one.server._server.sockets]
        assert names == ["127.0.0.1"]
        reader, _ = await attached(one.server.endpoint)
        assert not reader.at_eof()
    async with served() as one:
        folder = Path(one.server.endpoint.path).parent
        assert folder.stat().st_mode & 0o077 == 0
        assert publish(one.server.endpoint).stat().st_mode & 0o077 == 0


def put_a_folder_at(place: Path) -> None:
    """Put a folder where a socket may have been."""
    place.unlink(missing_ok=True)
    place.mkdir()


@pytest.mark.asyncio
async def test_a_socket_left_behind_is_taken_over() -> None:
    """A killed guard's socket file is no obstacle; anything else in its place is said."""
    endpoint = replace(new_endpoint("test"), token=TOKEN)
    with contextlib.closing(socket.socket(socket.AF_UNIX)) as dead:
        dead.bind(endpoint.path)
    async with served(endpoint) as one:
        await attached(one.server.endpoint)
    put_a_folder_at(Path(endpoint.path))
    with pytest.raises(BadInput, match=r"expected a place for a socket"):
        await ViewerServer(endpoint, greeting, lambda *_: None).start()
    long = replace(endpoint, path=f"{Path(endpoint.path).parent}/{'x' * 120}.sock")
    with pytest.raises(BadInput, match="AF_UNIX path too long"):
        await ViewerServer(long, greeting, lambda *_: None).start()


@pytest.mark.asyncio
async def test_a_process_with_a_dead_guards_number_is_no_guard() -> None:
    """An endpoint is a guard's only while somebody listens; a leftover hides no living one."""
    async with served() as one:
        publish(one.server.endpoint)
        living = one.server.endpoint
        left = replace(living, pid=os.getppid(), path=living.path + ".old")
        with contextlib.closing(socket.socket(socket.AF_UNIX)) as dead:
            dead.bind(left.path)
        file = publish(left)
        os.utime(file, (4e9, 4e9))  # the newest
        found = await asyncio.to_thread(running_endpoints)
        assert [endpoint.path for endpoint in found] == [one.server.endpoint.path]
        assert not file.exists()
        assert (await asyncio.to_thread(find_endpoint, None)).pid == os.getpid()
        await attached(one.server.endpoint)  # by now the probes have come and gone
        await until_so(lambda: len(one.server._tasks) == 1)


def test_a_damaged_place_is_passed_over() -> None:
    """Nonsense, a huge file and a wrong type in the folder are no guards and no faults."""
    folder = endpoints.runtime_folder()
    good = asdict(new_endpoint("test"))
    for name, text in (
        ("1.json", "{"),
        ("2.json", json.dumps({**good, "pid": "one"})),
        ("3.json", json.dumps({**good, "source": "x" * 200_000})),
        ("4.json", "[]"),
    ):
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "5.json").mkdir()
    assert running_endpoints() == []


@pytest.mark.asyncio
async def test_a_guard_that_ends_or_never_answers_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever asks once gets an answer or a line, not a hang."""
    monkeypatch.setattr("monitor.attach.ask.PATIENCE_S", 0.2)
    async with served() as one:
        one.server._obey = lambda *_: None
        publish(one.server.endpoint)
        asking: list[Callable[[], object]] = [
            lambda: ask(None, Command("reload")),
            lambda: look(None),
            lambda: run_alarms(None, "list", "", 0.0, as_json=False),
            lambda: run_alarms(None, "rates", "", 0.0, as_json=False),
        ]
        for one_question in asking:
            with pytest.raises(BadInput, match=r"no answer within 0 s"):
                await asyncio.to_thread(one_question)
        monkeypatch.setattr("monitor.attach.ask.PATIENCE_S", PATIENCE_S)
        one.server._obey = lambda *_: one.server.send(Bye(Ending.STOPPED, "told to", statistics()))
        with pytest.raises(BadInput, match="ended before it answered"):
            await asyncio.to_thread(ask, None, Command("reload"))
        link = ViewerLink(one.server.endpoint)
        async with link:
            assert isinstance(await anext(link.messages()), Hello)
            one.server.send(BIG)
            assert isinstance(await anext(link.messages()), Frame)
