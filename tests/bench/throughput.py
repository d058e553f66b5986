"""How much one guard process holds, and how many cars a core carries. Linux: reads ``/proc``.

Everything is on: lines from a pseudo-terminal, decode, align, decide, record, a viewer attached.
Beside it, in the same run and over the same terminals, a bare loop that only turns lines into
numbers: what is left over it is the price of everything else.
"""

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.attach.client import ViewerLink, start_guard
from monitor.attach.message_parts import Latency, Statistics
from monitor.attach.protocol import Bye, Frame
from monitor.guard.process import Order
from monitor.guard.warm import is_warm
from monitor.guard.warm import main as warm
from tests.bench.latency import rig_for
from tests.bench.table import note, show

RATES = (1000, 2000, 4000, 6000, 8000, 12000, 16000, 24000, 32000, 48000, 64000)
SECONDS = 3.0
CARS = (1, 4, 8)
CAR_HZ = 100
CAR_SECONDS = 10.0
COMPARED_AT = 4000
TICKS_S = os.sysconf("SC_CLK_TCK") if hasattr(os, "sysconf") else 100

SENDER = """
import os, sys, time
fd, rate, seconds = int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
names = "time_s,engine_speed_rpm,boost_kpa,injector_duty_pct,intake_c,knock,delivered_ml_min"
count, step = int(rate * seconds), max(1, rate // 500)
lines = [b"%.6f,%d,%.1f,%.1f,%.1f,0,%d\\n" % (
    100.0 + i / rate, 5000 + i % 7, 150.0 + 0.1 * (i % 7), 70.0, 35.0, 700 + i % 7)
    for i in range(count)]
chunks = [b"".join(lines[i:i + step]) for i in range(0, count, step)]
os.write(fd, (names + "\\n").encode())
start = time.monotonic()
for i, chunk in enumerate(chunks):
    wait = start + i * step / rate - time.monotonic()
    if wait > 0:
        time.sleep(wait)
    while chunk:
        chunk = chunk[os.write(fd, chunk):]
print(count, time.monotonic() - start)
"""

BARE = """
import os, sys
fd = os.open(sys.argv[1], os.O_RDONLY | os.O_NOCTTY)
rest, count = b"", 0
print("ready", flush=True)
os.read(fd, 1)
while True:
    data = os.read(fd, 4096)
    *lines, rest = (rest + data).split(b"\\n")
    for line in lines:
        if line == b"end":
            print(count, flush=True)
            sys.exit()
        try:
            row = [float(cell) for cell in line.split(b",")]
            count += 1
        except ValueError:
            pass
"""


def _n(count: int | None) -> int:
    return count or 0


def _latency(facts: Statistics) -> Latency:
    if facts.latency is None:
        raise RuntimeError("found no latency in a guard's goodbye")
    return facts.latency


@dataclass(slots=True)
class Held:
    """What became of one rate."""

    rate: int
    sent: int
    used: int
    late_s: float
    cpu_us: float
    waiting: int = 0
    p99_ms: float = 0.0

    @property
    def is_held(self) -> bool:
        """Nothing lost, the sender never held up for long, and no queue that grows."""
        return (
            self.used == self.sent
            and self.late_s < 0.05 * SECONDS
            and self.waiting < max(200, 0.25 * self.rate)
        )


def cpu_s(pid: int) -> float:
    """Return the CPU time a process has taken, all threads, s."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_S


@contextmanager
def terminal() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: a descriptor to send with, and a path to read at."""
    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


def send(master: int, rate: int, seconds: float) -> "subprocess.Popen[str]":
    """Start a sender."""
    return subprocess.Popen(
        [sys.executable, "-c", SENDER, str(master), str(rate), str(seconds)],
        pass_fds=(master,),
        stdout=subprocess.PIPE,
        text=True,
    )


def bare(rate: int) -> Held:
    """Run the loop that only parses."""
    with terminal() as (master, path):
        reader = subprocess.Popen(
            [sys.executable, "-c", BARE, path], stdout=subprocess.PIPE, text=True
        )
        if reader.stdout is None:
            raise RuntimeError("no pipe")
        reader.stdout.readline()
        before_s = cpu_s(reader.pid)
        sent, took_s = send(master, rate, SECONDS).communicate()[0].split()
        took_cpu_s = cpu_s(reader.pid) - before_s
        os.write(master, b"end\n")
        used = int(reader.communicate()[0])
    late_s = float(took_s) - SECONDS
    return Held(rate, int(sent), used, late_s, 1e6 * took_cpu_s / max(1, used))


class Watched:
    """A guard with a viewer that reads along, on a thread."""

    def __init__(self, path: str, folder: Path) -> None:
        order = Order(path, str(rig_for(folder)), record=str(folder / "sessions"))
        self.process, self._endpoint = start_guard(order)
        self.bye: Statistics | None = None
        self.newest: Statistics | None = None
        self._thread = threading.Thread(target=lambda: asyncio.run(self._view()))
        self._thread.start()

    async def _view(self) -> None:
        async with ViewerLink(self._endpoint) as link:
            async for message in link.messages():
                if isinstance(message, Frame):
                    self.newest = message.statistics
                elif isinstance(message, Bye):
                    self.bye = message.statistics

    def until_idle(self) -> None:
        """Wait until it has started, and then until it has used what it was sent."""
        before: object = None
        pause = threading.Event()
        for _ in range(100):
            pause.wait(0.1)
            if self.newest is None:
                continue
            now = (self.newest.decoded, self.newest.waiting)
            if now == before and not self.newest.waiting:
                return
            before = now

    def stop(self) -> Statistics:
        """End it; return its last statistics."""
        with contextlib.suppress(ProcessLookupError):
            self.process.send_signal(signal.SIGINT)
        self.process.wait(30)
        self._thread.join(30)
        if self.bye is None:
            raise RuntimeError("the guard ended without a word")
        return self.bye


