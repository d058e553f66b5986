"""New thresholds for a guard that runs: over a real line, nothing lost, told to everybody."""

import asyncio
import json
import os
import sys
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from monitor.attach.message_parts import RigChange, Scale, Thresholds
from monitor.attach.protocol import Answer, Bye, Command, Frame, Hello, Message, Terms
from monitor.cli import run as flowdebt
from monitor.guard.process import Order
from monitor.recorder import layout
from monitor.recorder.reader import open_segment
from monitor.review.review import review
from monitor.screen.app import Dashboard
from monitor.screen.fake_link import FakeLink
from monitor.screen.picture import Picture
from monitor.words.lines import LineTalk
from rules.channels import ROW_NAMES
from rules.facts import Rig
from rules.guard import Guard
from rules.step.from_rig import constants_of
from simulator.plant import run
from simulator.rig import load_rig
from simulator.scenario import load_scenario
from tests.kit.guards import guard
from tests.kit.pty_pair import PtyPair
from tests.kit.recordings import BRINDLE, decided_of, noted, read
from tests.kit.rig_text import TWO_CHANNELS, with_channels
from tests.kit.screen_script import Clock, frame, hello, rows, tell, text_of

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")

SENT = 2400
HEADER = b"time_s,boost_kpa,delivered_ml_min\n"
SMALL = with_channels(TWO_CHANNELS)


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))


@contextmanager
def sending(port: str) -> Iterator[None]:
    """Send a pull with a pump stop in it, ten times as fast as life, without a break."""
    samples = list(run(load_scenario("pump_stop"), 2))
    lines = [b"%.3f,%.2f,%.1f\n" % (s.time_s, s.boost_kpa, s.delivered_ml_min) for s in samples]
    pace = threading.Event()

    def send() -> None:
        fd = os.open(port, os.O_WRONLY | os.O_NOCTTY)
        os.write(fd, HEADER)
        for i in range(0, SENT, 10):
            os.write(fd, b"".join(lines[i : i + 10]))
            pace.wait(0.01)
        os.close(fd)

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        thread.join()


async def until_decoded(messages: AsyncIterator[Message], count: int, heard: list[Message]) -> None:
    """Listen until so many samples have been decoded."""
    async for message in messages:
        heard.append(message)
        if isinstance(message, Frame) and (message.statistics.decoded or 0) >= count:
            return


@pytest.mark.asyncio
async def test_new_thresholds_under_way_lose_nothing_and_replay(tmp_path: Path) -> None:
    """Two changes and a mistake while lines pour in: all decoded, decided alike in a replay."""
    rig = tmp_path / "rig.toml"
    rig.write_text(SMALL, encoding="utf-8")
    tighter = SMALL.replace('false_pull_every = "100 h"', 'false_pull_every = "20 h"')
    third = tighter.replace('cut = "0.4 s"', 'cut = "0.3 s"')
    line = 1 + tighter.partition("false_pull_every =")[0].count("\n")
    heard: list[Message] = []
    with PtyPair() as cable:
        order = Order(cable.right, str(rig), record=str(tmp_path / "sessions"))
        with guard(order) as (_, link):
            async with link:
                messages = link.messages()
                heard.append(await anext(messages))
                with sending(cable.left):
                    await until_decoded(messages, 300, heard)
                    rig.write_text(tighter, encoding="utf-8")
                    link.send(Command("reload"))
                    await until_decoded(messages, 800, heard)
                    rig.write_text(tighter.replace("20 h", "20 kPa"), encoding="utf-8")
                    link.send(Command("reload"))
                    await until_decoded(messages, 1200, heard)
                    rig.write_text(third, encoding="utf-8")
                    link.send(Command("reload"))
                    await until_decoded(messages, SENT, heard)
                link.send(Command("stop"))
                heard.extend([message async for message in messages])
    bye = heard[-1]
    assert isinstance(bye, Bye)
    facts = bye.statistics
    assert (facts.decoded, facts.dropped, facts.not_recorded) == (SENT, 0, 0)
    assert facts.rejected == {}
    answers = [(m.done, m.text) for m in heard if isinstance(m, Answer)]
    assert answers == [
        (True, "debt.false_pull_every 100 -> 20 h"),
        (
            False,
            f'{rig}:{line}: debt.false_pull_every: found "20 kPa" (a pressure unit), '
            'expected text with a time unit such as "100 h"',
        ),
        (True, "debt.cut 0.4 -> 0.3 s"),
    ]
    terms = [m for m in heard if isinstance(m, Terms)]
    limits = [constants_of(rig_of(tmp_path, text)).limit_nats for text in (tighter, third)]
    assert [t.thresholds.pull_nats for t in terms] == limits
    assert [t.thresholds.cut_s for t in terms] == pytest.approx([0.4, 0.3])
    (session,) = (tmp_path / "sessions").iterdir()
    rows, decided, blocks = read(session)
    readings = rows[rows[:, ROW_NAMES.index("boost_kpa")] == rows[:, ROW_NAMES.index("boost_kpa")]]
    assert blocks.cut is None
    assert len(rows) == facts.decided == facts.recorded
    assert len(readings) >= SENT
    # The same by hand, without the reader's idea of which rig holds where.
    starts = [head_of(path).first_row for path in layout.segments_of(session)[1:]]
    assert len(starts) == 2
    by_hand = Guard(load_rig(session / "rig.toml").rig)
    decisions = []
    for i, row in enumerate(rows.tolist()):
        if i == starts[0]:
            by_hand.change(rig_of(tmp_path, tighter))
        if i == starts[1]:
            by_hand.change(rig_of(tmp_path, third))
        decisions.append(by_hand.step(row))
    assert decided_of(decisions) == decided.tobytes()
    result = review(session, None)
    assert result.reproduced is True
    assert [new.time_s for new in result.new_terms] == [t.time_s for t in terms]
    changed = [e for e in noted(session) if e["kind"] == "thresholds"]
    assert [e["time_s"] for e in changed] == [t.time_s for t in terms]
    assert changed[0]["rig_sha256"] == layout.rig_hash(tighter)


