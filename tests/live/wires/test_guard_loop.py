"""The guard's loop in this process: silence, stopped clocks, faults of its surroundings."""

import asyncio
from math import nan
from pathlib import Path

import pytest

from monitor.attach.protocol import Bye, Ending, EventTurn, Notice, Recording
from monitor.guard.loop import GuardLoop
from monitor.guard.recording import RecordingListener
from monitor.recorder.fake_disk import FakeDisk
from monitor.recorder.recorder import Recorder
from monitor.review.review import review
from monitor.sources.fake import HOLD, FakeSource
from rules.channels import Sample
from rules.facts import Action
from simulator.rig import RigFile, rig_from_text
from simulator.strict import BadInput
from tests.kit.listening import Told
from tests.kit.rig_text import TWO_CHANNELS, with_channels


def small_rig() -> RigFile:
    """Return the shipped rig with its two essential channels only."""
    return rig_from_text(with_channels(TWO_CHANNELS), "small.toml")


def reading(time_s: float, boost_kpa: float = 120.0, delivered_ml_min: float = 500.0) -> Sample:
    """Return a healthy reading under boost (500 mL/min is about what is expected there)."""
    noise = 10.0 * (time_s % 0.03)
    return Sample(time_s, boost_kpa=boost_kpa, delivered_ml_min=delivered_ml_min + noise)


async def told_event(told: Told, finding: str, action: Action) -> EventTurn:
    """Wait for an event of a finding that led to an action."""
    return await told.until(
        EventTurn,
        lambda m: m.event.finding == finding and m.event.action == action.word,
    )


@pytest.mark.asyncio
async def test_silence_under_boost_blinds_the_guard_and_it_acts(tmp_path: Path) -> None:
    """When a live source falls silent under boost, ticks age the channels and boost is cut."""
    rig_file = small_rig()
    recorder = Recorder(tmp_path, rig_file, "fake")
    heard = Told()
    source = FakeSource([reading(0.01 * i) for i in range(50)], ends=False)
    loop = GuardLoop(rig_file, source, [RecordingListener(recorder), heard])
    running = asyncio.create_task(loop.run())
    event = await told_event(heard, "signal_lost", Action.CUT_BOOST)
    loop.stop("seen enough")
    await running
    assert "stale" in event.event.explanation
    # 0.49 s is the last reading; it is stale 0.3 s later, and blindness has 0.3 s, to a tick.
    assert 0.98 < event.event.action_time_s < 1.5
    assert review(recorder.path, None).reproduced is True


@pytest.mark.asyncio
@pytest.mark.parametrize("last_s", [-(2.0**63), -1e300, 1e300, nan, -1e12, 1e12, -0.4])
async def test_silence_is_noticed_whatever_time_was_last_read(
    last_s: float, tmp_path: Path
) -> None:
    """One row with any time at all, then nothing: boost is cut, and the session reproduces."""
    rig_file = small_rig()
    recorder = Recorder(tmp_path, rig_file, "fake")
    heard = Told()
    script = [reading(0.01 * i) for i in range(50)]
    source = FakeSource([*script, reading(0.5)._replace(time_s=last_s)], ends=False)
    loop = GuardLoop(rig_file, source, [RecordingListener(recorder), heard])
    running = asyncio.create_task(loop.run())
    await told_event(heard, "signal_lost", Action.CUT_BOOST)
    loop.stop("seen enough")
    await running
    assert review(recorder.path, None).reproduced is True


@pytest.mark.asyncio
async def test_a_source_whose_clock_stands_still_is_not_healthy() -> None:
    """Readings that keep coming with one and the same time count as silence."""
    heard = Told()
    script = [reading(1.0), *(step for _ in range(5000) for step in (HOLD, reading(1.01)))]
    source = FakeSource(script, ends=False)
    loop = GuardLoop(small_rig(), source, [heard])

    def keep_sending() -> None:
        source.release()
        asyncio.get_running_loop().call_later(0.01, keep_sending)

    running = asyncio.create_task(loop.run())
    keep_sending()
    await told_event(heard, "signal_lost", Action.CUT_BOOST)
    loop.stop("seen enough")
    await running
    assert source.statistics.decoded > 2, "they kept coming"


@pytest.mark.asyncio
async def test_a_source_that_fails_ends_the_watch_and_keeps_what_came(tmp_path: Path) -> None:
    """A fault in the source is raised after the recording is finished and goodbye is said."""
    rig_file = small_rig()
    recorder = Recorder(tmp_path, rig_file, "fake")
    heard = Told()
    source = FakeSource([*(reading(0.01 * i) for i in range(20)), BadInput("line 21 is bad")])
    with pytest.raises(BadInput, match="line 21"):
        await GuardLoop(rig_file, source, [RecordingListener(recorder), heard]).run()
    result = review(recorder.path, None)
    assert result.rows == 20
    assert result.cut is None
    bye = heard.messages[-1]
    assert isinstance(bye, Bye)
    assert (bye.end, bye.why) == (Ending.FAILED, "line 21 is bad")


@pytest.mark.asyncio
async def test_a_disk_that_fails_is_told_and_deciding_goes_on(
    tmp_path: Path,
) -> None:
    """Where recording stops, viewers are told, and every sample is still decided."""
    rig_file = small_rig()
    disk = FakeDisk()
    recorder = Recorder(tmp_path, rig_file, "fake", disk=disk)
    disk.room = 0
    heard = Told()
    source = FakeSource([reading(0.01 * i) for i in range(40)], ends=False)
    loop = GuardLoop(rig_file, source, [RecordingListener(recorder), heard])
    running = asyncio.create_task(loop.run())
    await told_event(heard, "signal_lost", Action.CUT_BOOST)
    loop.stop("seen enough")
    await running
    told = [m.text for m in heard.messages if isinstance(m, Notice) and m.topic == "recording"]
    assert "stopped: disk full" in told
    assert loop.listener_facts().recording == Recording(str(recorder.path), "disk full")
    assert (loop.statistics().decided or 0) >= 40
    assert (loop.statistics().not_recorded or 0) >= 40
