"""What recording 1000 rows/s costs, in shares of a core."""

import tempfile
import threading
import time
from pathlib import Path

from monitor.recorder.recorder import Recorder
from rules.guard import Guard
from simulator.plant import run
from simulator.rig import find_rig, load_rig
from simulator.scenario import load_scenario
from tests.bench.table import show

RATE = 1000
SECONDS = 6


def main() -> None:
    """Measure: CPU time of the whole process while rows are put at 1000/s."""
    rig_file = load_rig(find_rig("brindle"))
    samples = list(run(load_scenario("healthy_pulls")))[: RATE * SECONDS]
    guard = Guard(rig_file.rig)
    rows = [(sample, guard.step(sample)) for sample in samples]
    pace = threading.Event()

    def spend(recorder: Recorder | None) -> float:
        start_cpu = time.process_time()
        start = time.perf_counter()
        for i, (sample, decision) in enumerate(rows):
            if i % 10 == 0:
                pace.wait(max(0.0, start + i / RATE - time.perf_counter()))
            if recorder is not None:
                recorder.put(sample, decision)
        return (time.process_time() - start_cpu) / (time.perf_counter() - start)

    idle = spend(None)
    with tempfile.TemporaryDirectory() as folder:
        recorder = Recorder(Path(folder), rig_file, "bench")
        busy = spend(recorder)
        recorder.close()
        size = (recorder.path / "samples-0001.arrow").stat().st_size
    show(
        f"Recorder, {RATE} rows/s, {len(rig_file.columns)} channels (bar: < 5 % of a core)",
        ("what", "figure"),
        [
            ("pacing loop alone, share of a core", f"{100 * idle:.2f} %"),
            ("with the recorder", f"{100 * busy:.2f} %"),
            ("recorder's own", f"{100 * (busy - idle):.2f} %"),
            ("bytes a row", f"{size / len(rows):.0f}"),
        ],
    )
