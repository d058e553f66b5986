"""One contract, every output: what ``monitor.outputs.base.Output`` promises, all of them keep.

A pseudo-terminal has no handshake pins, so RTS and DTR are held to the contract on a stand-in for
pyserial's port that has them, and is closed by the system as a real one is: lines fall.
"""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import serial

from monitor.outputs.base import Output, OutputFault
from monitor.outputs.fake import FakeOutput
from monitor.outputs.mqtt_beat import BeatTopic
from monitor.outputs.open import open_output
from monitor.outputs.serial_lines import HandshakePin, SerialBeat, beat_line
from simulator.strict import BadInput
from tests.kit.brokers import Publisher, amqtt_broker
from tests.kit.output_wire import read_beat_line
from tests.kit.pty_pair import PtyPair


@dataclass
class Case:
    """An output to hold to the contract.

    Attributes:
        output: The output.
        held: Returns whether the other end sees it held, from what came since the last call.
        pull: Takes away what it is connected to.
    """

    output: Output
    held: Callable[[], bool]
    pull: Callable[[], None]


class StandInPort:
    """A serial port with handshake pins, as pyserial shows one."""

    made: "list[StandInPort]" = []  # noqa: RUF012  # one test at a time
    gone = False

    def __init__(self) -> None:
        self.is_open = False
        self.lines = {"rts": True, "dtr": True}  # as the system leaves them on open
        self.history: list[tuple[str, bool]] = []
        self.made.append(self)

    def open(self) -> None:
        """Open: what was set before holds."""
        if StandInPort.gone:
            raise serial.SerialException("[Errno 2] could not open port: No such file or directory")
        self.is_open = True

    def close(self) -> None:
        """Close: the system drops both lines."""
        self.is_open = False
        self.lines = dict.fromkeys(self.lines, False)

    def fileno(self) -> int:
        """Return no descriptor."""
        raise OSError(25, "Inappropriate ioctl for device")

    @property
    def in_waiting(self) -> int:
        """Nothing waits."""
        if StandInPort.gone:
            raise OSError(5, "Input/output error")
        return 0

    def _set(self, line: str, value: bool) -> None:
        if StandInPort.gone and self.is_open:
            raise OSError(5, "Input/output error")
        self.history.append((line, value))
        self.lines[line] = value

    rts = property(lambda self: self.lines["rts"], lambda self, value: self._set("rts", value))
    dtr = property(lambda self: self.lines["dtr"], lambda self, value: self._set("dtr", value))


@contextmanager
def handshake_pin(folder: Path, patch: pytest.MonkeyPatch, line: str) -> Iterator[Case]:
    """RTS or DTR."""
    StandInPort.made.clear()
    patch.setattr(StandInPort, "gone", False)
    patch.setattr("serial.serial_for_url", lambda *_, **__: StandInPort())

    def held() -> bool:
        port = StandInPort.made[-1]
        other = "dtr" if line == "rts" else "rts"
        assert port.lines[other] is False
        return port.lines[line] and not StandInPort.gone

    def pull() -> None:
        StandInPort.gone = True

    yield Case(HandshakePin("/dev/stand-in", line), held, pull)


def rts(folder: Path, patch: pytest.MonkeyPatch) -> Any:
    """The RTS line."""
    return handshake_pin(folder, patch, "rts")


def dtr(folder: Path, patch: pytest.MonkeyPatch) -> Any:
    """The DTR line."""
    return handshake_pin(folder, patch, "dtr")


@contextmanager
def fake(folder: Path, patch: pytest.MonkeyPatch) -> Iterator[Case]:
    """The fake."""
    output = FakeOutput()

    def pull() -> None:
        output.fault = "gone"
        output.held = False

    yield Case(output, lambda: output.held, pull)


@contextmanager
def lines(folder: Path, patch: pytest.MonkeyPatch) -> Iterator[Case]:
    """A heartbeat over a null-modem cable of pseudo-terminals."""
    if sys.platform == "win32":
        pytest.skip("no pseudo-terminals here")
    pair = PtyPair()
    pair.__enter__()
    alive = [True]
    listener = serial.Serial(pair.right, timeout=0.3)

    def held() -> bool:
        if not alive[0]:
            return False
        last = False
        numbers = []
        while line := listener.readline():
            beat = read_beat_line(line)
            assert beat is not None
            numbers.append(beat[0])
            last = beat[1]
        assert numbers == sorted(set(numbers))
        return last

    def pull() -> None:
        alive[0] = False
        listener.close()
        pair.__exit__(None, None, None)

    try:
        yield Case(SerialBeat(pair.left), held, pull)
    finally:
        if alive[0]:
            pull()


