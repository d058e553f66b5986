"""Control lines and heartbeats as a device drives them: by flowdebt's own outputs, and any bytes.

A pseudo-terminal has no control lines, so these are heard on two stand-ins for pyserial's port with
a null-modem cable between them: RTS of the one is CTS of the other, DTR is DSR and DCD.
"""

import sys
from collections.abc import Iterator
from typing import Any

import pytest
import serial

from monitor.clock import now_s
from monitor.device.base import HELD, RELEASED, Ear
from monitor.device.open import open_ear
from monitor.outputs.base import Output
from monitor.outputs.serial_lines import HandshakePin, SerialBeat, beat_line, beat_of
from monitor.send.serial import SerialTarget
from rules.channels import Sample
from simulator.strict import BadInput
from tests.kit.patience import PATIENCE_S, until
from tests.kit.pty_pair import PtyPair

needs_ptys = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals here")


class StandInPort:
    """One end of a null-modem cable, as pyserial shows a port with control lines.

    Attributes:
        far: The other end.
        gone: Whether the adapter was pulled out.
    """

    def __init__(self) -> None:
        self.far = self
        self.gone = False
        self.is_open = False
        self.rts = self.dtr = False
        self.timeout: float | None = None

    def open(self) -> None:
        """Open."""
        self.is_open = True

    def close(self) -> None:
        """Close: the system drops both lines."""
        self.is_open = self.rts = self.dtr = False

    def fileno(self) -> int:
        """Return no descriptor."""
        raise OSError(25, "Inappropriate ioctl for device")

    @property
    def in_waiting(self) -> int:
        """Nothing waits."""
        return 0

    def _line(self, name: str) -> bool:
        if self.gone:
            raise OSError(5, "Input/output error")
        return bool(getattr(self.far, name))

    cts = property(lambda self: self._line("rts"))
    dsr = property(lambda self: self._line("dtr"))
    cd = property(lambda self: self._line("dtr"))


@pytest.fixture
def cable(monkeypatch: pytest.MonkeyPatch) -> tuple[StandInPort, StandInPort]:
    """A null-modem cable: /dev/device and /dev/bench."""
    device, bench = StandInPort(), StandInPort()
    device.far, bench.far = bench, device

    def port(url: str, **options: Any) -> StandInPort:
        made = {"/dev/device": device, "/dev/bench": bench}[url]
        if not options.get("do_not_open"):
            made.open()
        return made

    monkeypatch.setattr("serial.serial_for_url", port)
    return device, bench


def hears(ear: Ear, action: object) -> None:
    """Wait until this is the newest of what was heard."""
    until(lambda: ear.heard.says(now_s()) is action)


@pytest.mark.parametrize(("pin", "line"), [("rts", "cts"), ("dtr", "dsr"), ("dtr", "dcd")])
def test_a_pin_that_falls_is_heard(
    cable: tuple[StandInPort, StandInPort], pin: str, line: str
) -> None:
    """What flowdebt's own pin does at one end, at the other: held, let go, held again."""
    output = HandshakePin("/dev/device", pin)
    output.open()
    ear = open_ear(f"{line}:/dev/bench")
    assert ear.name == f"{line.upper()} of /dev/bench"
    ear.open()
    for held in (True, False, True):
        output.beat(held)
        hears(ear, HELD if held else RELEASED)
    output.close()
    hears(ear, RELEASED)
    ear.close()
    assert not cable[1].is_open
    times_s = [change.at_s for change in ear.heard.changes(now_s())]
    assert times_s == sorted(times_s)
    assert ear.late_s > 0.0


def test_a_line_that_rises_may_be_the_answer(cable: tuple[StandInPort, StandInPort]) -> None:
    """A device that asserts a line when it acts."""
    ear = open_ear("cts:/dev/bench", rises=True)
    ear.open()
    hears(ear, HELD)
    cable[0].rts = True
    hears(ear, RELEASED)
    ear.close()


def test_an_adapter_pulled_out_is_a_fault(cable: tuple[StandInPort, StandInPort]) -> None:
    """In words; closing still works, twice."""
    ear = open_ear("cts:/dev/bench")
    ear.open()
    cable[1].gone = True
    until(lambda: ear.heard.fault)
    assert ear.heard.fault == "the port is gone"
    ear.close()
    ear.close()


