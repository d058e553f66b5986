"""Review of a 300 MB CSV beside the CSV library's bare read of the same columns."""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from simulator.logfile import LINE_END, header, line, mapped
from simulator.plant import run
from simulator.scenario import load_scenario
from tests.bench.table import show

BARE = """
import sys
from pyarrow import csv
names = sys.argv[2].split(",")
rows = 0
options = csv.ConvertOptions(include_columns=names)
read = csv.ReadOptions(block_size=1 << 20)
for batch in csv.open_csv(sys.argv[1], read, convert_options=options):
    rows += batch.num_rows
print(rows)
"""
REVIEW = """
import sys
from monitor.cli import run
sys.exit(run(["review", sys.argv[1], "--rig", "brindle", "--json"]))
"""
# ru_maxrss would carry over this process's own peak; the kernel's high-water mark does not.
PEAK = """
import pathlib, sys
status = pathlib.Path("/proc/self/status").read_text()
sys.stderr.write("\\n" + status.partition("VmHWM:")[2].split()[0])
"""


def write_log(path: Path, megabytes: float) -> int:
    """Write healthy and faulty pulls over and over, up to a size; return the number of rows."""
    names = mapped(load_scenario("pump_stop").rig)
    texts = [
        [line(s, names).partition(",")[2] for s in run(load_scenario(name))]
        for name in ("healthy_pulls", "pump_stop", "clogged_nozzle")
    ]
    rows = 0
    size = 0
    with path.open("w", encoding="ascii", newline="") as file:
        size += file.write(header(names) + LINE_END)
        while size < megabytes * 1e6:
            for text in texts:
                block = "".join(f"{(rows + i) / 100:.2f},{t}{LINE_END}" for i, t in enumerate(text))
                rows += len(text)
                size += file.write(block)
    return rows


def timed(code: str, *arguments: str) -> tuple[float, float, str]:
    """Run a script; return wall time s, peak MB and standard output."""
    start = time.perf_counter()
    wrapped = f"import atexit\natexit.register(lambda: exec({PEAK!r}))\n{code}"
    done = subprocess.run(
        [sys.executable, "-c", wrapped, *arguments], capture_output=True, text=True, check=False
    )
    wall_s = time.perf_counter() - start
    return wall_s, float(done.stderr.split()[-1]) / 1024.0, done.stdout


def main(megabytes: float = 300.0) -> None:
    """Measure."""
    names = ",".join(("time_s", *mapped(load_scenario("pump_stop").rig)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "big.csv"
        rows = write_log(path, megabytes)
        timed(REVIEW, str(path))  # compiles, and warms the file's pages
        bare = min(timed(BARE, str(path), names) for _ in range(3))
        reviewed = min(timed(REVIEW, str(path)) for _ in range(3))
    show(
        f"Review of a {megabytes:.0f} MB CSV, {rows:,} rows (bar: <= 1.5x bare, peak <= 300 MB)",
        ("what", "wall s", "peak MB", "ratio"),
        [
            ("pyarrow alone, same columns", f"{bare[0]:.2f}", f"{bare[1]:.0f}", "1"),
            (
                "flowdebt review",
                f"{reviewed[0]:.2f}",
                f"{reviewed[1]:.0f}",
                f"{reviewed[0] / bare[0]:.2f}",
            ),
        ],
    )
