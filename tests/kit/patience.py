"""How long tests wait for what must come: so long that only a hang is given up on.

No test waits it out where all is well, and none says how long something takes: ``tests.bench``
measures that. The limit of a whole test (``timeout`` in pyproject.toml) is longer still.
"""

import threading
import time
from collections.abc import Callable
from typing import Final

PATIENCE_S: Final = 240.0


def until(holds: Callable[[], object]) -> None:
    """Wait for what must come about."""
    deadline_s = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < deadline_s, "it did not come about"
        threading.Event().wait(0.005)
