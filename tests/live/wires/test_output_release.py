"""Outputs released whatever happens: real guard and keeper processes, killed and stopped.

What the far end of a null-modem cable of pseudo-terminals is told decides; how soon it is told is
measured by ``python -m tests.bench hostile``. A pseudo-terminal has no handshake pins; what RTS and
DTR do there is the system's (``HUPCL``) and is written down in ``monitor.outputs.serial_lines.py``.
"""

import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.attach.client import ViewerLink, start_guard
from monitor.attach.message_parts import OutputState
from monitor.attach.protocol import Frame, Hello, Notice, outputs_in_words
from monitor.guard.process import Order, run_order
from monitor.outputs import desk as desk_module
from monitor.outputs.base import CAUTION, KEEPER_SILENT_S
from monitor.outputs.desk import OutputDesk
from monitor.words.lines import in_words
from rules.channels import Sample
from simulator.rig import rig_from_text
from simulator.strict import BadInput
from tests.kit.guards import frames_of
from tests.kit.listening import FakeGuard
from tests.kit.output_wire import Wire
from tests.kit.patience import PATIENCE_S, until
from tests.kit.pty_pair import PtyPair
from tests.kit.rig_text import SMALL
from tests.kit.rigs import Drive, rig

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals and signals")
RIG = rig_from_text(SMALL, "small.toml")


@pytest.fixture
def wire() -> Iterator[Wire]:
    """A cable for the heartbeat."""
    with Wire() as laid:
        yield laid


# --- the desk and its keeper ---


class Beaten:
    """A desk whose guard is a thread here: decisions at 100 Hz until told otherwise.

    Attributes:
        share: Of the spray that arrives; 1 is healthy.
    """

    def __init__(self, wire: Wire, patch: pytest.MonkeyPatch) -> None:
        self.share = 1.0
        self.said = FakeGuard(rig())
        self.desk = OutputDesk(rig(), [f"beat:{wire.port}"], armed=True)
        self.drive = Drive(rig())
        self._patch = patch
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)

    def __enter__(self) -> "Beaten":
        """Start the keeper and the beats."""
        self.be_patient(PATIENCE_S)
        self.desk.start()
        self.desk.opened(self.said)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End both."""
        self.pause()
        self.desk.ending("the end")

    def be_patient(self, silent_s: float) -> None:
        """Kill no keeper for being slow; the machine may be busy."""
        self._patch.setattr(desk_module, "START_S", PATIENCE_S)
        self._patch.setattr(desk_module, "KEEPER_SILENT_S", silent_s)

    def pause(self) -> None:
        """Beat no more: a guard that hangs."""
        self._stop.set()
        self._thread.join()

    def go_on(self) -> None:
        """Beat again."""
        self._stop.clear()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def keeper(self) -> int:
        """The keeper's process."""
        keeper = self.desk._keeper
        assert keeper is not None
        return keeper.pid

    def _work(self) -> None:
        while not self._stop.wait(0.01):
            for decision in self.drive.run(0.01, share=self.share):
                self.desk.decided(Sample(decision.time_s), decision)
            self.desk.tick()


@pytest.fixture
def beaten(wire: Wire, monkeypatch: pytest.MonkeyPatch) -> Iterator[Beaten]:
    """A desk on the wire, its output held."""
    with Beaten(wire, monkeypatch) as made:
        wire.wait_until_held()
        yield made


def test_a_trip_is_told_at_the_far_end(beaten: Beaten, wire: Wire) -> None:
    """The decision that trips, by a guard that goes on beating, is a release on the wire."""
    beaten.share = 0.0
    wire.wait_until_told_released()
    until(lambda: beaten.said.has("released: under-delivery: pull"))
    assert wire.numbers_rise()


def test_a_guard_that_says_nothing_more_releases(beaten: Beaten, wire: Wire) -> None:
    """A hang: the keeper releases by itself, and holds again after it."""
    beaten.pause()
    wire.wait_until_told_released()
    assert not beaten.said.has("released:")
    heard = wire.heard
    beaten.go_on()
    wire.wait_until_held(heard)


