"""Everything compiled before the whole suite starts, once, in two processes at a time.

Numba compiles at the first call, so two workers of a suite would each compile the same: a third of
all the work there is. ``python -m tests.compiling car`` and so on compile one part into the cache.
"""

import contextlib
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from monitor.guard.warm import WARMING
from simulator.compiled_mark import STEP_ROW, marks, touch

ROOT: Final = Path(__file__).resolve().parent.parent
LONGEST_S: Final = 600.0
# What takes longest first, so that both processes end at about the same time.
PARTS: Final = ("runs", "car", "rules", "rates")


def compile_all(processes: int) -> None:
    """Compile every part; a part that fails is compiled, and fails, where a test wants it."""
    left = list(reversed(PARTS))

    def work() -> None:
        while left:
            command = [sys.executable, "-m", "tests.compiling", left.pop()]
            with contextlib.suppress(subprocess.TimeoutExpired):
                subprocess.run(command, cwd=ROOT, timeout=LONGEST_S, check=False)

    threads = [threading.Thread(target=work) for _ in range(processes)]
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
    from simulator.compiled_mark import DRIVE_ON, leave_mark
    from simulator.runs import Drive
    from simulator.scenario import load_scenario

    next(iter(Drive(load_scenario("pump_stop"), 1, guarded=True, compiled=True)))
    leave_mark(DRIVE_ON)


def _rates() -> None:
    import numpy as np

    from simulator.plant import Car
    from simulator.plant.compiled import rates_only
    from simulator.plant.layout import S_HELD
    from simulator.scenario import load_scenario

    drive = load_scenario("pump_stop")
    car = Car(drive.rig, drive, drive.seed)
    k: Any = car.constants
    state: Any = car.state
    rates_only(k, state, np.zeros(S_HELD), 0.0, 0.0)


def _rules() -> None:
    import numpy as np

    from rules.channels import ROW_WIDTH
    from rules.guard import Guard
    from simulator.rig import find_rig, load_rig

    guard = Guard(load_rig(find_rig("brindle")).rig)
    rows = np.zeros((1, ROW_WIDTH))
    guard.run_rows(rows)
    guard.run_changes(rows)
    guard.use_compiled()


if __name__ == "__main__":
    _DO: dict[str, Callable[[], None]] = {
        "car": _car,
        "runs": _runs,
        "rates": _rates,
        "rules": _rules,
    }
    _DO[sys.argv[1]]()
