"""From the last byte written to the port to the decision handed over, with real processes.

A sender process writes 1000 lines/s into a pseudo-terminal; the guard (serial source, rules,
recorder, viewers) reads it in its own process; a dashboard runs in a third, on a terminal of its
own. The line's time is the sender's steady clock just before the write, so what is measured
includes the kernel, the reader thread and the loop.
"""

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from tests.bench.table import show

RATE = 1000
SECONDS = 12.0

SENDER = """
import os, sys, time
fd, rate, seconds = int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
names = "time_s,engine_speed_rpm,boost_kpa,injector_duty_pct,intake_c,knock,delivered_ml_min"
os.write(fd, (names + "\\n").encode())
start = time.monotonic()
n = int(rate * seconds)
for i in range(n):
    due = start + i / rate
    while (wait := due - time.monotonic()) > 0:
        time.sleep(wait if wait > 2e-4 else 0)
    noise = i % 7
    os.write(fd, b"%.6f,%d,%.1f,%.1f,%.1f,0,%d\\n" % (
        time.monotonic(), 5000 + noise, 150.0 + 0.1 * noise, 70.0, 35.0, 700 + noise))
print(n)
"""

GUARD = """
import asyncio, json, sys, time
from monitor.guard import process
from monitor.guard.loop import GuardLoop
taken = []
class Measured(GuardLoop):
    def _take(self, row):
        super()._take(row)
        taken.append(time.monotonic() - row[0])
process.GuardLoop = Measured
order = process.Order(sys.argv[1], rig=sys.argv[2], record=sys.argv[3])
def ready(pid):
    print("ready", pid, flush=True)
asyncio.run(process.run_order(order, ready=ready))
print(json.dumps(taken))
"""

RIG_CHANNELS = """
[channels.engine_speed_rpm]
[channels.boost_kpa]
[channels.injector_duty_pct]
[channels.intake_c]
[channels.knock]
[channels.delivered_ml_min]
"""


def rig_for(folder: Path) -> Path:
    """Write a rig with just the sender's channels, and no failsafe trip on its made-up readings."""
    from simulator.rig import find_rig

    text = find_rig("brindle").read_text(encoding="utf-8")
    head = text.partition("[limits.boost_kpa]")[0]
    path = folder / "bench.toml"
    path.write_text(head + RIG_CHANNELS, encoding="utf-8")
    return path


class Screen:
    """A dashboard on a pseudo-terminal, attached to a guard, drawn and read as fast as it likes."""

    def __init__(self, pid: str) -> None:
        self.pid, self.fd = os.forkpty()
        if self.pid == 0:  # pragma: no cover (the child)
            os.environ.update(TERM="xterm-256color", COLUMNS="140", LINES="40")
            code = "from monitor.cli import main; main()"
            os.execv(
                sys.executable, [sys.executable, "-c", code, "watch", "--attach", "--pid", pid]
            )
        self.bytes = 0
        self._thread = threading.Thread(target=self._drain, daemon=True)
        self._thread.start()

    def _drain(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self.fd, 65536):
                self.bytes += len(data)

    def signal(self, number: int) -> None:
        """Send the dashboard a signal."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.pid, number)

    def close(self) -> None:
        """Kill it."""
        self.signal(signal.SIGCONT)
        self.signal(signal.SIGKILL)
        with contextlib.suppress(ChildProcessError):
            os.waitpid(self.pid, 0)
        os.close(self.fd)


def once(folder: Path, how: str) -> tuple[int, list[float], int]:
    """Run one case; return lines sent, latencies in ms, and bytes the screen drew."""
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    guard = subprocess.Popen(
        [sys.executable, "-c", GUARD, os.ttyname(slave), str(rig_for(folder)), str(folder / how)],
        stdout=subprocess.PIPE,
        text=True,
    )
    if guard.stdout is None:
        raise RuntimeError("no pipe")
    pid = guard.stdout.readline().split()[1]
    screen = None if how == "no screen" else Screen(pid)
    if screen is not None:
        deadline = time.monotonic() + 20.0
        while screen.bytes < 2000 and time.monotonic() < deadline:
            time.sleep(0.05)
    load = None
    if how == "one core loaded":
        load = subprocess.Popen([sys.executable, "-c", "while True: pass"])
    sender = subprocess.Popen(
        [sys.executable, "-c", SENDER, str(master), str(RATE), str(SECONDS)],
        pass_fds=(master,),
        stdout=subprocess.PIPE,
        text=True,
    )
    if screen is not None and how == "blocked 2 s":
        time.sleep(SECONDS / 3)
        screen.signal(signal.SIGSTOP)
        time.sleep(2.0)
        screen.signal(signal.SIGCONT)
    elif screen is not None and how == "killed":
        time.sleep(SECONDS / 3)
        screen.signal(signal.SIGKILL)
    sent = int(sender.communicate()[0])
    time.sleep(0.5)
    guard.send_signal(signal.SIGINT)
    out = guard.communicate(timeout=30)[0]
    drawn = 0 if screen is None else screen.bytes
    if screen is not None:
        screen.close()
    if load is not None:
        load.kill()
        load.wait()
    os.close(master)
    os.close(slave)
    taken = json.loads(out.strip().splitlines()[-1])
    return sent, [1000.0 * t for t in taken], drawn


def quantile(values: list[float], share: float) -> float:
    """Return a quantile of sorted values."""
    return values[min(len(values) - 1, int(share * len(values)))]


def main() -> None:
    """Measure every case."""
    rows: list[tuple[object, ...]] = []
    base = 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for how in ("no screen", "redrawing", "blocked 2 s", "killed", "one core loaded"):
            sent, taken, drawn = once(folder, how)
            # Ticks for the silence after the last line are dated into the past on purpose.
            values = sorted(taken[:sent])
            p99 = quantile(values, 0.99)
            base = base or p99
            rows.append(
                (
                    how,
                    sent,
                    len(taken[:sent]),
                    f"{quantile(values, 0.5):.3f}",
                    f"{p99:.3f}",
                    f"{quantile(values, 0.999):.3f}",
                    f"{values[-1]:.3f}",
                    f"{p99 / base:.2f}",
                    f"{drawn / 1e6:.2f}",
                )
            )
    show(
        f"Decision latency over a tty, {RATE} lines/s (bar: p99 <= 2 ms, p99.9 <= 5 ms, none lost)",
        (
            "dashboard",
            "sent",
            "decided",
            "p50 ms",
            "p99 ms",
            "p99.9 ms",
            "max ms",
            "p99 ratio",
            "MB drawn",
        ),
        rows,
    )