def test_a_killed_keeper_is_replaced(beaten: Beaten, wire: Wire) -> None:
    """Kill -9 of the keeper ends the beats; the desk says so and starts another."""
    first = beaten.keeper()
    os.kill(first, signal.SIGKILL)
    until(lambda: beaten.said.has("the keeper ended by itself; starting another"))
    heard = wire.heard
    wire.wait_until_anew(heard)
    wire.wait_until_held(heard)
    assert beaten.keeper() != first
    assert wire.numbers_rise()


def test_a_keeper_that_hangs_is_killed(beaten: Beaten, wire: Wire) -> None:
    """A stopped keeper might hold a pin for ever: the guard kills it, and its port closes."""
    first = beaten.keeper()
    os.kill(first, signal.SIGSTOP)
    beaten.be_patient(KEEPER_SILENT_S)
    until(lambda: beaten.said.has("did not answer and was killed"))
    with pytest.raises(ProcessLookupError):
        os.kill(first, 0)
    beaten.be_patient(PATIENCE_S)
    wire.wait_until_held(wire.heard)


def test_an_output_pulled_out_is_said(beaten: Beaten, wire: Wire) -> None:
    """A cable that is cut is a fault on the screen; what was held there counts as released."""
    until(lambda: beaten.desk.shown()[0].held is True)
    wire.cut()
    until(lambda: beaten.desk.shown()[0].fault)
    shown = beaten.desk.shown()
    assert shown[0].held is False
    assert outputs_in_words(shown) == "OUTPUT ARMED, FAULT"
    assert beaten.said.has("the port is gone") or beaten.said.has("no such port")


def test_dry_run_drives_nothing(wire: Wire) -> None:
    """Without --arm no keeper is started and no port opened; what would be done is said."""
    said = FakeGuard(rig())
    desk = OutputDesk(rig(), [f"beat:{wire.port}"], armed=False)
    desk.start()
    desk.opened(said)
    for decision in Drive(rig()).run(1.0):
        desk.decided(Sample(decision.time_s), decision)
        desk.tick()
    assert desk._keeper is None
    assert said.has("dry run, nothing is driven")
    assert said.has("would be held: all is well")
    assert not said.has(CAUTION)
    state = OutputState(f"heartbeat on {wire.port}", False, True, "all is well", "")
    assert desk.shown() == [state]
    assert outputs_in_words(desk.shown()) == "output dry run, would be held"
    desk.ending("the end")


def test_an_output_that_cannot_be_opened_refuses_to_arm() -> None:
    """Whoever arms an output must know at once that it isn't there."""
    desk = OutputDesk(rig(), ["beat:/dev/no-such-port"], armed=True)
    with pytest.raises(BadInput, match="no such port, expected an output that can be driven"):
        desk.start()
    assert desk._keeper is None


# --- a whole guard ---


class Feeder:
    """A logger on the guard's input: 100 lines a second, or as many as it can, until paused."""

    def __init__(self, port: str) -> None:
        self.boost_kpa = 0.0
        self.going = threading.Event()
        self.going.set()
        self._fd = os.open(port, os.O_WRONLY | os.O_NOCTTY)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        i, start_s = 0, time.monotonic()
        with contextlib.suppress(OSError):
            while not self._ended.wait(0.01):
                if not self.going.is_set():
                    continue
                if i % 20 == 0:
                    os.write(self._fd, b"time_s,boost_kpa,delivered_ml_min\r\n")
                i += 1
                row = (time.monotonic() - start_s, self.boost_kpa + 0.01 * (i % 9))
                os.write(self._fd, b"%.3f,%.2f,0\r\n" % row)

    def end(self) -> None:
        """Stop."""
        self._ended.set()
        self._thread.join()
        os.close(self._fd)


class Armed:
    """A guard with an armed output, and its logger."""

    def __init__(self, pid: int, endpoint: Any, feeder: Feeder, cable: PtyPair) -> None:
        self.pid = pid
        self.endpoint = endpoint
        self.feeder = feeder
        self.cable = cable


