"""Run all benchmarks, or those named: ``python -m tests.bench [speed start recording ...]``."""

import os
import platform
import sys

from tests.bench import (
    big_log,
    causes,
    fuzz,
    kill,
    latency,
    recording,
    soak,
    speed,
    start,
    throughput,
)
from tests.bench.detection import suite as detection
from tests.bench.table import note

SUITES = {
    "speed": speed.main,
    "start": start.main,
    "recording": recording.main,
    "kill": kill.main,
    "soak": soak.main,
    "review": big_log.main,
    "latency": latency.main,
    "throughput": throughput.main,
    "detection": detection.main,
    "causes": causes.main,
    "fuzz": fuzz.main,
}

if __name__ == "__main__":
    note(f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores")
    for name in sys.argv[1:] or SUITES:
        if name not in SUITES:
            sys.exit(f"bench: found {name}, expected some of {', '.join(SUITES)}")
        SUITES[name]()
