"""Statistics where people and programs see them: pane, link line, exit words, ``status``."""

import asyncio
import json
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.attach.protocol import Bye, Ending, Message
from monitor.cli import run as flowdebt
from monitor.guard.process import Order
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.source_facts import SourceStatistics
from monitor.sources.base import Arrival
from monitor.sources.inbox import Inbox
from monitor.words import counts
from monitor.words.lines import LineTalk, in_words
from rules.channels import Sample
from tests.kit.guards import guard
from tests.kit.screen_messages import statistics
from tests.kit.screen_script import Clock, frame, hello, rows, tell, text_of

FULL: dict[str, Any] = {
    "received": 1300,
    "decoded": 1290,
    "headers": 3,
    "rejected": {"too short": 2, "bad number": 5},
    "lost": 4,
    "late": 1,
    "dropped": 0,
    "waiting": 12,
    "most_waiting": 250,
    "connects": 2,
    "clock": {"reset": 1},
    "drift_ppm": 41.7,
    "decided": 1400,
    "latency": {"count": 9, "p50_ms": 0.05, "p99_ms": 0.34, "p999_ms": 1.9, "max_ms": 2.25},
    "recorded": 1399,
    "not_recorded": 0,
    "recorder_waiting": 1,
    "viewers": 2,
    "viewer_drops": 0,
    "viewers_refused": 3,
}


def test_every_count_is_said_and_what_went_wrong_is_marked() -> None:
    """Received to viewers, reasons by how common they are, odd where something went wrong."""
    found = {line.name: line for line in counts.lines(statistics(**FULL))}
    assert found["received"].words == "1300, of them decoded 1290, headers 3"
    assert found["rejected"].words == "7: bad number 5, too short 2"
    assert found["lost"].words == "4 on the way, by sequence numbers"
    assert found["dropped"].words.endswith("waiting now 12, most 250")
    assert found["latency"].words == "half in 0.05, 99 % in 0.34, 99.9 % in 1.90, all in 2.25 ms"
    assert found["recorded"].words == "1399, not recorded 0, waiting 1"
    assert found["viewers"].words == "2 attached, messages dropped 0, refused 3"
    assert found["its clock"].words == "reset 1, runs +42 ppm from ours"
    odd = {name for name, line in found.items() if line.odd}
    assert odd == {"rejected", "lost", "late", "viewers", "connected", "its clock"}


def test_what_is_not_known_to_be_lost_is_not_called_none() -> None:
    """Most lines carry no numbers: then nought says little. Once is no "1 times"."""
    facts = statistics(**{**FULL, "lost": 0, "connects": 1})
    found = {line.name: line for line in counts.lines(facts)}
    assert found["lost"].words == "0 on the way, as far as sequence numbers tell"
    assert found["connected"].words == "once"
    assert [found[name].odd for name in ("lost", "connected")] == [False, False]


def test_the_goodbye_says_all_of_it() -> None:
    """The last line of line mode, and the whole as JSON."""
    bye = Bye(Ending.SOURCE_ENDED, "source ended", statistics(**FULL))
    assert in_words(bye) == (
        "ended: source ended; 1300 received, 1400 decided, 1399 recorded, "
        "7 rejected (bad number 5, too short 2), 4 lost on the way, 1 late, 0 dropped, "
        "at most 250 waiting; latency half in 0.05, 99 % in 0.34, 99.9 % in 1.90, all in 2.25 ms"
    )
    said: list[str] = []
    LineTalk(said.append, as_json=True, now_s=lambda: 0.0).handle(bye)
    assert json.loads(said[0])["statistics"] == FULL
    nothing = Bye(Ending.SOURCE_ENDED, "no such port", statistics(**{**FULL, "received": 0}))
    assert "latency" not in in_words(nothing)


@pytest.mark.asyncio
async def test_the_pane_and_the_link_line_show_them() -> None:
    """Key c opens the statistics and closes them; lost and waiting stand on the link line."""
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, False, clock=clock)
    troubled = frame("No action.", rows(17.0, 18.0), 1290)
    troubled.statistics = statistics(**{**FULL, "waiting": 150})
    fine = frame("No action.", rows(17.0, 18.0), 1280)
    async with app.run_test(size=(140, 40)) as pilot:
        first: list[Message] = [hello(), fine]
        await tell(app, link, clock, [(100.0, first)], 100.1)
        await pilot.pause()
        assert "lost" not in text_of(app)
        await tell(app, link, clock, [(100.2, [troubled])], 100.2)
        await pilot.pause()
        assert "lost 4" in text_of(app)
        assert "! waiting 150" in text_of(app)
        await pilot.press("c")
        await pilot.pause()
        await pilot.pause()
        shown = text_of(app)
        assert "= NO ACTION" in shown
        assert "! rejected    7: bad number 5, too short 2" in shown
        assert "  latency     half in 0.05, 99 % in 0.34, 99.9 % in 1.90, all in 2.25 ms" in shown
        assert "Spray flow" not in shown
        await pilot.press("question_mark")
        await pilot.pause()
        await pilot.pause()
        assert "Whoever drives" in text_of(app)
        await pilot.press("c", "c")
        await pilot.pause()
        await pilot.pause()
        assert "Spray flow" in text_of(app)


@pytest.mark.asyncio
async def test_what_waits_is_counted() -> None:
    """The inbox tells how many samples wait, and the most that ever did."""
    statistics = SourceStatistics()
    inbox = Inbox(statistics, most=5)
    inbox.put_from_thread([Arrival(Sample(float(i)), 0) for i in range(7)])
    await inbox.get()
    assert (statistics.waiting, statistics.most_waiting, statistics.dropped) == (4, 5, 2)
    await inbox.get()
    assert (statistics.waiting, statistics.most_waiting) == (3, 5)
    assert statistics.most_waiting == 5


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX sockets")
@pytest.mark.asyncio
async def test_a_running_guard_can_be_asked_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """``flowdebt status``: lines for people, one JSON object for programs; 2 where none runs."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    assert flowdebt(["status"]) == 2
    assert "no running guard" in capsys.readouterr().err
    with guard(Order("sim:healthy_pulls")) as (pid, link):
        async with link:
            await anext(link.messages())
            assert await asyncio.to_thread(flowdebt, ("status", "--json")) == 0
            facts = json.loads(capsys.readouterr().out)
            assert await asyncio.to_thread(flowdebt, ("status", "--pid", str(pid))) == 0
            said = capsys.readouterr().out.splitlines()
    assert facts["pid"] == pid
    assert facts["statistics"]["viewers"] == 2
    assert set(facts["thresholds"]) == {"warn_nats", "pull_nats", "cut_s"}
    assert set(facts["statistics"]["latency"]) == {"count", "p50_ms", "p99_ms", "p999_ms", "max_ms"}
    assert said[0] == f"guard {pid}: Brindle 1.8, simulated car, healthy_pulls"
    assert any(line.startswith("    latency    half in ") for line in said)