@pytest.fixture
def armed(wire: Wire, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Armed]:
    """A real guard, its output held."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    path = tmp_path / "small.toml"
    path.write_text(SMALL, encoding="utf-8")
    with contextlib.ExitStack() as stack:
        cable = PtyPair()
        cable.__enter__()
        stack.callback(cable.__exit__, None, None, None)
        order = Order(cable.right, rig=str(path), outputs=[f"beat:{wire.port}"], arm=True)
        process, endpoint = start_guard(order)
        stack.callback(process.wait)
        stack.callback(process.kill)
        feeder = Feeder(cable.left)
        stack.callback(feeder.end)
        wire.wait_until_held()
        yield Armed(process.pid, endpoint, feeder, cable)


ENDS: dict[str, Callable[[Armed], None]] = {
    "killed": lambda a: os.kill(a.pid, signal.SIGKILL),
    "interrupted": lambda a: os.kill(a.pid, signal.SIGINT),
    "stopped": lambda a: os.kill(a.pid, signal.SIGSTOP),
    "no more data": lambda a: a.feeder.going.clear(),
}


@pytest.mark.parametrize("what", ENDS)
def test_whatever_ends_the_watch_releases(armed: Armed, wire: Wire, what: str) -> None:
    """Killed, interrupted, stopped or without data: the far end is told of the release."""
    ENDS[what](armed)
    wire.wait_until_told_released()
    assert wire.numbers_rise()


def test_no_spray_under_boost_releases(armed: Armed, wire: Wire) -> None:
    """Boost without any flow trips the guard and releases the output."""
    armed.feeder.boost_kpa = 150.0
    wire.wait_until_told_released()


@pytest.mark.asyncio
async def test_an_armed_output_is_shown_all_the_time(armed: Armed) -> None:
    """In the greeting and in every frame, so in lines, in JSON and on the screen."""
    async with ViewerLink(armed.endpoint) as link:
        messages = link.messages()
        hello = await anext(messages)
        assert isinstance(hello, Hello)
        frames = frames_of(messages)
        frame = await anext(frames)
        while not frame.outputs[0].held:  # the keeper's word comes ten times a second
            frame = await anext(frames)
    assert "OUTPUT ARMED: heartbeat on" in in_words(hello)
    assert frame.outputs[0].armed is True
    assert "OUTPUT ARMED, held" in in_words(frame)


@pytest.mark.asyncio
async def test_the_caution_is_told(wire: Wire, tmp_path: Path) -> None:
    """Arming says the whole caution, as a notice."""
    told: list[Any] = []
    scenario = tmp_path / "short.toml"
    scenario.write_text(
        'name = "short"\nteaches = "Nothing."\nrig = "brindle"\n'
        '[[drive]]\ndo = "cruise"\nfor = "0.2 s"\n',
        encoding="utf-8",
    )
    order = Order(f"sim:{scenario}", outputs=[f"beat:{wire.port}"], arm=True)
    await run_order(order, tell=told.append)
    cautions = [m.text for m in told if isinstance(m, Notice) and m.topic == "caution"]
    assert cautions == [CAUTION]
    assert not any(isinstance(m, Frame) and not m.outputs for m in told)


@pytest.mark.asyncio
async def test_the_past_must_not_act(tmp_path: Path) -> None:
    """A recorded log can't be armed, and neither can nothing."""
    log = tmp_path / "log.csv"
    log.write_text("time_s,boost_kpa,delivered_ml_min\n0,1,0\n", encoding="utf-8")
    rig_path = tmp_path / "small.toml"
    rig_path.write_text(SMALL, encoding="utf-8")
    order = Order(str(log), rig=str(rig_path), outputs=["rts:/dev/x"], arm=True)
    with pytest.raises(BadInput, match="the past must not act"):
        await run_order(order)
    with pytest.raises(BadInput, match="found no --output"):
        await run_order(Order(str(log), rig=str(rig_path), arm=True))
