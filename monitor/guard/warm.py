"""Having the decision code compiled before a live guard wants it.

A live guard may run the decision code interpreted, and starts so where nothing is compiled yet. A
process of its own then compiles it for the next time, with the lowest priority, and marks it.
"""

import contextlib
import os
import subprocess
import sys
import threading
import time
from typing import Final

from simulator import compiled_mark
from simulator.compiled_mark import STEP_ROW, is_on_disk, leave_mark, touch

LONGEST_WARMING_S: Final = 300.0
WARMING: Final = "flowdebt-warming"


def is_warm() -> bool:
    """Whether loading the compiled code will be quick. Loads the compiler only if it may be."""
    return is_on_disk(STEP_ROW)


def warm_elsewhere(module: str = "monitor.guard.warm") -> None:
    """Start a process that compiles the decision code, unless one does already or none could.

    Args:
        module: Whose ``main`` compiles.
    """
    if _is_warming() or not touch(WARMING):
        return
    with contextlib.suppress(OSError):
        process = subprocess.Popen(
            [sys.executable, "-m", module],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        # Waited for, so that no dead child stays about for as long as the guard lives.
        threading.Thread(target=process.wait, name="warming", daemon=True).start()


def end_warming() -> None:
    """Let the next guard start a process that compiles, where one is needed."""
    for folder in compiled_mark.folders():
        with contextlib.suppress(OSError):
            (folder / WARMING).unlink(missing_ok=True)


def main() -> None:
    """Compile, and leave the mark."""
    be_patient()
    from rules.guard import Guard
    from simulator.rig import find_rig, load_rig

    Guard(load_rig(find_rig("brindle")).rig).use_compiled()
    leave_mark(STEP_ROW)
    end_warming()


def be_patient() -> None:
    """Have the lowest priority."""
    with contextlib.suppress(OSError, AttributeError):
        os.nice(19)


def _is_warming() -> bool:
    for folder in compiled_mark.folders():
        with contextlib.suppress(OSError):
            # A file's age is in wall-clock time, and decides nothing but who compiles.
            age_s = time.time() - (folder / WARMING).stat().st_mtime  # noqa: TID251  # as said
            if age_s < LONGEST_WARMING_S:
                return True
    return False


if __name__ == "__main__":
    main()
