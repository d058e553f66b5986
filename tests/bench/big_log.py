"""Review of a 300 MB CSV beside the CSV library's bare read of the same columns."""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from typing import Final

from pyarrow import csv as pacsv
from pyarrow import parquet as pq

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
READS = """
import sys
from monitor.review.log import open_log
for block in open_log(sys.argv[1], "brindle").stream():
    pass
"""
DECIDES = """
import sys
from monitor.review.judge import Judge
from monitor.review.log import open_log
log = open_log(sys.argv[1], "brindle")
judge = Judge(log.rig_file, None, follows=False, compares=False, compiled=True)
judge.wants_all = False
for block in log.stream():
    judge.take(block)
"""
REVIEW = """
import sys
from monitor.cli import run
sys.exit(run(["review", *sys.argv[1:], "--rig", "brindle"]))
"""
IN_TURN = f"""
import monitor.scheduling
monitor.scheduling.processors = lambda: 1
{REVIEW}
"""
CHANNELS = """
import sys
from monitor.cli import run
sys.exit(run(["channels", sys.argv[1], "--json"]))
"""
# A user's Python keeps what it translated.
_AS_A_USERS: Final = {
    name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"
}
# ru_maxrss would carry over this process's own peak; the kernel's high-water mark does not.
PEAK = """
import pathlib, sys
status = pathlib.Path("/proc/self/status").read_text()
sys.stderr.write("\\n" + status.partition("VmHWM:")[2].split()[0])
"""


PULLS: Final = (
    "healthy_pulls",
    "pump_stop",
    "clogged_nozzle",
)  # one each 8 s, spray in 40 % of the rows
STREET: Final = ("healthy_pulls", *["part_throttle"] * 9)  # one in a minute, spray in 16 %


def write_log(path: Path, megabytes: float, scenarios: Sequence[str] = PULLS) -> int:
    """Write drives of one car over and over, up to a size; return the number of rows."""
    names = mapped(load_scenario(scenarios[0]).rig)
    driven = {
        name: [line(s, names).partition(",")[2] for s in run(load_scenario(name))]
        for name in set(scenarios)
    }
    texts = [driven[name] for name in scenarios]
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


def timed(code: str, *arguments: str) -> tuple[float, float, float, str]:
    """Run a script; return wall time s, CPU time s, peak MB and standard output."""
    start, cpu_s = time.perf_counter(), _children_s()
    wrapped = f"import atexit\natexit.register(lambda: exec({PEAK!r}))\n{code}"
    done = subprocess.run(
        [sys.executable, "-c", wrapped, *arguments],
        capture_output=True,
        text=True,
        check=False,
        env=_AS_A_USERS,
    )
    wall_s = time.perf_counter() - start
    peak_mb = float(done.stderr.split()[-1]) / 1024.0
    return wall_s, _children_s() - cpu_s, peak_mb, done.stdout


def _children_s() -> float:
    """Return the CPU time of processes that have ended, s."""
    times = os.times()
    return times.children_user + times.children_system


def to_parquet(csv: Path, parquet: Path) -> None:
    """Write a CSV log as Parquet, block by block."""
    with pacsv.open_csv(csv) as batches, pq.ParquetWriter(parquet, batches.schema) as writer:
        for batch in batches:
            writer.write_batch(batch)


def main(megabytes: float = 300.0, times: int = 3) -> None:
    """Measure: a street log and one of nothing but pulls, by stages, as CSV and as Parquet."""
    for what, scenarios in (
        ("street log, a pull in a minute", STREET),
        ("log of nothing but pulls, one in 8 s", PULLS),
    ):
        _measure(f"A {what}", megabytes, times, scenarios)


def _measure(what: str, megabytes: float, times: int, scenarios: Sequence[str]) -> None:
    names = ",".join(("time_s", *mapped(load_scenario("pump_stop").rig)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "big.csv"
        rows = write_log(path, megabytes, scenarios)
        to_parquet(path, path.with_suffix(".parquet"))
        timed(REVIEW, str(path))  # compiles, and warms the file's pages
        log, parquet = str(path), str(path.with_suffix(".parquet"))
        short = Path(folder) / "short.csv"
        with path.open("rb") as file:
            short.write_bytes(b"".join(islice(file, 20_000)))
        found = {
            what: min(timed(code, *arguments) for _ in range(times))
            for what, code, arguments in (
                ("pyarrow alone, same columns", BARE, (log, names)),
                ("to start: review of its first 200 s", REVIEW, (str(short),)),
                ("to read it, nothing else", READS, (log,)),
                ("to read and decide it", DECIDES, (log,)),
                ("flowdebt review", REVIEW, (log,)),
                ("flowdebt review, as Parquet", REVIEW, (parquet,)),
                ("flowdebt channels", CHANNELS, (log,)),
                ("flowdebt review, two of them in turn", IN_TURN, (log, parquet)),
                ("flowdebt review, two of them at once", REVIEW, (log, parquet)),
            )
        }
    bare_s, bare_cpu_s, *_ = found["pyarrow alone, same columns"]
    show(
        f"{what}: {megabytes:.0f} MB as CSV, {rows:,} rows (bars: review of the CSV <= 1.5x bare "
        "and 300 MB, of Parquet less than of the CSV, two at once less than in turn)",
        ("what", "wall s", "CPU s", "peak MB, of the first process", "ratio of wall", "of CPU"),
        [
            (
                what,
                f"{wall_s:.2f}",
                f"{cpu_s:.2f}",
                f"{peak_mb:.0f}",
                f"{wall_s / bare_s:.2f}",
                f"{cpu_s / bare_cpu_s:.2f}",
            )
            for what, (wall_s, cpu_s, peak_mb, _) in found.items()
        ],
    )


def huge() -> None:
    """Measure one of 3 GB, once: how much memory it takes."""
    _measure("A log of nothing but pulls", 3000.0, 1, PULLS)
