"""kill -9 in the middle of a feed: what was sent, decided, recorded, and lost."""

import asyncio
import contextlib
import os
import signal
import socket
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from monitor.attach.client import ViewerLink, start_guard
from monitor.guard.process import Order
from monitor.recorder import layout
from monitor.recorder.reader import SessionBlocks
from monitor.review.review import Review, review
from rules.channels import TIME
from tests.kit.guards import frames_of
from tests.kit.rig_text import SMALL

SEND_EVERY_S = 0.002
HEADER_EVERY = 100


@dataclass(frozen=True, slots=True)
class Killed:
    """What a killed guard left.

    Attributes:
        sent: Samples sent before the kill.
        decided: Samples decided, as far as a viewer had heard (every 50 ms).
        told: Rows recorded, as far as a viewer had heard.
        recorded: Number of the last sample that reads back.
        segments: Segments they are in.
        rate: Samples a second.
        review: What a review says of the session.
    """

    sent: int
    decided: int
    told: int
    recorded: int
    segments: int
    rate: int
    review: Review

    @property
    def lost_ms(self) -> float:
        """Time covered by samples that were sent and can't be read back, ms."""
        return 1000.0 * (self.sent - self.recorded) / self.rate


class Feeder:
    """Sends numbered samples over TCP at a steady rate, from a thread.

    Attributes:
        url: What a guard reads.
        sent: Samples handed to the socket so far.
    """

    def __init__(self, rate: int) -> None:
        self.sent = 0
        self._rate = rate
        self._stop = threading.Event()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self._thread = threading.Thread(target=self._work, name="feeder", daemon=True)
        self._thread.start()

    def _work(self) -> None:
        link, _ = self._server.accept()
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with link, contextlib.suppress(OSError):
            start_s = time.monotonic()
            while not self._stop.wait(SEND_EVERY_S):
                due = int((time.monotonic() - start_s) * self._rate)
                lines = [
                    f"{i / self._rate:.6f},{i % 50},{i % 3}\n"
                    for i in range(self.sent + 1, due + 1)
                ]
                if due // HEADER_EVERY > self.sent // HEADER_EVERY or not self.sent:
                    lines.insert(0, "time_s,boost_kpa,delivered_ml_min\n")  # opening flushes input
                link.sendall("".join(lines).encode())
                self.sent = due

    def close(self) -> None:
        """Send no more."""
        self._stop.set()
        self._thread.join()
        self._server.close()


def kill_in_the_middle(folder: Path, rate: int, after: int, segment_rows: int) -> Killed:
    """Feed a guard, kill -9 it once ``after`` rows are said to be recorded, and count.

    Args:
        folder: For rig and session.
        rate: Samples a second.
        after: Rows after which to kill.
        segment_rows: Rows a segment holds.
    """
    rig = folder / "small.toml"
    rig.write_text(SMALL, encoding="utf-8")
    feeder = Feeder(rate)
    order = Order(
        feeder.url, rig=str(rig), record=str(folder / "sessions"), segment_rows=segment_rows
    )
    process, endpoint = start_guard(order)

    async def watch() -> tuple[int, int, int]:
        decided = told = 0
        async with ViewerLink(endpoint) as link:
            async for frame in frames_of(link.messages()):
                decided = frame.statistics.decided or 0
                told = frame.statistics.recorded or 0
                if told >= after:
                    break
        sent = feeder.sent
        os.kill(process.pid, signal.SIGKILL)
        return sent, decided, told

    try:
        sent, decided, told = asyncio.run(watch())
    finally:
        process.kill()
        process.wait()
        feeder.close()
    (session,) = (folder / "sessions").iterdir()
    recorded = 0
    for rows in SessionBlocks(session):
        recorded = max(recorded, round(float(rows[:, TIME].max()) * rate))
    segments = len(layout.segments_of(session))
    return Killed(sent, decided, told, recorded, segments, rate, review(session, None))
