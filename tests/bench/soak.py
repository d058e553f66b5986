"""A day of driving through guard and recorder, as fast as it goes: memory, and live against replay.

The whole loop runs (source, aligner, rules, events, alarms, causes, recorder), interpreted or
compiled as it would be live; only the waiting between samples is left out. Then the session is read
back, decided on again by compiled code, and both are compared by a hash of every decision.
"""

import asyncio
import hashlib
import os
import resource
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from math import inf
from pathlib import Path
from typing import Any

import numpy as np

from monitor.clock import now_ns
from monitor.guard.loop import GuardLoop
from monitor.guard.recording import RecordingListener
from monitor.recorder import layout
from monitor.recorder.index import sessions_in, size_in_words
from monitor.recorder.reader import SessionBlocks
from monitor.recorder.recorder import Recorder
from monitor.source_facts import SourceKind, SourceStatistics
from monitor.sources.base import Arrival, Item, Source
from rules.channels import Sample
from rules.guard import Guard
from rules.step.state import Decision
from simulator.plant import run
from simulator.rig import RigFile, find_rig, load_rig
from simulator.scenario import load_scenario
from tests.bench.table import show

RATE = 100
HOURS = 24.0
MOST_WAITING = 20_000
EVERY = 10_000  # samples between two looks at memory
SETTLED_HOURS = 2.0  # by then every bounded history is full
LAP = ("healthy_pulls", "part_throttle", "healthy_pulls", "wire_noise", "pump_stop")
PAGE = os.sysconf("SC_PAGE_SIZE") if hasattr(os, "sysconf") else 4096


def resident_mb() -> float:
    """Return this process's resident memory now, MB (Linux; elsewhere its peak so far)."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE / 1e6
    except OSError:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return peak / (1e6 if sys.platform == "darwin" else 1e3)


def day(hours: float) -> Iterator[Sample]:
    """Return laps of driving, sound and faulty, at ``RATE``, for some hours."""
    lap = [s[1:] for i, name in enumerate(LAP) for s in run(load_scenario(name), 100 + i)]
    return laps(lap, hours)


def laps(lap: Sequence[tuple[float, ...]], hours: float) -> Iterator[Sample]:
    """Yield one lap over and over, with the time going on."""
    for i in range(int(hours * 3600 * RATE)):
        yield Sample((i + 1) / RATE, *lap[i % len(lap)])


class Feed(Source):
    """Samples as a source, as fast as they are taken; waits only for the recorder."""

    kind = SourceKind.RECORDED

    def __init__(self, samples: Iterator[Sample], recorder: Recorder) -> None:
        super().__init__("soak", SourceStatistics(connects=1))
        self.memory: list[tuple[float, float]] = []
        self._samples = samples
        self._recorder = recorder

    async def open(self) -> None:
        """Nothing is to be opened."""

    def close(self) -> None:
        """Nothing is open."""

    async def __anext__(self) -> Item:
        """Return the next sample; now and then look at memory and let others work."""
        sample = next(self._samples, None)
        if sample is None:
            raise StopAsyncIteration
        count = self.statistics.decoded = self.statistics.decoded + 1
        if count % 256 == 0:
            await asyncio.sleep(0)
            if self._recorder.waiting > MOST_WAITING:
                await asyncio.get_running_loop().run_in_executor(None, self._let_it_catch_up)
        if count % EVERY == 0:
            self.memory.append((sample.time_s / 3600.0, resident_mb()))
        return Arrival(sample, now_ns())

    def _let_it_catch_up(self) -> None:
        while self._recorder.waiting > MOST_WAITING:
            time.sleep(0.005)


class Hashed:
    """A hash over decisions, all fields of each, to the last bit (but any NaN is as any other)."""

    def __init__(self) -> None:
        self._sum = hashlib.sha256()
        self._waiting: list[Decision] = []
        self.count = 0

    def put(self, decision: Decision) -> None:
        """Take one."""
        self._waiting.append(decision)
        if len(self._waiting) >= 4096:
            self.many(np.array(self._waiting))
            self._waiting.clear()

    def many(self, decisions: Any) -> None:
        """Take a matrix of them."""
        self.count += len(decisions)
        decisions[np.isnan(decisions)] = np.nan
        self._sum.update(np.ascontiguousarray(decisions).tobytes())

    def hex(self) -> str:
        """Return the hash of all so far."""
        if self._waiting:
            self.many(np.array(self._waiting))
            self._waiting.clear()
        return self._sum.hexdigest()


def live(folder: Path, rig_file: RigFile, hours: float) -> tuple[Feed, Recorder, Hashed, float]:
    """Drive; return source, recorder, what was decided, and seconds taken."""
    recorder = Recorder(folder, rig_file, "soak")
    hashed = Hashed()
    put = recorder.put

    def noted(sample: Sample, decision: Decision) -> None:
        put(sample, decision)
        hashed.put(decision)

    recorder.put = noted  # type: ignore[method-assign]
    feed = Feed(day(hours), recorder)
    loop = GuardLoop(rig_file, feed, [RecordingListener(recorder)])
    loop.use_compiled()
    start_s = time.perf_counter()
    asyncio.run(loop.run())
    return feed, recorder, hashed, time.perf_counter() - start_s


def again(session: Path, rig_file: RigFile) -> tuple[Hashed, float, str | None]:
    """Replay; return what was decided, seconds taken, and what is missing."""
    guard, hashed, blocks = Guard(rig_file.rig), Hashed(), SessionBlocks(session)
    start_s = time.perf_counter()
    for rows in blocks:
        hashed.many(guard.run_rows(rows))
    return hashed, time.perf_counter() - start_s, blocks.cut


def slope_mb_h(memory: list[tuple[float, float]], settled_hours: float) -> tuple[float, float]:
    """Return memory's slope once settled (least squares), MB/h driven, and its standard error."""
    points = np.array([point for point in memory if point[0] >= settled_hours])
    hours, used = points[:, 0] - points[:, 0].mean(), points[:, 1] - points[:, 1].mean()
    slope = float((hours * used).sum() / (hours * hours).sum())
    residual = used - slope * hours
    error = float(np.sqrt((residual @ residual) / max(1, len(used) - 2) / (hours @ hours)))
    return slope, error


