"""The guard as a process: what it survives, what it keeps, whom it lets in."""

import asyncio
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any, NoReturn

import pytest

from monitor.attach.client import ViewerLink, start_guard
from monitor.attach.endpoint import find_endpoint, running_endpoints
from monitor.attach.protocol import Command, Frame, Hello, Operation
from monitor.commands.watching import stop_running
from monitor.guard.process import Order
from monitor.recorder.reader import SessionBlocks
from monitor.review.review import review
from rules.channels import OPERATOR, TIME
from simulator.logfile import mapped, write_csv
from simulator.plant import run
from simulator.scenario import load_scenario
from simulator.strict import BadInput
from tests.kit.guards import frames_of, guard, short_pump_stop, until_bye
from tests.kit.patience import PATIENCE_S
from tests.kit.rig_text import TWO_CHANNELS, with_channels

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals and sockets")


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))


def order_for(tmp_path: Path, speed: float = 0.0) -> Order:
    """Return an order to run the short scenario, recorded."""
    scenario = short_pump_stop(tmp_path)
    return Order(f"sim:{scenario}", speed=speed, record=str(tmp_path / "sessions"))


def only_session(tmp_path: Path) -> Path:
    """Return the one session recorded."""
    (session,) = (tmp_path / "sessions").iterdir()
    return session


@pytest.mark.asyncio
async def test_a_guard_decides_records_and_says_goodbye(tmp_path: Path) -> None:
    """A pump stop pulls at once, by the line's pressure, and cuts; all is recorded, reproduces."""
    with guard(order_for(tmp_path)) as (_, link):
        async with link:
            events, _, bye = await until_bye(link)
    turns = [(e.turn, e.event.action) for e in events if e.event.finding == "under_delivery"]
    assert turns[:2] == [("raised", "pull_timing"), ("worsened", "cut_boost")]
    assert bye is not None
    assert bye.why == "source ended"
    assert bye.statistics.decided == 900
    result = review(only_session(tmp_path), None)
    assert result.rows == 900
    assert result.cut is None
    assert result.reproduced is True


@pytest.mark.asyncio
async def test_killing_a_guard_loses_at_most_a_tenth_of_a_second(tmp_path: Path) -> None:
    """After kill -9, all samples seen decided are on disk but for the last 100 ms."""
    seen_s = 0.0
    with guard(order_for(tmp_path, speed=1.0)) as (pid, link):
        async with link:
            async for frame in frames_of(link.messages()):
                seen_s = frame.decision.time_s or 0.0
                if seen_s > 1.5:
                    os.kill(pid, signal.SIGKILL)
                    break
    result = review(only_session(tmp_path), None)
    assert result.cut == "no end record: the recording was cut off"
    assert result.span.to_s is not None
    assert result.span.to_s >= seen_s - 0.1
    assert result.reproduced is True


@pytest.mark.asyncio
async def test_an_interrupt_finishes_the_recording(tmp_path: Path) -> None:
    """SIGINT ends the guard cleanly, with an end record."""
    with guard(order_for(tmp_path, speed=1.0)) as (pid, link):
        async with link:
            async for frame in frames_of(link.messages()):
                if (frame.statistics.decided or 0) > 20:
                    os.kill(pid, signal.SIGINT)
                    break
            _, _, bye = await until_bye(link)
    assert bye is not None
    assert bye.why == "stopped by SIGINT"
    blocks = SessionBlocks(only_session(tmp_path))
    assert blocks.cut is None
    assert sum(len(rows) for rows in blocks) == blocks.notes[-1].rows


@pytest.mark.asyncio
async def test_a_viewer_that_does_not_read_costs_the_guard_nothing(tmp_path: Path) -> None:
    """With one viewer blocked and one killed, every sample is decided and recorded."""
    with guard(order_for(tmp_path, speed=6.0)) as (_, link):
        async with link:
            blocked = ViewerLink(link.endpoint)
            async with blocked:
                killed = ViewerLink(link.endpoint)
                async with killed:
                    first = await anext(frames_of(killed.messages()))
                    assert first.statistics.viewers == 3
                _, frames, bye = await until_bye(link)
    assert frames
    assert bye is not None
    assert bye.statistics.decided == bye.statistics.decoded == 900
    assert review(only_session(tmp_path), None).rows == 900


@pytest.mark.asyncio
async def test_a_late_viewer_gets_what_it_missed(tmp_path: Path) -> None:
    """A viewer that joins after the trip sees the event and the trace in its greeting."""
    with guard(order_for(tmp_path, speed=4.0)) as (_, link):
        async with link:
            async for message in link.messages():
                if isinstance(message, Frame) and (message.decision.action or 0) >= 3:
                    break
            async with ViewerLink(link.endpoint) as late:
                hello = await anext(late.messages())
    assert isinstance(hello, Hello)
    assert next(event.finding for event in hello.events) == "under_delivery"
    assert len(hello.history) > 50


@pytest.mark.asyncio
async def test_a_viewer_without_the_token_is_shown_the_door(tmp_path: Path) -> None:
    """Without the right first word the socket says nothing and closes."""
    with guard(order_for(tmp_path, speed=1.0)) as (_, link):
        async with link:
            for word in (b'{"do":"attach","token":"wrong"}\n', b"\xff\xfe garbage\n", b"{}\n"):
                reader, writer = await asyncio.open_unix_connection(link.endpoint.path)
                writer.write(word)
                assert await reader.read() == b""
                writer.close()
            frame = await anext(frames_of(link.messages()))
            assert frame.statistics.viewers == 1
            link.send(Command("stop"))
            _, _, bye = await until_bye(link)
    assert bye is not None
    assert bye.why == "stopped by a viewer"


