"""Compiled code for rides: loaded where it is on the disk, else compiled for the next class.

A class starts interpreted, which a few trainees' rides can be in real time; compiled, a full class
costs next to nothing. The bits are the same.
"""

from monitor.guard.warm import be_patient, end_warming, is_warm, warm_elsewhere
from simulator.compiled_mark import ADVANCE_ONE, STEP_ROW, is_on_disk, leave_mark
from simulator.drill.lesson import load_lesson
from simulator.drill.ride import Ride


def load() -> bool:
    """Load compiled code, which takes some seconds; return False where it isn't on the disk.

    Then another process compiles it.
    """
    if not (is_warm() and is_on_disk(ADVANCE_ONE)):
        warm_elsewhere("monitor.drill.warm")
        return False
    _ride()
    return True


def _ride() -> None:
    plan, _ = load_lesson("1").ride_plan(1)
    Ride(plan, 1, compiled=True).step()


def main() -> None:
    """Compile, and leave the marks."""
    be_patient()
    _ride()
    leave_mark(STEP_ROW)
    leave_mark(ADVANCE_ONE)
    end_warming()


if __name__ == "__main__":
    main()
