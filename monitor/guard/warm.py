"""Having the decision code compiled before a live guard wants it.

A live guard may run the decision code interpreted, and starts so where nothing is compiled yet. A
process of its own then compiles it for the next time, with the lowest priority; a mark beside
numba's cache says that it is there, for exactly this decision code.
"""

import contextlib
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Final

import rules

LONGEST_WARMING_S: Final = 300.0


def _folder() -> Path:
    return Path(rules.__file__).parent / "__pycache__"


def is_warm() -> bool:
    """Whether loading the compiled code will be quick. Loads the compiler only if it may be."""
    if not any(_folder().glob("warm-*")):
        return False
    from rules.compiled import fingerprint

    return (_folder() / f"warm-{fingerprint()}").exists()


def warm_elsewhere() -> None:
    """Start a process that compiles the decision code, unless one does already or none could."""
    lock = _folder() / "warming"
    with contextlib.suppress(OSError):
        # A file's age is in wall-clock time, and decides nothing but who compiles.
        if lock.exists() and time.time() - lock.stat().st_mtime < LONGEST_WARMING_S:  # noqa: TID251
            return
        lock.parent.mkdir(exist_ok=True)
        lock.touch()
        process = subprocess.Popen(
            [sys.executable, "-m", "monitor.guard.warm"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        # Waited for, so that no dead child stays about for as long as the guard lives.
        threading.Thread(target=process.wait, name="warming", daemon=True).start()


def main() -> None:
    """Compile, and leave the mark."""
    with contextlib.suppress(OSError, AttributeError):
        os.nice(19)
    from rules.compiled import fingerprint
    from rules.guard import Guard
    from simulator.rig import find_rig, load_rig

    Guard(load_rig(find_rig("brindle")).rig).use_compiled()
    with contextlib.suppress(OSError):
        (_folder() / f"warm-{fingerprint()}").touch()
        (_folder() / "warming").unlink(missing_ok=True)


if __name__ == "__main__":
    main()