@contextmanager
def topic(folder: Path, patch: pytest.MonkeyPatch) -> Iterator[Case]:
    """The heartbeat through a broker."""
    with amqtt_broker() as broker, Publisher(broker.port) as listener:
        heard = listener.hear("cars/one/hold")

        def held() -> bool:
            fields = [payload.split(b",") for payload in heard.since_last_call(0.3)]
            numbers = [int(f[2]) for f in fields if len(f) == 3]
            assert numbers == sorted(set(numbers))
            return bool(fields) and fields[-1][0] == b"1"

        yield Case(BeatTopic(f"mqtt://127.0.0.1:{broker.port}/cars/one"), held, broker.stop)


CASES = {make.__name__: make for make in (fake, rts, dtr, lines, topic)}


@pytest.fixture(params=CASES)
def case(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Case]:
    """Each output."""
    with CASES[request.param](tmp_path, monkeypatch) as made:
        yield made
        made.output.close()


def beat_on(output: Output) -> None:
    """Hold on and on; ends by a fault."""
    for _ in range(200_000):
        output.beat(True)


def test_opened_it_is_released(case: Case) -> None:
    """Opening alone holds nothing, and neither does a beat that says release."""
    case.output.open()
    assert not case.held()
    case.output.beat(False)
    assert not case.held()


def test_it_is_held_and_released_as_told(case: Case) -> None:
    """Held while told so, released at the first beat that says so, and held again."""
    case.output.open()
    for held in (True, False, True, True):
        case.output.beat(held)
        assert case.held() is held


def test_closing_releases(case: Case) -> None:
    """A held output that is closed is released; closing twice is harmless; it opens again."""
    case.output.open()
    case.output.beat(True)
    assert case.held()
    case.output.close()
    case.output.close()
    assert not case.held()
    case.output.open()
    assert not case.held()
    case.output.beat(True)
    assert case.held()


def test_not_open_is_a_fault(case: Case) -> None:
    """A beat before opening, or after closing, is a fault and holds nothing."""
    with pytest.raises(OutputFault):
        case.output.beat(True)
    case.output.open()
    case.output.close()
    with pytest.raises(OutputFault):
        case.output.beat(True)


def test_what_is_pulled_out_is_released_and_a_fault(case: Case) -> None:
    """With the other end gone a beat soon faults, in words; closing still works; opening faults."""
    case.output.open()
    case.output.beat(True)
    assert case.held()
    case.pull()
    with pytest.raises(OutputFault, match=r"\w+"):
        beat_on(case.output)
    assert not case.held()
    case.output.close()
    with pytest.raises(OutputFault, match=r"\w+"):
        case.output.open()


def test_pins_are_dropped_before_the_port_opens(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both lines are set False before and after opening: no relay may see more than a click."""
    with handshake_pin(tmp_path, monkeypatch, "rts") as case:
        case.output.open()
        before_open = {("rts", False), ("dtr", False)}
        history = StandInPort.made[-1].history
        assert set(history[:2]) == before_open
        assert set(history[2:4]) == before_open


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals here")
def test_a_port_without_handshake_pins_is_refused() -> None:
    """A pseudo-terminal has none: to say that one is held would be a lie."""
    master, slave = os.openpty()
    try:
        with pytest.raises(OutputFault, match="RTS of"):
            HandshakePin(os.ttyname(slave), "rts").open()
    finally:
        os.close(master)
        os.close(slave)


def test_a_heartbeat_line_is_checked() -> None:
    """Good lines read back; a flipped state, a cut line and a line of another kind do not.

    The check sum is CRC-16 with polynomial 0x1021 and start 0xFFFF, whose check value over the
    digits 1 to 9 is 0x29B1 (the common test string of CRC catalogues).
    """
    import binascii

    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1
    line = beat_line(17, True)
    assert read_beat_line(line) == (17, True)
    assert read_beat_line(beat_line(18, False)) == (18, False)
    for bad in (line.replace(b",1,", b",0,"), line[:-4], b"", b"beat,x,1,0000", b"\xff" * 30):
        assert read_beat_line(bad) is None


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("rts", "expected rts:PORT"),
        ("relay:/dev/x", "expected rts:PORT"),
        ("beat:/dev/x@fast", "expected bits/s"),
        ("mqtt://h", "expected names between slashes"),
    ],
)
def test_another_output_is_bad_input(text: str, told: str) -> None:
    """What is no output says what would be one."""
    with pytest.raises(BadInput, match=told):
        open_output(text)


def test_outputs_are_named() -> None:
    """Each name says what and where."""
    assert open_output("rts:/dev/x").name == "RTS of /dev/x"
    assert open_output("beat:socket://h:1@9600").name == "heartbeat on socket://h:1"
    assert open_output("mqtt://h/a").name == "heartbeat at a/hold of h:1883"
