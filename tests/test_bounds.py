"""Where text enters that others wrote: each place has a bound, and nothing worse than a refusal.

| where | bound |
|---|---|
| serial port | 4096 bytes a line, 20 000 samples waiting, 16 header faults told (``test_framer``,
  ``test_serial_life``, ``test_fuzz``) |
| SenML | a line's, 256 records, depth (``test_senml``) |
| what a device on the bench answers | 256 bytes a line, 100 000 changes (``test_base``,
  ``test_serial_ears``); a message as below |
| an MQTT message | 128 kB, thrown away as it comes where longer (``test_mqtt_packets``) |
| CSV, Parquet, Arrow logs | 64 kB a line, a head as long, blocks of 1 MB, 8 million cells
  without a rig (``test_bounded_lines``, ``test_csv_blocks``, ``test_open_table``) |
| rig, scenario | 1 MB, 4096 characters and 100 dots a line, depth (``test_rig_damage``) |
| a session's about, events, summary | here, ``test_long_lines`` |
| a running guard's place | ``test_server`` |
| the order of a guard's process or a class's | 64 kB, here |
| a class of drills: aliases, marks, notes, results | ``test_drill_class``, ``test_results`` |
| viewers' commands | 8 kB, 20 a second, 16 viewers, 64 connections (``test_server``) |
| what a cluster says (it runs any code, so it is trusted) | 200 characters of an error |
| a guard's messages, to a viewer | 4 MB; shown literally (``test_screen``), here |
"""

import asyncio
import contextlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.attach.carrying_out import LONGEST_ORDER
from monitor.attach.client import ViewerLink
from monitor.attach.endpoint import Endpoint
from monitor.attach.protocol import LONGEST_LINE, Hello, Message, encode
from monitor.recorder import layout
from monitor.recorder import reader as reader_module
from monitor.recorder.index import sessions_in
from monitor.recorder.reader import LONGEST_NOTE, SessionBlocks, read_notes
from monitor.recorder.summary import read_summary
from monitor.review.report import in_words
from monitor.review.review import review
from simulator.strict import BadInput
from tests.kit.drives import Driven
from tests.kit.patience import PATIENCE_S
from tests.kit.recordings import record
from tests.kit.screen_script import hello

SAMPLES = Driven("pump_stop", 2)
DEEP = b"[" * 200_000
HUGE = b'{"format": "' + b"x" * (2 << 20) + b'"}'


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """A small session, whole."""
    return record(tmp_path, SAMPLES[:50])


@pytest.mark.parametrize("raw", [DEEP, HUGE, b"\xff\xfe", b'{"format": [' + DEEP + b"]}"])
def test_a_monstrous_about_is_refused_in_one_line(session: Path, raw: bytes) -> None:
    """Deep, huge or no text: one line from review, and a list of sessions goes on."""
    (session / layout.ABOUT).write_bytes(raw)
    with pytest.raises(BadInput) as caught:
        review(session, None)
    assert len(str(caught.value)) < 400
    assert str(caught.value).isprintable()
    (entry,) = sessions_in(session.parent)
    assert entry.state == "unreadable"


def test_monstrous_events_are_left_out(session: Path) -> None:
    """Lines that are deep, huge or no text are passed over; what stands behind them counts."""
    path = session / layout.EVENTS
    *before, end = path.read_bytes().splitlines(keepends=True)
    huge = b'{"kind":"end","rows":1,"x":"' + b"x" * (3 * LONGEST_NOTE) + b'"}\n'
    path.write_bytes(b"".join([*before, DEEP + b"\n", huge, b"\xff\xfe\n", b"[]\n", end]))
    kinds = [note.kind for note in read_notes(session)]
    assert kinds[-1] == "end"
    assert kinds.count("end") == 1
    assert review(session, None).reproduced is True
    path.write_bytes(end + b"x" * LONGEST_NOTE)  # cut within a line as long as a read
    assert [note.kind for note in read_notes(session)] == ["end"]


def test_only_the_newest_events_are_kept(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many lines there are, memory holds the newest, with the end record."""
    monkeypatch.setattr(reader_module, "MOST_NOTES", 10)
    path = session / layout.EVENTS
    path.write_bytes(b'{"kind":"notice"}\n' * 1000 + path.read_bytes())
    blocks = SessionBlocks(session)
    assert len(blocks.notes) == 10
    assert blocks.cut is None


def test_what_an_end_record_says_steers_no_terminal(session: Path) -> None:
    """Text in place of a count is shown without what a terminal obeys."""
    path = session / layout.EVENTS
    *before, end = path.read_bytes().splitlines(keepends=True)
    record_ = {**json.loads(end), "rows": "\x1b[2J\x07many" + "y" * 5000}
    path.write_bytes(b"".join(before) + json.dumps(record_).encode() + b"\n")
    words = "\n".join(in_words(review(session, None)))
    assert "end record" in words
    assert len(words) < 1000
    assert all(line.isprintable() for line in words.splitlines())


@pytest.mark.parametrize("raw", [DEEP, b'{"why":"' + b"x" * (1 << 20) + b'"}', b'{"rows":' + DEEP])
def test_a_monstrous_summary_is_none(session: Path, raw: bytes) -> None:
    """A list of sessions then reads the session itself."""
    (session / layout.SUMMARY).write_bytes(raw)
    assert read_summary(session) is None
    (entry,) = sessions_in(session.parent)
    assert (entry.state, entry.samples) == ("complete", 50)


@pytest.mark.parametrize(
    ("process", "begins"),
    [("monitor.guard.process", b'{"source":"'), ("monitor.drill.process", b'{"lessons":["')],
)
def test_an_order_has_a_bound(process: str, begins: bytes) -> None:
    """A guard's or class's process reads no more than that, and says what is wrong with it."""
    done = subprocess.run(
        [sys.executable, "-m", process],
        input=begins + b"x" * (2 * LONGEST_ORDER),
        capture_output=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 2
    assert done.stdout.startswith(b"error order: ")
    assert done.stderr == b""


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX sockets")
@pytest.mark.asyncio
async def test_a_viewer_is_not_flooded_by_a_guard(tmp_path: Path) -> None:
    """Nonsense is passed over; a message beyond all bounds ends the viewing with one line."""
    gone = asyncio.Event()

    async def speak(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        writer.write(b"nonsense\n" + DEEP + b'\n{"kind":"hello"}\n' + encode(hello()))
        writer.write(b"x" * (3 * LONGEST_LINE))
        with contextlib.suppress(ConnectionError):
            await writer.drain()
            await reader.read()
        writer.close()
        gone.set()

    path = str(tmp_path / "s")
    server = await asyncio.start_unix_server(speak, path)
    async with server:
        link = ViewerLink(Endpoint(os.getpid(), path, 0, "t", "test"))
        heard: list[Message] = []

        async def listen() -> None:
            async for message in link.messages():
                heard.append(message)  # noqa: PERF401 (those before the error count)

        async with link:
            with pytest.raises(BadInput, match="found a message over"):
                await listen()
        await gone.wait()
    assert [type(message) for message in heard] == [Hello]
