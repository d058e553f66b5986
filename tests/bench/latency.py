"""From the last byte written to the wire to the decision handed over, with real processes.

A sender process writes 1000 lines/s into a pseudo-terminal, or messages to a broker; the guard
(source, rules, recorder, viewers) reads it in its own process; a dashboard runs in a third, on a
terminal of its own. A sample's time is the sender's steady clock just before the write, so what is
measured includes the kernel, the broker, the reader thread and the loop.
"""

import contextlib
import functools
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

from tests.bench.table import show
from tests.bench.wires import Wire, brokers, mqtt_wire, tty_wire
from tests.kit.rig_text import with_channels

RATE = 1000
SECONDS = 12.0

GUARD = """
import asyncio, json, sys, time
from monitor.guard import process
from monitor.guard.loop import GuardLoop
taken = []
class Measured(GuardLoop):
    def decide(self, row):
        super().decide(row)
        taken.append(time.monotonic() - row[0] % 1e9)
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
    path = folder / "bench.toml"
    path.write_text(with_channels(RIG_CHANNELS), encoding="utf-8")
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


def once(
    wire: Wire, folder: Path, how: str, rate: float, seconds: float
) -> tuple[int, list[float], int]:
    """Run one case; return samples sent, latencies in ms, and bytes the screen drew."""
    guard = subprocess.Popen(
        [sys.executable, "-c", GUARD, wire.source, str(rig_for(folder)), str(folder / how)],
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
    sender = wire.send(rate, seconds)
    if screen is not None and how == "blocked 2 s":
        time.sleep(seconds / 3)
        screen.signal(signal.SIGSTOP)
        time.sleep(2.0)
        screen.signal(signal.SIGCONT)
    elif screen is not None and how == "killed":
        time.sleep(seconds / 3)
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
    taken = json.loads(out.strip().splitlines()[-1])
    return sent, [1000.0 * t for t in taken], drawn


def quantile(values: list[float], share: float) -> float:
    """Return a quantile of sorted values."""
    return values[min(len(values) - 1, int(share * len(values)))]


CASES = ("no screen", "redrawing", "blocked 2 s", "killed", "one core loaded")
COLUMNS = (
    *("dashboard", "sent", "decided", "p50 ms", "p99 ms", "p99.9 ms", "max ms"),
    *("p99 ratio", "MB drawn"),
)


def table_of(title: str, make: Callable[[], AbstractContextManager[Wire]], rate: float) -> None:
    """Measure every case over one kind of wire, and show them."""
    rows: list[tuple[object, ...]] = []
    base = 0.0
    with tempfile.TemporaryDirectory() as name:
        for how in CASES:
            with make() as wire:
                sent, taken, drawn = once(wire, Path(name), how, rate, SECONDS)
            # Ticks for the silence after the last sample are dated into the past on purpose.
            values = sorted(taken[:sent])
            p99 = quantile(values, 0.99)
            base = base or p99
            figures = (quantile(values, 0.5), p99, quantile(values, 0.999), values[-1])
            rows.append(
                (
                    *(how, sent, len(values), *(f"{figure:.3f}" for figure in figures)),
                    *(f"{p99 / base:.2f}", f"{drawn / 1e6:.2f}"),
                )
            )
    show(f"Decision latency over {title} (bar: p99 <= 2 ms, p99.9 <= 5 ms)", COLUMNS, rows)


def main() -> None:
    """Measure a tty."""
    table_of(f"a tty, {RATE} lines/s", tty_wire, RATE)


def over_mqtt() -> None:
    """Measure every broker there is here, with packs and with a topic for each channel."""
    for broker in brokers():
        # amqtt, in Python, is for tests: 1000 messages/s through it take most of a core.
        most = RATE if broker == "mosquitto" else RATE / 5
        for form, rate in (("senml", most), ("channels", RATE / 5)):
            what = "packs/s" if form == "senml" else "samples/s of 6 topics"
            table_of(
                f"MQTT ({broker}, QoS 0, {form}), {rate:g} {what}",
                functools.partial(mqtt_wire, broker, form),
                rate,
            )
