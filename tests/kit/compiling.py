"""Everything compiled before any test runs, once.

Numba compiles at the first call: two workers of a suite would each compile the same, and a test's
time limit would run meanwhile. ``python -m tests.kit.compiling car rules`` and so on compile parts
into the cache. One process compiles them all: two share most of their functions, and each would
compile those anew. pytest, too, would translate tests (for their asserts) in each worker.
"""

import contextlib
import importlib
import subprocess
import sys
from collections.abc import Callable
from typing import Final

import pytest

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

# The mark is a part's last loop's.
PARTS: Final = {
    "rules": RUN_ALL,
    "car": ADVANCE_ONE,
    "rates": Loop("tests.kit.compiled_rates", "rates_only"),
    "runs": DRIVE_ON,
}


def compile_all() -> list[subprocess.Popen[bytes]]:
    """Begin to compile what is not on the disk; return the process that does, if any.

    What fails does so where a test wants it.
    """
    left = [part for part, loop in PARTS.items() if not is_on_disk(loop)]
    command = [sys.executable, "-m", "tests.kit.compiling", *left]
    return [subprocess.Popen(command, cwd=ROOT)] if left else []


def translate_share(of: str, workers: int) -> None:
    """Load one worker's share of the tests before it collects them all.

    pytest translates a test's asserts where it first loads it, and leaves that on the disk: workers
    that each begin with other tests find there what the others did. What doesn't load is told of
    when it is collected.

    Args:
        of: The worker's name, "gw" and a number.
        workers: How many there are.
    """
    tests = sorted((ROOT / "tests").rglob("test_*.py"))
    for test in tests[int(of.removeprefix("gw")) % workers :: workers]:
        with contextlib.suppress(Exception, pytest.skip.Exception):
            importlib.import_module(".".join(test.relative_to(ROOT).with_suffix("").parts))


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
    for _part in sys.argv[1:]:
        _DO[_part]()
        leave_mark(PARTS[_part])
