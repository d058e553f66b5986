"""Everything compiled before any test runs, once, in two processes at a time.

Numba compiles at the first call: two workers of a suite would each compile the same, and a test's
time limit would run meanwhile. ``python -m tests.kit.compiling car`` and so on compile one part
into the cache.
"""

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import Final

from monitor.guard.warm import WARMING
from simulator import machine_code
from simulator.compiled_mark import (
    ADVANCE_ONE,
    DRIVE_ON,
    RUN_ALL,
    STEP_ROW,
    Loop,
    is_on_disk,
    leave_mark,
    marks,
    touch,
)
from tests.kit.paths import ROOT

PROCESSES: Final = 2
# What takes longest first, so that both processes end at about the same time. The mark is a part's
# last loop's.
PARTS: Final = {
    "runs": DRIVE_ON,
    "car": ADVANCE_ONE,
    "rules": RUN_ALL,
    "rates": Loop("tests.kit.compiled_rates", "rates_only"),
}


def compile_all() -> None:
    """Compile every part that is not on the disk; one that fails does so where a test wants it."""
    left = [part for part, loop in reversed(PARTS.items()) if not is_on_disk(loop)]

    def work() -> None:
        while left:
            command = [sys.executable, "-m", "tests.kit.compiling", left.pop()]
            subprocess.run(command, cwd=ROOT, check=False)

    threads = [
        threading.Thread(target=work) for _ in range(min(PROCESSES, os.cpu_count() or 1, len(left)))
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def leave_guards_cold() -> None:
    """Let the guards of the suite run interpreted, as where nothing is compiled yet.

    Loading the compiler takes each of them a second of computing, twice what all else does; they
    decide the same, bit for bit, and ``test_warm`` has a warm one. The next guard after the suite
    finds what is compiled and leaves the mark again.
    """
    with contextlib.suppress(OSError):  # a read-only install has no mark
        for mark in marks(STEP_ROW):
            mark.unlink(missing_ok=True)
    touch(WARMING)  # as if a process compiled already: no guard starts another


def _car() -> None:
    import simulator.plant.compiled  # noqa: F401  # so that it is what cars run
    from simulator.plant import run
    from simulator.scenario import load_scenario

    next(iter(run(load_scenario("pump_stop"))))


def _runs() -> None:
    from simulator.runs import Drive
    from simulator.scenario import load_scenario

    next(iter(Drive(load_scenario("pump_stop"), 1, guarded=True, compiled=True)))


def _rates() -> None:
    from simulator.plant import Car
    from simulator.plant.state import Rates
    from simulator.scenario import load_scenario
    from tests.kit.compiled_rates import rates_only

    drive = load_scenario("pump_stop")
    car = Car(drive.rig, drive, drive.seed, compiled=False)
    rates_only(car.constants.array(), car.state.array(), Rates().array(), 0.0, 0.0)


def _rules() -> None:
    import numpy as np

    from rules.channels import ROW_WIDTH
    from rules.guard import Guard
    from simulator.rig import find_rig, load_rig

    guard = Guard(load_rig(find_rig("brindle")).rig)
    rows = np.zeros((1, ROW_WIDTH))
    guard.use_compiled()
    guard.run_rows(rows)
    machine_code.keep()


if __name__ == "__main__":
    _DO: dict[str, Callable[[], None]] = {
        "car": _car,
        "runs": _runs,
        "rates": _rates,
        "rules": _rules,
    }
    _DO[sys.argv[1]]()
    leave_mark(PARTS[sys.argv[1]])
