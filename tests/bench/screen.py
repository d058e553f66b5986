"""What the dashboard costs, and how soon it shows something.

A sender writes 12 channels 200 times a second into a pseudo-terminal; the guard reads it in its own
process, and a dashboard of 140x40 on a terminal of its own redraws ten times a second. The cost is
the dashboard's own: user and system time of its process, as Linux counts them.
"""

import contextlib
import os
import re
import select
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import time
import tty
from fcntl import ioctl
from pathlib import Path
from statistics import median

from tests.bench.latency import GUARD, Screen, rig_for
from tests.bench.table import show
from tests.bench.wires import NAMES

RATE = 200
SECONDS = 20.0
RUNS = 5
MORE = ("timing_deg", "tank_ml", "line_kpa", "supply_v", "lambda_ratio", "throttle_pct")
ACTION = re.compile(rb"NO ACTION|WARN|PULL TIMING|CUT BOOST")
SENDER = """
import os, sys, time
fd, rate, seconds = int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
os.write(fd, ("time_s," + sys.argv[4] + "\\n").encode())
start = time.monotonic()
for i in range(int(rate * seconds)):
    time.sleep(max(0.0, start + i / rate - time.monotonic()))
    x = 1.0 + 0.3 * ((i % 997) / 997.0) + 0.01 * (i % 7)
    values = (4000*x, 120*x, 60*x, 35*x, 0.5*x, 500*x, 18*x, 4000-i/50, 500*x, 13*x, 0.8*x, 70*x)
    os.write(fd, (",".join("%.3f" % v for v in (time.monotonic(), *values)) + "\\n").encode())
"""


def cpu_s(pid: int) -> float:
    """Return user and system time of a process so far, s (proc(5): fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def redrawing() -> tuple[float, float]:
    """Return the dashboard's share of one core while all 12 channels move, and kB/s drawn."""
    master, slave = os.openpty()
    tty.setraw(slave)
    with tempfile.TemporaryDirectory() as name:
        rig = rig_for(Path(name))
        more = "".join(f"[channels.{channel}]\n" for channel in MORE)
        rig.write_text(rig.read_text(encoding="utf-8") + more, encoding="utf-8")
        guard = subprocess.Popen(
            [sys.executable, "-c", GUARD, os.ttyname(slave), str(rig), str(Path(name) / "kept")],
            stdout=subprocess.PIPE,
            text=True,
        )
        if guard.stdout is None:
            raise RuntimeError("no pipe")
        screen = Screen(guard.stdout.readline().split()[1])
        words = (master, RATE, SECONDS + 15.0, ",".join((*NAMES, *MORE)))
        sender = subprocess.Popen(
            [sys.executable, "-c", SENDER, *map(str, words)], pass_fds=(master,)
        )
        time.sleep(8.0)  # until it has started, and the longest trace of its plots moves
        before_s, start_s, drawn = cpu_s(screen.pid), time.monotonic(), screen.bytes
        time.sleep(SECONDS)
        lasted_s = time.monotonic() - start_s
        share = (cpu_s(screen.pid) - before_s) / lasted_s
        drawn = screen.bytes - drawn
        screen.close()
        sender.kill()
        sender.wait()
        guard.send_signal(signal.SIGINT)
        guard.communicate(timeout=30)
    os.close(master)
    os.close(slave)
    return share, drawn / lasted_s / 1000.0


def first_frame_s(*arguments: str) -> float:
    """Return the time from starting a command to the first action word on its terminal, s."""
    start_s = time.monotonic()
    pid, fd = os.forkpty()
    if pid == 0:  # pragma: no cover (the child)
        os.environ.update(TERM="xterm-256color", COLUMNS="140", LINES="40")
        code = "from monitor.cli import main; main()"
        os.execv(sys.executable, [sys.executable, "-c", code, *arguments])
    ioctl(fd, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 140, 0, 0))
    seen, took_s = b"", float("nan")
    with contextlib.suppress(OSError):
        while select.select([fd], [], [], 20.0)[0] and (data := os.read(fd, 65536)):
            seen = seen[-100:] + data
            if took_s != took_s and ACTION.search(seen):
                took_s = time.monotonic() - start_s
                os.write(fd, b"q")
    os.close(fd)
    os.waitpid(pid, 0)
    return took_s


def main() -> None:
    """Measure."""
    share, kilobytes = redrawing()
    firsts = [first_frame_s("demo") for _ in range(RUNS)]
    show(
        "Dashboard, 140x40, 10 redraws a second",
        ("what", "figure"),
        [
            (f"CPU of one core, 12 channels at {RATE} Hz", f"{100.0 * share:.1f} %"),
            ("drawn", f"{kilobytes:.1f} kB/s"),
            (f"demo to first useful frame, least of {RUNS}", f"{1000.0 * min(firsts):.0f} ms"),
            ("the same, median", f"{1000.0 * median(firsts):.0f} ms"),
        ],
    )
