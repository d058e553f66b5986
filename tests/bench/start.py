"""How long it takes to start."""

import subprocess
import sys
import time

from tests.bench.table import show

CODE = "from monitor.cli import main; main()"


def timed(*arguments: str) -> float:
    """Return the least wall time of five runs of a command, s."""
    least = float("inf")
    for _ in range(5):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", CODE, *arguments], capture_output=True, check=True)
        least = min(least, time.perf_counter() - start)
    return least


def main() -> None:
    """Measure."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", "pass"], check=True)
    bare = time.perf_counter() - start
    rows = [
        (name, f"{seconds:.2f}", f"{seconds / bare:.1f}")
        for name, seconds in (
            ("python -c pass", bare),
            ("flowdebt --help (bar: <= 0.4 s)", timed("--help")),
            ("flowdebt check brindle", timed("check", "brindle")),
        )
    ]
    show("Start", ("what", "s", "x bare Python"), rows)