def guarded(rate: int, folder: Path) -> Held:
    """Run a guard with everything on."""
    with terminal() as (master, path):
        watched = Watched(path, folder)
        watched.until_idle()
        before_s = cpu_s(watched.process.pid)
        sent, took_s = send(master, rate, SECONDS).communicate()[0].split()
        took_cpu_s = cpu_s(watched.process.pid) - before_s
        watched.until_idle()
        facts = watched.stop()
    lost = _n(facts.dropped) + _n(facts.not_recorded) + _n(facts.refused)
    return Held(
        rate,
        int(sent),
        _n(facts.decoded) - lost,
        float(took_s) - SECONDS,
        1e6 * took_cpu_s / int(sent),
        _n(facts.most_waiting),
        _latency(facts).p99_ms,
    )


def cars(count: int, folder: Path) -> tuple[object, ...]:
    """Run so many guards at once, each with a car of its own."""
    with contextlib.ExitStack() as stack:
        lines = [stack.enter_context(terminal()) for _ in range(count)]
        guards = []
        for i, (_, path) in enumerate(lines):
            (folder / str(i)).mkdir()
            guards.append(Watched(path, folder / str(i)))
        for watched in guards:
            watched.until_idle()
        before = [cpu_s(watched.process.pid) for watched in guards]
        start = time.perf_counter()
        senders = [send(master, CAR_HZ, CAR_SECONDS) for master, _ in lines]
        sent = sum(int(sender.communicate()[0].split()[0]) for sender in senders)
        took_s = time.perf_counter() - start
        shares = [
            (cpu_s(watched.process.pid) - was) / took_s
            for watched, was in zip(guards, before, strict=True)
        ]
        memory = sum(resident_mb(watched.process.pid) for watched in guards) / count
        for watched in guards:
            watched.until_idle()
        facts = [watched.stop() for watched in guards]
    used = sum(_n(f.decoded) - _n(f.dropped) - _n(f.not_recorded) for f in facts)
    share = sum(shares) / count
    return (
        count,
        sent,
        sent - used,
        f"{100.0 * share:.1f} %",
        f"{1.0 / share:.0f}",
        f"{max(_latency(f).p99_ms for f in facts):.2f}",
        f"{max(_latency(f).max_ms for f in facts):.1f}",
        f"{memory:.0f}",
    )


def resident_mb(pid: int) -> float:
    """Return a process's resident memory, MB."""
    pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def highest(once: Any, rates: tuple[int, ...]) -> tuple[Held | None, dict[int, Held]]:
    """Climb the rates to the first one that does not hold, twice."""
    best: Held | None = None
    tried: dict[int, Held] = {}
    for rate in rates:
        held = once(rate)
        if not held.is_held:
            held = once(rate)
        tried[rate] = held
        if not held.is_held:
            break
        best = held
    return best, tried


def main() -> None:
    """Measure: the highest rate held, CPU time a sample, and cars a core."""
    if not Path("/proc/self/stat").exists():
        note("throughput: reads /proc, which is not here")
        return
    if not is_warm():
        warm()
    with tempfile.TemporaryDirectory() as name:
        os.environ["FLOWDEBT_RUNTIME_DIR"] = f"{name}/run"
        folders = (Path(name) / f"guard{i}" for i in range(100))

        def all_on(rate: int) -> Held:
            folder = next(folders)
            folder.mkdir()
            return guarded(rate, folder)

        alone, bares = highest(bare, RATES)
        whole, wholes = highest(all_on, RATES)
        if alone is None or whole is None:
            note(f"throughput: not even {RATES[0]} samples/s are held here")
            return
        common = min(alone.rate, whole.rate)
        low = min(COMPARED_AT, common)
        rows: list[tuple[object, ...]] = [
            (
                what,
                f"{'at least ' if best.rate == RATES[-1] else ''}{best.rate}",
                f"{tried[low].cpu_us:.1f}",
                f"{tried[common].cpu_us:.1f}",
            )
            for what, best, tried in (("bare", alone, bares), ("all on", whole, wholes))
        ]
        ratio = [wholes[rate].cpu_us / bares[rate].cpu_us for rate in (low, common)]
        rows.append(("ratio", "-", f"{ratio[0]:.1f}", f"{ratio[1]:.1f}"))
        show(
            f"Samples/s one process holds for {SECONDS:g} s, 7 columns over a tty",
            ("loop", "highest rate held", f"CPU us a sample at {low}/s", f"at {common}/s"),
            rows,
        )
        note(
            f"at {common}/s: latency p99 {wholes[common].p99_ms:.2f} ms, "
            f"at most {wholes[common].waiting} samples waiting"
        )
        found = []
        for count in CARS:
            folder = next(folders)
            folder.mkdir()
            found.append(cars(count, folder))
        show(
            f"Cars at {CAR_HZ} Hz, a guard each, recording, a viewer each, for {CAR_SECONDS:g} s",
            (
                "cars",
                "sent",
                "lost",
                "share of a core each",
                "cars a core",
                "worst p99 ms",
                "worst ms",
                "MB each",
            ),
            found,
        )