@pytest.mark.asyncio
async def test_an_acknowledgement_is_recorded_and_replays(tmp_path: Path) -> None:
    """What the operator does is a sample of the session, so the replay sees the same hand."""
    with guard(order_for(tmp_path, speed=2.0)) as (_, link):
        async with link:
            async for message in link.messages():
                if isinstance(message, Frame) and (message.decision.action or 0) >= 2:
                    link.send(Command("acknowledge"))
                    break
            async for message in link.messages():
                if isinstance(message, Operation):
                    break
            await until_bye(link)
    session = only_session(tmp_path)
    rows = [row for block in SessionBlocks(session) for row in block.tolist()]
    assert [row[OPERATOR] for row in rows if row[OPERATOR] != 0.0] == [1.0]
    assert [row[TIME] for row in rows] == sorted(row[TIME] for row in rows)
    assert review(session, None).reproduced is True


@pytest.mark.asyncio
async def test_a_running_guard_can_be_found_and_a_dead_one_is_cleared_away(tmp_path: Path) -> None:
    """--attach finds the newest living guard; one that was killed leaves no trap behind."""
    with guard(order_for(tmp_path, speed=1.0)) as (pid, link):
        async with link:
            await anext(frames_of(link.messages()))
            assert find_endpoint(None).pid == pid
            os.kill(pid, signal.SIGKILL)
            await until_bye(link)
    assert running_endpoints() == []
    with pytest.raises(BadInput, match="no running guard"):
        find_endpoint(None)


def test_an_order_that_cannot_be_carried_out_says_why(tmp_path: Path) -> None:
    """A guard process that can't start hands back its one clear line."""
    with pytest.raises(BadInput, match="can't be opened"):
        start_guard(Order("/dev/no-such-port", rig="brindle"))
    with pytest.raises(BadInput, match="expected a TOML file or a shipped scenario"):
        start_guard(Order("sim:nothing"))


def test_a_guard_gone_as_soon_as_it_was_ready_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody can attach to it: one clear line, and no child is left behind."""
    started: list[subprocess.Popen[bytes]] = []

    class Remembered(subprocess.Popen[bytes]):
        def __init__(self, *arguments: Any, **how: Any) -> None:
            super().__init__(*arguments, **how)
            started.append(self)

    def gone(pid: int | None, **_: object) -> NoReturn:
        raise BadInput(f"found no running guard with process {pid}")

    monkeypatch.setattr("monitor.attach.client.subprocess.Popen", Remembered)
    monkeypatch.setattr("monitor.attach.client.find_endpoint", gone)
    with pytest.raises(BadInput, match="no running guard"):
        start_guard(order_for(tmp_path))
    assert [process.returncode for process in started] == [0]


def test_a_bad_column_ends_the_watch_with_its_line_and_exit_code_2(tmp_path: Path) -> None:
    """The error names file, line and column; a watch without a row leaves no session."""
    log = tmp_path / "log.csv"
    log.write_text("time_s,boost_kpa,delivered_ml_min\n0,,0\n0.01,oops,0\n", encoding="utf-8")
    rig = tmp_path / "rig.toml"
    rig.write_text(with_channels(TWO_CHANNELS), encoding="utf-8")
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "from monitor.cli import main; main()",
            "watch",
            str(log),
            "--rig",
            str(rig),
            "--speed",
            "0",
            "--text",
            "--record",
            str(tmp_path / "sessions"),
        ],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1] == (
        f'flowdebt: {log}:3: boost_kpa: found "oops", expected a number'
    )
    assert "Traceback" not in done.stdout + done.stderr
    assert list((tmp_path / "sessions").iterdir()) == []


@pytest.mark.asyncio
async def test_a_replayed_log_counts_what_was_handed_over_not_what_was_read(tmp_path: Path) -> None:
    """Rates and ages on screen come from these counts: they must move with the replay."""
    log = tmp_path / "log.csv"
    write_csv(run(load_scenario("pump_stop")), log, mapped(load_scenario("pump_stop").rig))
    with guard(Order(str(log), rig="brindle", speed=2.0)) as (_, link):
        async with link:
            counts = []
            async for frame in frames_of(link.messages()):
                counts.append(frame.statistics.decoded or 0)
                if len(counts) == 10:
                    break
            link.send(Command("stop"))
            await until_bye(link)
    assert 0 < counts[0] < counts[-1] < 400


def test_a_reader_that_has_had_enough_is_no_fault(tmp_path: Path) -> None:
    """``flowdebt ... --json | head -1`` ends quietly, and so does its guard."""
    watch = subprocess.Popen(
        [
            *(sys.executable, "-c", "from monitor.cli import main; main()"),
            *("watch", f"sim:{short_pump_stop(tmp_path)}", "--json", "--no-record"),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert watch.stdout is not None
    assert watch.stderr is not None
    with watch.stdout as out:
        assert json.loads(out.readline())["kind"] == "hello"
    with watch.stderr as err:
        assert err.read() == b""
    assert watch.wait(PATIENCE_S) == 0
    assert running_endpoints() == []


def test_a_guard_left_running_can_be_stopped(tmp_path: Path) -> None:
    """``flowdebt stop`` ends the newest guard and waits for its recording to be finished."""
    process, endpoint = start_guard(order_for(tmp_path, speed=1.0))
    assert stop_running(None) == 0
    assert process.wait(PATIENCE_S) == 0
    assert running_endpoints() == []
    assert SessionBlocks(only_session(tmp_path)).cut is None
    with pytest.raises(BadInput, match=f"no running guard with process {endpoint.pid}"):
        stop_running(endpoint.pid)
