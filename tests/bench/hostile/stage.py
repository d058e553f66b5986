"""A stage for one hostile act: logger, guard, armed output, viewer; real processes and ttys.

The logger writes 100 lines a second of a steady, healthy pull (120 kPa, the flow that is due). The
output is heartbeat lines, read at the other end of a cable of pseudo-terminals.
"""

import asyncio
import contextlib
import itertools
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from monitor.attach.client import ViewerLink, start_guard
from monitor.attach.order import Order
from monitor.attach.protocol import Bye, EventTurn, Frame, Message, Notice
from monitor.recorder.reader import SessionBlocks
from rules.channels import NOT_SENT, ROW_NAMES
from tests.kit.output_wire import Wire
from tests.kit.patience import PATIENCE_S
from tests.kit.pty_pair import PtyPair
from tests.kit.rig_text import SMALL

BOOST_KPA: Final = 120.0
FLOW_ML_MIN: Final = 427.0  # what the small rig's spray gives there
PERIOD_S: Final = 0.01
HEADER: Final = b"time_s,boost_kpa,delivered_ml_min\n"
SETTLED_S: Final = 1.5  # held so long before anything is done to it
QUIET_S: Final = 0.4  # no beat says held for so long: it is released
STAYS_S: Final = 6.0  # still held so long after: it stays held
LONGEST_TEXT: Final = 90

Line = Callable[[float, int], bytes]


def healthy(time_s: float, i: int) -> bytes:
    """Return a line of a healthy pull; all of it moves a little, as in life."""
    boost, flow = BOOST_KPA + 0.1 * (i % 7), FLOW_ML_MIN + 0.3 * (i % 11)
    return b"%.4f,%.2f,%.2f\n" % (time_s, boost, flow)


@dataclass
class Outcome:
    """What an act did.

    Attributes:
        lost: What was sent and can't be read back, in words.
        output: ``stays held``, ``released`` for as long as it was looked at, or ``held again``.
        after_s: How long after the act it was released; None where it stays held.
        said: What viewers were told, the first and most telling.
        most_mb: The guard's largest memory, MB.
    """

    lost: str
    output: str
    after_s: float | None
    said: str
    most_mb: float


@dataclass
class Heard:
    """What a viewer was told, with times."""

    lines: list[tuple[float, str]] = field(default_factory=list)
    frame: Frame | None = None
    bye: Bye | None = None

    def take(self, message: Message) -> None:
        """Note a message."""
        now = time.monotonic()
        if isinstance(message, Notice):
            self.lines.append((now, f"{message.topic}: {message.text}"))
        elif isinstance(message, EventTurn) and message.turn != "released":
            self.lines.append((now, str(message.event.explanation)))
        elif isinstance(message, Frame):
            self.frame = message
        elif isinstance(message, Bye):
            self.bye = message
            self.lines.append((now, f"guard ended: {message.why}"))

    def since(self, at_s: float) -> str:
        """Return what was said from a time on, the first two things, shortened."""
        told = list(dict.fromkeys(text for when_s, text in self.lines if when_s >= at_s))
        return "; ".join(text[:LONGEST_TEXT] for text in told[:2]) or "nothing"


class Logger:
    """Writes lines into a tty until paused; ``line`` makes them, and may be exchanged under way."""

    def __init__(self, path: str) -> None:
        self.line: Line = healthy
        self.sent = 0
        self.going = threading.Event()
        self.going.set()
        self.start_s = time.monotonic()
        self._fd = os.open(path, os.O_WRONLY | os.O_NOCTTY)
        self._ended = False
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        i = 0
        with contextlib.suppress(OSError):
            while not self._ended:
                due_s = self.start_s + i * PERIOD_S
                time.sleep(max(0.0, due_s - time.monotonic()))
                i += 1
                if not self.going.is_set():
                    continue
                with self._lock:
                    if i % 25 == 1:
                        os.write(self._fd, HEADER)
                    os.write(self._fd, self.line(time.monotonic() - self.start_s, i))
                    self.sent += 1

    def raw(self, data: bytes) -> None:
        """Write something else between two lines."""
        with self._lock, contextlib.suppress(OSError):
            while data:
                data = data[os.write(self._fd, data) :]

    def end(self) -> None:
        """Write no more."""
        self._ended = True
        self._thread.join(PATIENCE_S)
        os.close(self._fd)