def test_the_port_that_is_fed_may_be_listened_to() -> None:
    """It is opened once, and the listener doesn't close it (pyserial's own loop: RTS is CTS)."""
    target = SerialTarget(("boost_kpa",), "loop://", 115200)
    ear = open_ear("cts:loop://", fed=target)
    ear.open()
    for held in (True, False):
        target.port.rts = held
        hears(ear, HELD if held else RELEASED)
        target.send(Sample(1.0, boost_kpa=5.0), 0)
    ear.close()
    assert target.port.is_open
    target.close()


@pytest.fixture
def wire() -> Iterator[PtyPair]:
    """A cable of pseudo-terminals."""
    with PtyPair() as laid:
        yield laid


def beating(output: Output, held: bool, ear: Ear) -> None:
    """Beat until that is heard."""

    def beat() -> bool:
        output.beat(held)
        return ear.heard.says(now_s()) is (HELD if held else RELEASED)

    until(beat)


@needs_ptys
def test_flowdebts_own_heartbeat_is_heard(wire: PtyPair) -> None:
    """Held and released by its lines, at once; what comes after nonsense is read."""
    output = SerialBeat(wire.left)
    output.open()
    ear = open_ear(f"beat:{wire.right}", silence_s=PATIENCE_S)
    ear.open()
    for held in (True, False, True):
        beating(output, held, ear)
    with serial.Serial(wire.left) as other:
        other.write(b"\xff" * 5000 + b"beat,1\r\n")
    output.beat(False)
    hears(ear, RELEASED)
    output.close()
    ear.close()


@needs_ptys
def test_a_beat_that_repeats_itself_is_none(wire: PtyPair) -> None:
    """A device that hangs and says the same line for ever is silent, and so released."""
    with serial.Serial(wire.left) as device:
        ear = open_ear(f"beat:{wire.right}", silence_s=0.05)
        ear.open()
        until(lambda: device.write(beat_line(1, True)) and ear.heard.changes(now_s()))
        until(lambda: device.write(beat_line(1, True)) and ear.heard.says(now_s()) is RELEASED)
        ear.close()
    (held, released) = ear.heard.changes(now_s())
    assert released.at_s == pytest.approx(held.at_s + 0.05)


@needs_ptys
def test_any_bytes_may_be_a_heartbeat(wire: PtyPair) -> None:
    """From a device that knows nothing of our lines."""
    with serial.Serial(wire.left) as device:
        ear = open_ear(f"bytes:{wire.right}@9600", silence_s=PATIENCE_S)
        ear.open()
        device.write(b"\x55")
        hears(ear, HELD)
        ear.close()


@needs_ptys
def test_a_pseudo_terminal_has_no_lines(wire: PtyPair) -> None:
    """To say that one never fell would be a lie."""
    ear = open_ear(f"cts:{wire.right}")
    with pytest.raises(BadInput, match=r"--listen: CTS of .*: found .*, expected a port with"):
        ear.open()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("cts", "expected cts:PORT"),
        ("rts:/dev/x", "expected cts:PORT"),
        ("beat:/dev/x@fast", "--listen beat:/dev/x@fast: found no speed behind @"),
        ("cts:socket://127.0.0.1:1", "found a TCP address, expected a port with lines"),
        ("bytes:usb:ffff:fffe", "found no such adapter plugged in"),
        ("mqtt://h", "expected names between slashes"),
        ("mqtt://h/x?form=smoke", "expected beat or state or message"),
    ],
)
def test_what_is_no_output_says_what_would_be_one(text: str, told: str) -> None:
    """One line each."""
    with pytest.raises(BadInput, match=told.replace("?", r"\?")):
        open_ear(text)


def test_a_port_that_is_not_there_is_one_line() -> None:
    """With its name."""
    with pytest.raises(BadInput, match="heartbeat on /dev/none: found no such port, expected"):
        open_ear("beat:/dev/none").open()


def test_a_beat_line_is_checked() -> None:
    """Good lines read back; a flipped state, a cut line and one of another kind do not."""
    line = beat_line(17, True)
    assert beat_of(line) == (17, True)
    assert beat_of(beat_line(18, False)) == (18, False)
    flipped = line.replace(b",1,", b",0,")
    for bad in (flipped, line[:-4], b"", b"beat,x,1,0000", b"\xff" * 30, b"9" * 5000):
        assert beat_of(bad) is None