def main(hours: float | None = None) -> None:
    """Measure; ``SOAK_HOURS`` in the environment makes it shorter."""
    hours = float(os.environ.get("SOAK_HOURS", HOURS)) if hours is None else hours
    rig_file = load_rig(find_rig("brindle"))
    Guard(rig_file.rig).use_compiled()
    with tempfile.TemporaryDirectory(dir=os.environ.get("SOAK_FOLDER")) as folder:
        feed, recorder, decided, live_s = live(Path(folder), rig_file, hours)
        replayed, replay_s, cut = again(recorder.path, rig_file)
        start_s = time.perf_counter()
        (entry,) = sessions_in(Path(folder))
        list_s = time.perf_counter() - start_s
        segments = layout.segments_of(recorder.path)
        slope, error = slope_mb_h(feed.memory, min(SETTLED_HOURS, hours / 4.0))
        last = len(feed.memory) - 1
        looks = [f"{feed.memory[last * quarter // 4][1]:.1f}" for quarter in range(5)]
        same = decided.hex() == replayed.hex() and decided.count == replayed.count
        show(
            f"Soak: {hours:g} h at {RATE} samples/s, accelerated (bar: flat memory, live = replay)",
            ("what", "figure"),
            [
                ("samples in, rows decided", f"{feed.statistics.decoded:,}, {decided.count:,}"),
                ("recorded, not recorded", f"{recorder.rows:,}, {recorder.dropped:,}"),
                ("segments, bytes", f"{len(segments)}, {size_in_words(entry.bytes)}"),
                ("state, events", f"{entry.state}, {entry.events}"),
                ("wall time live", f"{live_s:.0f} s ({hours * 3600 / live_s:.0f}x real time)"),
                ("wall time replay (compiled)", f"{replay_s:.1f} s"),
                ("listing it", f"{1000 * list_s:.1f} ms"),
                ("memory at 0, 1/4, 1/2, 3/4, 1 of it", f"{', '.join(looks)} MB"),
                ("memory slope, settled", f"{slope:+.3f} MB/h driven (standard error {error:.3f})"),
                ("decisions live = replay", f"{'yes' if same else 'NO'} ({decided.hex()[:16]})"),
                ("what is missing", str(cut or "nothing")),
            ],
        )
    if not same or cut is not None or abs(slope) == inf:
        sys.exit("soak: live and replay differ, or rows are missing")
