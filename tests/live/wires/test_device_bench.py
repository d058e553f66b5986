"""A device on the bench: ``watch`` as a process of its own, fed faults, its outputs listened to.

How soon it answers is its own affair and the machine's; here it must answer, be told of, and what
is told must hold together. On a machine that is short of time a guard may be blind for a moment and
let go without a fault, so runs are played until one is answered.
"""

import json
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from itertools import count
from math import isfinite
from pathlib import Path

import pytest
import serial

from monitor.attach.client import start_guard
from monitor.cli import run as flowdebt
from monitor.device.base import Ear
from monitor.device.open import open_ear
from monitor.device.trial import DeviceRun, Played, device_runs
from monitor.guard.process import Order
from monitor.outputs.serial_lines import beat_line
from monitor.send.broker import BrokerTarget
from monitor.send.paced import Target
from monitor.send.serial import SerialTarget
from simulator.logfile import mapped
from simulator.scenario import scenario_from_text
from tests.kit.brokers import amqtt_broker
from tests.kit.guards import SHORT_PUMP_STOP, short_pump_stop
from tests.kit.patience import PATIENCE_S
from tests.kit.pty_pair import PtyPair
from tests.kit.recordings import BRINDLE

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals and signals")
# What is left of the pull is long enough for a guard's answer, and short to sit out.
SHORTER = SHORT_PUMP_STOP.replace('for = "6 s"', 'for = "4.5 s"').replace(
    'for = "2 s"', 'for = "1 s"'
)
DRIVE = scenario_from_text(SHORTER, "shorter.toml")
NAMES = mapped(DRIVE.rig)


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder for the guard."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))


def answered(order: Order, target: Target, ear: Ear, rate_hz: float) -> DeviceRun:
    """Play a pump stop to a guard until it has answered; return that run."""
    drive = replace(DRIVE, rate_hz=rate_hz)
    process, _ = start_guard(order)
    try:
        drives = (Played(i, drive, 11 + i) for i in count())
        for run in device_runs(drives, target, ear, ready_s=PATIENCE_S):
            if isfinite(run.answers[0].pull_s):
                return run
    finally:
        process.kill()
        process.wait()
    raise AssertionError("the drives have no end")


def holds_together(run: DeviceRun) -> None:
    """What is told of a run that was answered."""
    (answer,) = run.answers
    assert answer.fault == "pump_stop"
    assert answer.held
    assert answer.onset_s == pytest.approx(4.5, abs=0.03)
    assert answer.sent_after_s >= 0.0
    assert 0.0 < answer.warn_s <= answer.pull_s <= answer.cut_s
    assert run.calm_s > 4.0


def test_a_heartbeat_over_pseudo_terminals() -> None:
    """Samples on one cable, beats on the other."""
    with PtyPair() as cable, PtyPair() as wire:
        outputs = [f"beat:{wire.left}"]
        order = Order(cable.right, rig="brindle", outputs=outputs, arm=True)
        target = SerialTarget(NAMES, cable.left, 115200)
        run = answered(order, target, open_ear(f"beat:{wire.right}", fed=target), 100.0)
    holds_together(run)
    assert run.answers[0].warn_s == run.answers[0].cut_s  # it only lets go


@pytest.mark.parametrize("form", ["beat", "state"])
def test_a_heartbeat_and_a_state_through_a_broker(form: str) -> None:
    """Samples and answers over one broker; a state tells which action it is."""
    with amqtt_broker() as broker:
        car = f"mqtt://127.0.0.1:{broker.port}/cars/one"
        order = Order(f"{car}?form=senml", rig="brindle", publish=f"{car}/guard")
        if form == "beat":
            order = Order(f"{car}?form=senml", rig="brindle", outputs=[f"{car}/guard"], arm=True)
        target = BrokerTarget(NAMES, BRINDLE, f"{car}?form=senml")
        ear = open_ear(f"{car}/guard?form={form}", silence_s=PATIENCE_S)
        assert ear.tells_action is (form == "state")
        run = answered(order, target, ear, 50.0)
    holds_together(run)


class SmallDevice:
    """A device that isn't flowdebt's: it lets go where little flows though boost is high."""

    def __init__(self, port: str) -> None:
        self._port = serial.Serial(port, timeout=0.05)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        names: list[bytes] = []
        number = 0
        while not self._ended.is_set():
            fields = self._port.readline().strip().split(b",")
            if fields[0] == b"time_s":
                names = fields
            elif len(fields) == len(names) > 0:
                sample = dict(zip(names, fields, strict=True))
                boost, flow = (float(sample[n] or 0) for n in (b"boost_kpa", b"delivered_ml_min"))
                number += 1
                self._port.write(beat_line(number, boost < 140.0 or flow > 50.0))

    def end(self) -> None:
        """Stop."""
        self._ended.set()
        self._thread.join()
        self._port.close()


@pytest.fixture
def device() -> Iterator[PtyPair]:
    """A small device at the right end of a cable."""
    with PtyPair() as cable:
        made = SmallDevice(cable.right)
        yield cable
        made.end()


def test_the_command_on_one_port(
    device: PtyPair, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Fed and listened to over the same port, twice: each run as JSON, then all together."""
    path = short_pump_stop(tmp_path)
    listen = ["--to", device.left, "--listen", f"beat:{device.left}", "--silence", "60"]
    assert flowdebt(["feed", str(path), *listen, "--times", "2", "--json"]) == 0
    *runs, told = (json.loads(line) for line in capsys.readouterr().out.splitlines())
    assert [run["seed"] for run in runs] == [11, 12]
    (fault,) = told["faults"]
    assert (told["runs"], told["false_answers"], told["tells_action"]) == (2, 0, False)
    assert (fault["fault"], fault["began"], fault["held"]) == ("pump_stop", 2, 2)
    delays_s = sorted(run["answers"][0]["cut_s"] for run in runs)
    assert fault["cut_s"]["answered"] == 2
    assert [fault["cut_s"]["from_sent"][name] for name in ("p50_s", "worst_s")] == delays_s


def test_the_command_in_words(
    device: PtyPair, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A device that never answers a drive without a fault has a table of false answers alone."""
    path = tmp_path / "calm.toml"
    path.write_text(SHORTER.partition("[[faults]]")[0], encoding="utf-8")
    listen = ["--to", device.left, "--listen", f"beat:{device.left}", "--silence", "60"]
    assert flowdebt(["feed", str(path), *listen]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == f"1 run, listening to heartbeat on {device.left}"
    assert "let go with no fault there: 0 in" in lines[1]
