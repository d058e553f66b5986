"""What is said about the recording, while it goes on, stops and resumes: lines, JSON, screen."""

import asyncio
import json
from pathlib import Path

import pytest
from msgspec import structs

import monitor.recorder.recorder as recorder_module
from monitor.attach.protocol import Bye, Ending, Frame, Message, Notice, Recording
from monitor.guard.loop import GuardLoop
from monitor.guard.recording import RecordingListener
from monitor.recorder.fake_disk import FakeDisk
from monitor.recorder.recorder import Recorder
from monitor.review.review import review
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.sources.fake import FakeSource
from monitor.words.lines import LineTalk
from rules.channels import Sample
from simulator.rig import rig_from_text
from tests.kit.listening import Told
from tests.kit.recordings import noted
from tests.kit.rig_text import SMALL
from tests.kit.screen_messages import statistics
from tests.kit.screen_script import Clock, frame, hello, rows, tell, text_of

RIG = rig_from_text(SMALL, "small.toml")


@pytest.mark.asyncio
async def test_a_full_disk_is_told_noted_and_got_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped, told, decided on regardless; room again: a new segment, and that is told too."""
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.01)
    disk = FakeDisk()
    recorder = Recorder(tmp_path, RIG, "fake", disk=disk)
    told = Told()
    # A source that falls silent: its ticks, ten a second, are rows like any other.
    source = FakeSource([Sample(0.01 * i, 1.0 + i % 2) for i in range(50)], ends=False)
    loop = GuardLoop(RIG, source, [RecordingListener(recorder), told])
    running = asyncio.create_task(loop.run())
    await told.notice(lambda text: text == f"in {recorder.path}")
    disk.room = 0
    assert await told.notice(lambda text: text.startswith("stopped")) == "stopped: disk full"
    assert loop.listener_facts().recording == Recording(str(recorder.path), "disk full")
    disk.room = 1 << 30
    again = await told.notice(lambda text: "again" in text)
    loop.stop("seen enough")
    await running
    lost = recorder.dropped
    assert lost > 0
    assert again.startswith(f"in {recorder.path} again; ")
    assert again.endswith(" rows not recorded")
    facts = loop.statistics()
    assert loop.listener_facts().recording == Recording(str(recorder.path))
    assert (facts.recorded or 0) + (facts.not_recorded or 0) == facts.decided
    result = review(recorder.path, None)
    assert result.reproduced is True
    assert f"{lost} rows were not recorded before samples-0002.arrow" in str(result.cut)
    texts = [note.get("text") for note in noted(recorder.path)]
    assert "stopped: disk full" in texts
    assert again in texts


def said(*messages: Message, as_json: bool = False) -> list[str]:
    """Return what line mode makes of messages."""
    lines: list[str] = []
    talk = LineTalk(lines.append, as_json=as_json, now_s=lambda: 0.0)
    for message in messages:
        talk.handle(message)
    return lines


def stopped_frame() -> Frame:
    """Return a frame of a guard whose recording has stopped."""
    troubled = frame("No action.", rows(17.0, 18.0), 1800)
    troubled.statistics.not_recorded = 12
    return structs.replace(troubled, recording=Recording("/logs/x", "disk full"))


def test_lines_say_it_as_long_as_it_lasts() -> None:
    """A notice when it stops, each status line after that, and the goodbye counts what is lost."""
    notice, status, bye = (
        *said(Notice("recording", "stopped: disk full")),
        *said(stopped_frame()),
        *said(
            Bye(
                Ending.SOURCE_ENDED,
                "source ended",
                statistics(20, recorded=8, not_recorded=12),
            )
        ),
    )
    assert notice.strip() == "recording: stopped: disk full"
    assert status.endswith("| recording stopped: disk full")
    assert "8 recorded, 12 NOT recorded, " in bye
    fine = structs.replace(stopped_frame(), recording=Recording("/logs/x"))
    assert "recording" not in said(fine)[0]


def test_json_says_it_in_every_frame() -> None:
    """Whether it goes on is a field of its own; the counts stand in the statistics."""
    (line,) = said(stopped_frame(), as_json=True)
    facts = json.loads(line)
    assert facts["recording"] == {"session": "/logs/x", "fault": "disk full"}
    assert facts["statistics"]["not_recorded"] == 12


@pytest.mark.asyncio
async def test_whoever_joins_late_sees_it_too() -> None:
    """The screen takes it from the frame alone, and lets go when recording resumes."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, False, clock=clock)
    resumed = frame("No action.", rows(18.0, 19.0), 1900)
    resumed.statistics.not_recorded = 12
    resumed = structs.replace(resumed, recording=Recording("/logs/x"))
    async with app.run_test() as pilot:
        await tell(app, link, clock, [(100.0, [hello(), stopped_frame()])], 100.1)
        await pilot.pause()
        assert "! recording: stopped: disk full" in text_of(app)
        await tell(app, link, clock, [(101.0, [resumed])], 101.1)
        await pilot.pause()
        assert "! recording" not in text_of(app)
        assert "! 12 rows not recorded" in text_of(app)
