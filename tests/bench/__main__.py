"""Run all benchmarks, or those named: ``python -m tests.bench [speed start recording ...]``."""

import os
import platform
import sys

from tests.bench import (
    big_log,
    causes,
    commission,
    fuzz,
    kill,
    latency,
    mutation,
    prove,
    recording,
    screen,
    soak,
    speed,
    start,
    throughput,
    told,
)
from tests.bench.detection import suite as detection
from tests.bench.healthy import suite as healthy
from tests.bench.hostile import suite as hostile
from tests.bench.table import note


def trend() -> None:
    """Drive years of sessions; loaded late, as the plant is."""
    from tests.bench import trend as suite

    suite.main()


def plant() -> None:
    """Measure the plant; loaded late, as a car runs compiled wherever that code is loaded."""
    from tests.bench import plant as suite

    suite.main()


def drill() -> None:
    """Try the scores of drills; loaded late, as the plant is."""
    from tests.bench import drill as suite

    suite.main()


SUITES = {
    "speed": speed.main,
    "start": start.main,
    "screen": screen.main,
    "recording": recording.main,
    "kill": kill.main,
    "soak": soak.main,
    "review": big_log.main,
    "review_3gb": big_log.huge,
    "latency": latency.main,
    "mqtt": latency.over_mqtt,
    "throughput": throughput.main,
    "told": told.main,
    "detection": detection.main,
    "healthy": healthy.main,
    "hostile": hostile.main,
    "causes": causes.main,
    "drill": drill,
    "commission": commission.main,
    "prove": prove.main,
    "fuzz": fuzz.main,
    "mutation": mutation.main,
    "plant": plant,
    "trend": trend,
}

if __name__ == "__main__":
    note(f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} cores")
    for name in sys.argv[1:] or SUITES:
        if name not in SUITES:
            sys.exit(f"bench: found {name}, expected some of {', '.join(SUITES)}")
        SUITES[name]()
