"""A serial port over a longer life: flooded, at the wrong speed, reset, pulled and moved."""

import asyncio
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from monitor.send.paced import send_paced
from monitor.send.serial import LineFormat, SerialTarget
from monitor.sources.base import Notice
from monitor.sources.ports import ListPorts
from rules.channels import Sample
from rules.guard import Guard
from simulator.rig import rig_from_text
from tests.kit.pty_pair import PtyPair
from tests.kit.reading import SerialReader
from tests.kit.rig_text import SMALL
from tests.monitor.sources.test_ports import System, usb

if sys.platform == "win32":
    pytest.skip("no pseudo-terminals here", allow_module_level=True)

RIG = rig_from_text(SMALL, "small.toml")
NAMES = ("boost_kpa", "delivered_ml_min")
HEADER = b"time_s,boost_kpa,delivered_ml_min\r\n"


class Device:
    """Something that can be read at a path of its own."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        self.path = os.ttyname(self._slave)
        self._open = True

    def send(self, data: bytes) -> None:
        """Send, however long that takes."""
        while data:
            data = data[os.write(self.master, data) :]

    def close(self) -> None:
        """Pull the plug."""
        if self._open:
            self._open = False
            os.close(self.master)
            os.close(self._slave)


@contextmanager
def device() -> Iterator[Device]:
    """A device, pulled at the end."""
    made = Device()
    try:
        yield made
    finally:
        made.close()


class Reader(SerialReader):
    """A port being read; notices between samples are kept."""

    def __init__(self, name: str, lister: ListPorts | None = None) -> None:
        super().__init__(name, RIG, lister)
        self.notices: list[Notice] = []

    async def sample(self) -> Sample:
        """Return the next sample; keep the notices before it."""
        while isinstance(item := await self.item(), Notice):
            self.notices.append(item)
        return item.sample


def readings(count: int) -> list[Sample]:
    """Return readings at 100 Hz."""
    return [
        Sample(0.01 * i, boost_kpa=i % 97 / 7.0, delivered_ml_min=i % 89 / 3.0)
        for i in range(count)
    ]


def test_what_a_line_can_carry() -> None:
    """At 8N1 a byte takes ten bits: 960, 11 520 and 92 160 bytes/s at 9600, 115 200, 921 600 baud.

    By definition. A line of eight channels with sequence number and CRC is at most 160 bytes, so
    that 921 600 baud carry 576 of them a second, and 115 200 baud 72.
    """
    rates = {baud: baud // 10 for baud in (9600, 115_200, 921_600)}
    assert list(rates.values()) == [960, 11_520, 92_160]
    names = (
        *("engine_speed_rpm", "boost_kpa", "injector_duty_pct", "intake_c", "knock"),
        *("commanded_ml_min", "delivered_ml_min", "supply_v"),
    )
    sample = Sample(12_345.678901234567)._replace(**dict.fromkeys(names, 1234.5678901234567))
    longest = len(LineFormat(sequence=True, crc=True).line(sample, names, 2**32 - 1))
    assert longest <= 192
    typical = Sample(123.45)._replace(**dict.fromkeys(names, 1234.5678901))
    assert len(LineFormat(sequence=True, crc=True).line(typical, names, 10**6)) <= 160


@pytest.mark.asyncio
@pytest.mark.parametrize(
    "form",
    [LineFormat(), LineFormat(sequence=True, crc=True), LineFormat(sequence=True, senml=True)],
)
async def test_a_full_flood_loses_nothing(form: LineFormat) -> None:
    """As fast as a pty takes it, well beyond 921 600 baud: every reading, in order, none lost."""
    sent = readings(4000)
    data = form.header(NAMES) + "".join(form.line(s, NAMES, i) for i, s in enumerate(sent))
    with device() as port:
        async with Reader(port.path) as reader:
            writer = asyncio.create_task(asyncio.to_thread(port.send, data.encode()))
            read = [await reader.sample() for _ in sent]
            await writer
        shift_s = 2.0**29 if form.senml else 0.0
        assert [s[1:] for s in read] == [s[1:] for s in sent]
        assert [s.time_s - shift_s for s in read] == pytest.approx([s.time_s for s in sent])
        statistics = reader.statistics
        assert (statistics.rejected, statistics.dropped, statistics.lost) == ({}, 0, 0)


@pytest.mark.asyncio
async def test_a_flood_of_noise_ends_in_words_and_recovers() -> None:
    """100 kB of a line at the wrong speed, then the right one: said, and read."""
    noise = np.random.default_rng(3).integers(0, 256, 100_000, dtype=np.uint8).tobytes()
    with device() as port:
        import tty

        tty.setraw(port.master)  # noise holds signs that a line discipline would act on
        async with Reader(port.path) as reader:
            writer = asyncio.create_task(asyncio.to_thread(port.send, noise))
            notice = await reader.notice()
            await writer
            assert notice.topic == "unusable"
            assert "baud" in notice.text
            port.send(b"\n" + HEADER + b"1,2,3\r\n")
            assert await reader.sample() == Sample(1.0, boost_kpa=2.0, delivered_ml_min=3.0)
            assert reader.statistics.decoded == 1


@pytest.mark.asyncio
async def test_noise_between_checked_lines_costs_those_lines_only() -> None:
    """With CRC and sequence, bits that flip cost the line they hit, and that is counted."""
    form = LineFormat(sequence=True, crc=True)
    sent = readings(200)
    lines = [bytearray(form.line(s, NAMES, i).encode()) for i, s in enumerate(sent)]
    generator = np.random.default_rng(5)
    hit = sorted(generator.choice(np.arange(1, 199), 20, replace=False).tolist())
    for i in hit:
        lines[i][int(generator.integers(0, len(lines[i]) - 8))] ^= 0x04
    with device() as port:
        async with Reader(port.path) as reader:
            port.send(form.header(NAMES).encode() + b"".join(lines))
            read = [await reader.sample() for _ in range(180)]
        assert read == [s for i, s in enumerate(sent) if i not in hit]
        assert reader.statistics.rejected == {"crc": 20}
        assert reader.statistics.lost == 20


@pytest.mark.asyncio
async def test_a_device_that_starts_again_under_way() -> None:
    """Time and sequence begin anew, without a plug pulled: told, and read on."""
    form = LineFormat(sequence=True)
    with device() as port:
        async with Reader(port.path) as reader:
            port.send(form.header(NAMES).encode())
            for start_s, first in ((70.0, 7000), (0.0, 0)):
                for i in range(5):
                    sample = Sample(start_s + 0.01 * i, boost_kpa=1.0, delivered_ml_min=2.0)
                    port.send(form.line(sample, NAMES, first + i).encode())
                    assert await reader.sample() == sample
        (notice,) = reader.notices
        assert notice.topic == "clock"
        assert "started again" in notice.text
        assert reader.statistics.clock == {"reset": 1}
        assert reader.statistics.lost == 0


@pytest.mark.asyncio
async def test_the_adapter_is_found_at_another_device() -> None:
    """Pulled and plugged in elsewhere: reading goes on from the same adapter, and says where."""
    with device() as old, device() as new, device() as other:
        system = System(usb(old.path))
        async with Reader(old.path, system) as reader:
            old.send(HEADER + b"1,2,3\r\n")
            assert (await reader.sample()).time_s == 1.0
            system.infos = [usb(other.path, "OTHER")]
            old.close()
            assert (await reader.notice()).topic == "lost"
            other.send(HEADER + b"6,6,6\r\n")
            system.infos = [usb(other.path, "OTHER"), usb(new.path)]
            connected = await reader.notice()
            assert connected.topic == "connected"
            assert new.path in connected.text
            new.send(HEADER + b"2,2,3\r\n")
            assert (await reader.sample()).time_s == 2.0
            assert reader.statistics.connects == 2


@pytest.mark.asyncio
async def test_an_adapter_by_its_identity_from_the_start() -> None:
    """``usb:VID:PID:SERIAL`` opens whatever device that is now."""
    with device() as port:
        async with Reader("usb:0403:6001:A1", System(usb(port.path))) as reader:
            port.send(HEADER + b"1,2,3\r\n")
            assert (await reader.sample()).time_s == 1.0


@pytest.mark.asyncio
async def test_what_feed_sends_is_read_over_a_cable(tmp_path: Path) -> None:
    """Both ends of a cable: fed with checks, read to the bit."""
    sent = readings(300)
    form = LineFormat(sequence=True, crc=True)
    with PtyPair() as pair:
        async with Reader(pair.right) as reader:
            target = SerialTarget(NAMES, pair.left, 921_600, form)
            feeding = asyncio.create_task(asyncio.to_thread(send_paced, sent, target, 0.0))
            assert [await reader.sample() for _ in sent] == sent
            assert await feeding == 300
            assert reader.statistics.headers == 3


@pytest.mark.asyncio
async def test_garbage_is_never_healthy() -> None:
    """Noise, halves, packs of another device: no step of a guard on what is left is healthy."""
    pieces = [b"\xff\x00\x13", b"1,2\n", b"[\n", b'[{"n":"humidity","v":3}]\n', b"1,2,3", b",,,\n"]
    pieces += [b'[{"n":"boost_kpa","vs":"fault"}]\n', b"boost_kpa,x\n", b"\n" * 9, b"nan,nan,nan\n"]
    generator = np.random.default_rng(11)
    data = b"".join(pieces[i] for i in generator.integers(0, len(pieces), 3000))
    guard = Guard(RIG.rig)
    with device() as port:
        import tty

        tty.setraw(port.master)
        async with Reader(port.path) as reader:
            data += b"\nboost_kpa,delivered_ml_min\n2,3\n"
            writer = asyncio.create_task(asyncio.to_thread(port.send, data))
            healthy: list[float] = []
            while not healthy or not healthy[-1]:
                sample = await reader.sample()
                healthy.append(guard.step(sample).all_healthy)
            await writer
    assert sample == Sample(sample.time_s, boost_kpa=2.0, delivered_ml_min=3.0)
    assert sum(healthy) == 1.0
    assert len(healthy) > 1
