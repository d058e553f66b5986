"""What the operating system grants: short waits, asked for, never required; and processors."""

import ctypes
import os
import platform
import struct
import sys
from typing import Final

SLICE_NS: Final = 100_000  # shortest slice the Linux scheduler grants
_NUMBER: Final = {"x86_64": 314, "aarch64": 274, "riscv64": 274}  # of sched_setattr


def ask_for_short_slice() -> bool:
    """Ask Linux for a 0.1 ms scheduler slice (EEVDF, kernel 6.12 on); return whether it said yes.

    A thread with a short slice is run sooner after it wakes; no privilege is needed.
    """
    number = _NUMBER.get(platform.machine())
    if not sys.platform.startswith("linux") or number is None:
        return False
    nice = os.getpriority(os.PRIO_PROCESS, 0)
    # struct sched_attr: size, policy, flags, nice, priority, runtime, deadline, period
    attributes = struct.pack("=IIQiIQQQ", 48, 0, 0, nice, 0, SLICE_NS, 0, 0)
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        return bool(libc.syscall(number, 0, attributes, 0) == 0)
    except (OSError, AttributeError):
        return False


def processors() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return min(os.cpu_count() or 1, 61)