@dataclass
class Stage:
    """Everything an act may lay hands on."""

    folder: Path
    pid: int
    wire: Wire
    cable: PtyPair | None
    logger: Logger | None
    heard: Heard

    @property
    def keeper(self) -> int:
        """The keeper's process."""
        return child_of(self.pid, "monitor.outputs.keeper")

    @property
    def session(self) -> Path:
        """The newest session's folder."""
        return max((self.folder / "sessions").iterdir(), key=lambda path: path.stat().st_mtime_ns)

    def kill(self, number: int) -> None:
        """Send the guard a signal."""
        os.kill(self.pid, number)

    def outcome(self, at_s: float) -> Outcome:
        """Wait and see whether the output is released; end the guard; count."""
        sent = 0 if self.logger is None else self.logger.sent
        output, after_s = self._seen(at_s)
        if self.logger is not None and is_alive(self.pid):
            sent = self.logger.sent + 1
        if self.logger is not None:
            self.logger.going.clear()
        time.sleep(0.3)
        said = self.heard.since(at_s)
        most_mb = peak_mb(self.pid)
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGCONT)
            os.kill(self.pid, signal.SIGINT)
        wait_for_end(self.pid)
        return Outcome(self._lost(sent), output, after_s, said, most_mb)

    def _seen(self, at_s: float) -> tuple[str, float | None]:
        """Look at the output for a while; return what it did, and when it was released."""
        time.sleep(max(0.0, at_s + STAYS_S - time.monotonic()))
        now = time.monotonic()
        before = [held_s for held_s in self.wire.held_at_s if held_s <= at_s]
        last = before[-1:] or [float("-inf")]
        held = last + [held_s for held_s in self.wire.held_at_s if held_s > at_s]
        for one, other in itertools.pairwise([*held, now]):
            if other - one > QUIET_S:
                after_s = max(one - at_s, 0.0)
                return ("released" if other == now else "held again"), after_s
        return "stays held", None

    def _lost(self, sent: int) -> str:
        if self.logger is None:
            return "-"
        try:
            rows = readings_in(self.folder / "sessions")
        except Exception as error:  # noqa: BLE001  # what can't be read is what is told
            return f"all: {error}"[:LONGEST_TEXT]
        missing = min(sent, self.logger.sent) - rows
        return "nothing" if missing <= 0 else f"{missing} rows"


def readings_in(sessions: Path) -> int:
    """Return how many rows with a reading of boost the sessions of a folder hold."""
    at = ROW_NAMES.index("boost_kpa")
    count = 0
    for session in sessions.iterdir():
        for rows in SessionBlocks(session):
            count += int(((rows[:, at] == rows[:, at]) & (rows[:, at] != NOT_SENT)).sum())
    return count


def child_of(pid: int, module: str) -> int:
    """Return the child of a process that runs a module."""
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s:
        for path in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError):
                stat = (path / "stat").read_text().rpartition(")")[2].split()
                if int(stat[1]) == pid and module in (path / "cmdline").read_text():
                    return int(path.name)
        time.sleep(0.05)
    raise ProcessLookupError(module)


def peak_mb(pid: int) -> float:
    """Return a process's largest memory so far, MB; 0 where it is gone."""
    try:
        text = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0.0
    return int(text.partition("VmHWM:")[2].split()[0]) / 1024.0 if "VmHWM:" in text else 0.0


def is_alive(pid: int) -> bool:
    """Whether a process is there and not dead."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def wait_for_end(pid: int) -> None:
    """Wait until a process is gone or dead; kill it where that takes long."""
    until_s = time.monotonic() + 30.0
    while is_alive(pid):
        if time.monotonic() > until_s:
            os.kill(pid, signal.SIGKILL)
        time.sleep(0.02)


@contextlib.contextmanager
def stage(
    folder: Path, *, source: str | None = None, rig: str = SMALL, settled: bool = True
) -> Iterator[Stage]:
    """Set a stage: an armed guard on a tty, or on another source, its output held.

    Args:
        folder: For rig, session and sockets.
        source: Read instead of a tty; whoever asks for it feeds it.
        rig: The rig's text.
        settled: Wait until the output is held, and has been for a while.
    """
    os.environ["FLOWDEBT_RUNTIME_DIR"] = str(folder / "run")
    path = folder / "small.toml"
    path.write_text(rig, encoding="utf-8")
    with contextlib.ExitStack() as stack:
        wire = stack.enter_context(Wire())
        cable = stack.enter_context(PtyPair()) if source is None else None
        order = Order(
            source or (cable.right if cable else ""),
            rig=str(path),
            record=str(folder / "sessions"),
            outputs=[f"beat:{wire.port}"],
            arm=True,
        )
        process, endpoint = start_guard(order)
        stack.callback(process.wait)
        stack.callback(process.kill)
        heard = Heard()

        async def listen() -> None:
            with contextlib.suppress(OSError):
                async with ViewerLink(endpoint) as link:
                    async for message in link.messages():
                        heard.take(message)

        listener = threading.Thread(target=lambda: asyncio.run(listen()), daemon=True)
        listener.start()
        logger = Logger(cable.left) if cable else None
        if logger is not None:
            stack.callback(logger.end)
        made = Stage(folder, process.pid, wire, cable, logger, heard)
        if settled:
            wait_until_settled(made)
        yield made


def wait_until_settled(made: Stage) -> None:
    """Wait until the output has been held for a while."""
    made.wire.wait_until_held()
    since_s = time.monotonic()
    until_s = since_s + PATIENCE_S
    while time.monotonic() - since_s < SETTLED_S:
        if time.monotonic() - made.wire.last_held_s > 0.2:
            since_s = time.monotonic()
        if time.monotonic() > until_s:
            raise TimeoutError("the output is not held for long")
        time.sleep(0.02)