def head_of(path: Path) -> layout.SegmentHead:
    """Return what a segment says of itself."""
    with open_segment(path) as stream:
        head = layout.head_of(stream.schema)
    assert head is not None
    return head


def rig_of(folder: Path, text: str) -> Rig:
    """Return the facts in a rig's text."""
    path = folder / "by_hand.toml"
    path.write_text(text, encoding="utf-8")
    return load_rig(path).rig


@pytest.mark.asyncio
async def test_the_command_line_asks_for_it_and_hears_the_answer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """``flowdebt reload``: what changed on standard output; a refusal is one line and code 2."""
    rig = tmp_path / "rig.toml"
    rig.write_text(BRINDLE.text, encoding="utf-8")
    order = Order("sim:healthy_pulls", str(rig), speed=1.0)
    with guard(order) as (_, link):
        async with link:
            await anext(link.messages())
            other = tmp_path / "other.toml"
            other.write_text(
                BRINDLE.text.replace('cut = "0.4 s"', 'cut = "0.3 s"'), encoding="utf-8"
            )
            ask = ("reload", "--rig", str(other))
            assert await asyncio.to_thread(flowdebt, ask) == 0
            assert capsys.readouterr().out == "debt.cut 0.4 -> 0.3 s\n"
            assert await asyncio.to_thread(flowdebt, ("reload", "--json")) == 0
            assert json.loads(capsys.readouterr().out) == {"reload": "nothing differs"}
            assert await asyncio.to_thread(flowdebt, ("reload", "--rig", "tarnwick")) == 2
            said = capsys.readouterr()
            assert said.out == ""
            assert "engine.displacement: found 2400 mL, expected 1800 mL" in said.err
            assert said.err.count("\n") == 1
            other.unlink()
            assert await asyncio.to_thread(flowdebt, ("reload",)) == 2
            assert "other.toml: found no such file" in capsys.readouterr().err


@pytest.mark.asyncio
async def test_screens_and_lines_take_the_new_thresholds() -> None:
    """Greeting, marks and limits on screen change, and everybody is told in words."""
    terms = Terms(
        time_s=12.34,
        changes=[RigChange("debt.cut", "0.4 s", "0.3 s")],
        words="debt.cut 0.4 -> 0.3 s",
        rig="Sorrel 2.0",
        thresholds=Thresholds(12.0, 16.0, 0.3),
        limits={"knock": 5.0},
        scale=Scale(560.0, 170.0),
        dry_limit_kpa=90.0,
        onset_kpa=50.0,
    )
    picture = Picture(0.0)
    picture.take(hello(), 1.0)
    picture.take(terms, 2.0)
    now = picture.hello
    assert isinstance(now, Hello)
    assert (now.thresholds.cut_s, now.limits, now.dry_limit_kpa) == (0.3, {"knock": 5.0}, 90.0)
    assert now.history == hello().history
    assert picture.notice is not None
    assert picture.notice[0].text == "debt.cut 0.4 -> 0.3 s"
    link, clock = FakeLink(), Clock()
    app = Dashboard(lambda: link, False, clock=clock)
    async with app.run_test(size=(140, 40)) as pilot:
        first: list[Message] = [hello(), frame("No action.", rows(10.0, 12.0), 9)]
        await tell(app, link, clock, [(100.0, first)], 100.1)
        await pilot.pause()
        assert "0.40 s" in text_of(app)
        await tell(app, link, clock, [(100.2, [terms])], 100.2)
        await pilot.pause()
        assert "0.30 s" in text_of(app)
        assert "thresholds changed: debt.cut 0.4 -> 0.3 s" in text_of(app)
    said: list[str] = []
    for as_json in (False, True):
        LineTalk(said.append, as_json=as_json, now_s=lambda: 0.0).handle(terms)
    assert said[0] == "    12.34 s  thresholds changed: debt.cut 0.4 -> 0.3 s"
    assert json.loads(said[1])["kind"] == "thresholds"
