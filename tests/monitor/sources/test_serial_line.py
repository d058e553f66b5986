"""A serial port as it is in life: odd chunks, noise, a plug pulled and put back."""

import asyncio
import os
import socket
import sys
import threading
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import pytest

from monitor.sources.base import Arrival
from monitor.sources.lines.line_checks import with_crc
from monitor.sources.serial_line import SerialSource
from rules.channels import Sample
from rules.guard import Guard
from simulator.rig import rig_from_text
from simulator.strict import BadInput
from tests.kit.patience import PATIENCE_S
from tests.kit.reading import SerialReader as Reader
from tests.kit.rig_text import SMALL

if sys.platform == "win32":
    pytest.skip("no pseudo-terminals here", allow_module_level=True)


RIG = rig_from_text(SMALL, "small.toml")
HEADER = b"time_s,boost_kpa,delivered_ml_min\r\n"


class Socket:
    """A port at a path that stays, while what is plugged in behind it comes and goes."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "port"
        self._fds: tuple[int, int] | None = None
        self.plug()

    def plug(self) -> None:
        """Put a new device behind the path."""
        self._fds = os.openpty()
        fresh = self.path.with_suffix(".new")
        fresh.symlink_to(os.ttyname(self._fds[1]))
        fresh.replace(self.path)

    def unplug(self) -> None:
        """Take it away."""
        if self._fds is not None:
            self.path.unlink()
            for fd in self._fds:
                os.close(fd)
            self._fds = None

    def send(self, *chunks: bytes) -> None:
        """Send, each chunk in a write of its own."""
        assert self._fds is not None
        for chunk in chunks:
            rest = chunk
            while rest:
                rest = rest[os.write(self._fds[0], rest) :]


@pytest.fixture
def port(tmp_path: Path) -> Iterator[Socket]:
    """A port with something plugged in."""
    made = Socket(tmp_path)
    yield made
    made.unplug()


def row(time_s: float) -> bytes:
    """Return a good line."""
    return f"{time_s!r},{10 * time_s!r},{100 * time_s!r}\r\n".encode()


def read_as(time_s: float) -> Sample:
    """Return what a good line reads as."""
    return Sample(time_s, boost_kpa=10 * time_s, delivered_ml_min=100 * time_s)


@pytest.mark.asyncio
@pytest.mark.parametrize("size", [1, 2, 3, 7, 50])
async def test_lines_in_odd_chunks(port: Socket, size: int) -> None:
    """However the bytes are cut, the samples are the same."""
    stream = HEADER + b"".join(row(i / 8) for i in range(1, 9))
    async with Reader(port.path) as reader:
        port.send(*(stream[at : at + size] for at in range(0, len(stream), size)))
        assert [await reader.sample() for _ in range(8)] == [read_as(i / 8) for i in range(1, 9)]
        facts = asdict(reader.statistics)
        assert facts.pop("waiting") == 0
        assert 1 <= facts.pop("most_waiting") <= 8
        assert facts == {
            "received": 9,
            "decoded": 8,
            "headers": 1,
            "rejected": {},
            "dropped": 0,
            "connects": 1,
            "lost": 0,
            "clock": {},
            "drift_ppm": None,
            "no_numbers": 0,
            "noted": {},
        }


@pytest.mark.asyncio
async def test_half_a_line_is_no_sample(port: Socket) -> None:
    """Bytes without a line end wait: a number cut short would read as another number."""
    async with Reader(port.path) as reader:
        port.send(HEADER, row(1.0), b"2.0,12")
        assert await reader.sample() == read_as(1.0)
        pending = asyncio.ensure_future(reader.item())
        await asyncio.wait({pending}, timeout=0.0)
        assert not pending.done()
        port.send(b"5,7\r\n")
        arrival = await pending
        assert isinstance(arrival, Arrival)
        assert arrival.sample == Sample(2.0, boost_kpa=125.0, delivered_ml_min=7.0)


NOISE = {
    "overlong": (b"7" * 5000 + b"\n", "line too long"),
    "binary": (bytes(b for b in range(256) if b != 10) + b"\n", "not a number"),
    "nul in a number": (b"3.0,1\x000,5\n", "not a number"),
    "nuls": (b"\0" * 100 + b"\n", "not a number"),
    "too few fields": (b"3.0,10\n", "number of fields"),
    "too many fields": (b"3.0,10,5,1\n", "number of fields"),
    "infinite": (b"3.0,inf,5\n", "not a number"),
    "underscore": (b"3.0,1_0,5\n", "not a number"),
    "two lines run together": (b"3.0,10,53.1,10,5\n", "number of fields"),
    "a point too many": (b"3.0,1.0.0,5\n", "not a number"),
    "words": (b"error: sensor\n", "not a number"),
}


@pytest.mark.asyncio
@pytest.mark.parametrize("name", NOISE)
async def test_noise_is_rejected_counted_and_passed(port: Socket, name: str) -> None:
    """A bad line makes no sample, is counted with its reason, and the next line is good again."""
    noise, reason = NOISE[name]
    async with Reader(port.path) as reader:
        port.send(HEADER, row(1.0), noise, row(2.0))
        assert await reader.sample() == read_as(1.0)
        assert await reader.sample() == read_as(2.0)
        assert reader.statistics.rejected == {reason: 1}
        assert reader.statistics.received == 4


@pytest.mark.asyncio
async def test_headers_may_come_again_and_may_change(port: Socket) -> None:
    """A repeated header is a header; one with another order is followed from there on."""
    async with Reader(port.path) as reader:
        port.send(HEADER, row(1.0), HEADER, row(2.0))
        port.send(b"delivered_ml_min,boost_kpa,time_s\n5,6,7\n")
        assert await reader.sample() == read_as(1.0)
        assert await reader.sample() == read_as(2.0)
        assert await reader.sample() == Sample(7.0, boost_kpa=6.0, delivered_ml_min=5.0)
        assert (reader.statistics.headers, reader.statistics.rejected.total()) == (3, 0)


@pytest.mark.asyncio
async def test_a_stream_joined_in_the_middle(port: Socket) -> None:
    """Until a header comes by, nobody knows what the numbers mean: none is used."""
    async with Reader(port.path) as reader:
        port.send(b".5,5\r\n", row(1.0), row(2.0), HEADER, row(3.0))
        assert await reader.sample() == read_as(3.0)
        assert reader.statistics.rejected == {"no header yet": 3}


@pytest.mark.asyncio
async def test_a_header_without_a_needed_column_is_told_once(port: Socket) -> None:
    """A notice names the column; its rows are not used; a good header mends it."""
    rig = rig_from_text(SMALL + "[channels.intake_c]\n", "car.toml")
    async with Reader(port.path, rig) as reader:
        port.send(HEADER, b"1,2,3\n", HEADER, b"2,2,3\n")
        notice = await reader.notice()
        assert notice.topic == "header"
        assert "intake_c" in notice.text
        port.send(b"time_s,boost_kpa,delivered_ml_min,intake_c\n", b"3,2,3,4\n")
        assert await reader.sample() == Sample(3.0, boost_kpa=2.0, delivered_ml_min=3.0, intake_c=4)
        assert reader.statistics.rejected == {"wrong columns": 2}
        assert reader.statistics.headers == 3


@pytest.mark.asyncio
async def test_a_rig_may_name_the_columns(port: Socket) -> None:
    """With ``[serial] columns`` numbers count, but for the first line: it may have been cut."""
    columns = '[serial]\ncolumns = ["boost_kpa", "delivered_ml_min", "time_s"]\n'
    async with Reader(port.path, rig_from_text(SMALL + columns, "car.toml")) as reader:
        port.send(b"0,100,1\n10,100,1\n")  # of a line that began with 10
        assert await reader.sample() == Sample(1.0, boost_kpa=10.0, delivered_ml_min=100.0)
        assert reader.statistics.rejected == {"perhaps cut": 1}


@pytest.mark.asyncio
async def test_a_first_line_with_its_crc_is_whole(port: Socket) -> None:
    """What is left of a cut line would have another CRC."""
    more = '[serial]\ncrc = "c"\ncolumns = ["boost_kpa", "delivered_ml_min", "c"]\n'
    async with Reader(port.path, rig_from_text(SMALL + more, "car.toml")) as reader:
        port.send(with_crc("10,100").encode() + b"\n")
        assert (await reader.sample()).boost_kpa == 10.0


@pytest.mark.asyncio
async def test_pulled_and_plugged_in_again(port: Socket) -> None:
    """Lost is told, then connected again; samples resume, but only behind a new header."""
    async with Reader(port.path) as reader:
        port.send(HEADER, row(1.0), b"2.0,99")
        assert await reader.sample() == read_as(1.0)
        port.unplug()
        lost = await reader.notice()
        assert lost.topic == "lost"
        assert "port is gone" in lost.text
        port.plug()
        assert (await reader.notice()).topic == "connected"
        port.send(b"9.0,9.0\r\n", row(3.0), HEADER, row(4.0))
        assert await reader.sample() == read_as(4.0)
        statistics = reader.statistics
        assert statistics.connects == 2
        assert statistics.rejected == {"no header yet": 2}  # old columns and half lines are gone
        assert statistics.decoded == 2


@pytest.mark.asyncio
async def test_a_port_has_one_reader(port: Socket) -> None:
    """A second reader is refused at its start, and let in once the first has gone."""
    async with Reader(port.path):
        with pytest.raises(BadInput, match=r"can't be opened \(in use by another program\)"):
            await SerialSource(str(port.path), RIG).__aenter__()
    async with Reader(port.path) as reader:
        port.send(HEADER, row(0.0), row(1.0))
        assert await reader.sample() == read_as(0.0)


@pytest.mark.asyncio
async def test_closed_while_unplugged(port: Socket) -> None:
    """A source that waits for its port to come back closes at once too."""
    async with Reader(port.path) as reader:
        port.unplug()
        assert (await reader.notice()).topic == "lost"
        pending = asyncio.ensure_future(reader.item())
        await asyncio.wait({pending}, timeout=0.0)
        await reader.source.__aexit__(None, None, None)
        with pytest.raises(StopAsyncIteration):
            await asyncio.wait_for(pending, PATIENCE_S)


@pytest.mark.asyncio
async def test_a_tcp_line_comes_back() -> None:
    """The same over TCP: the other end hangs up, and listens again."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(PATIENCE_S)
        ready: list[socket.socket] = []
        accepted = threading.Thread(target=lambda: ready.append(server.accept()[0]))
        accepted.start()
        async with Reader(f"socket://127.0.0.1:{server.getsockname()[1]}") as reader:
            accepted.join()
            with ready.pop() as link:
                link.sendall(HEADER + row(1.0))
                assert await reader.sample() == read_as(1.0)
            assert (await reader.notice()).topic == "lost"
            assert (await reader.notice()).topic == "connected"
            with server.accept()[0] as link:
                link.sendall(HEADER + row(2.0))
                assert await reader.sample() == read_as(2.0)
                assert reader.statistics.connects == 2


@pytest.mark.asyncio
async def test_nothing_unhealthy_becomes_healthy(port: Socket) -> None:
    """A reading that is no number, and every line of noise, leaves the guard short of healthy."""
    guard = Guard(RIG.rig)
    async with Reader(port.path) as reader:
        port.send(HEADER, b"1.0,10,5\n", b"1.01,nan,5\n", b"1.02,1e999,6\n", b"1.03,9999,7\n")
        healthy = [guard.step(await reader.sample()).all_healthy for _ in range(4)]
        assert healthy == [1.0, 0.0, 0.0, 0.0]
        port.send(*(noise for noise, _ in NOISE.values()), b"1.04,,8\n")
        assert guard.step(await reader.sample()).all_healthy == 0.0  # not sent: still unknown
        port.send(b"1.05,10,9\n")
        assert guard.step(await reader.sample()).all_healthy == 1.0
