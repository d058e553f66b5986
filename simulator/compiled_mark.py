"""The one mark that says which compiled code is on the disk already, so that loading it is quick.

numba keeps compiled code in one of several places (``NUMBA_CACHE_DIR``, beside the source, in the
user's cache), and finds it only for the same code, compiler, processor and place. All of that is in
a mark's name, and where numba's own index is gone a mark says nothing. Whoever asks loads the
compiler only where some mark is there.
"""

import contextlib
import hashlib
import importlib
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import rules

_PREFIX: Final = "flowdebt-compiled"


@dataclass(frozen=True, slots=True)
class Loop:
    """A compiled function.

    Attributes:
        module: Its module, which also has ``fingerprint()``: a hash of all that goes into it.
        name: What it is called there.
    """

    module: str
    name: str


STEP_ROW: Final = Loop("rules.step.compiled", "step_row")
RUN_ALL: Final = Loop("rules.step.compiled", "run_all")
DRIVE_ON: Final = Loop("simulator.plant.compiled", "drive_on")
ADVANCE_ONE: Final = Loop("simulator.plant.compiled", "advance_one")


def is_on_disk(loop: Loop) -> bool:
    """Whether loading a loop will be quick. Loads the compiler only if it may be."""
    found = {mark.name for mark in marks(loop)}
    return bool(found) and _mark_name(loop) in found


def leave_mark(loop: Loop) -> None:
    """Say that a loop is on the disk, if numba could keep it; where nothing can be written, don't.

    Args:
        loop: A loop that has run in this process.
    """
    name = _mark_name(loop)
    if name is not None:
        touch(name)


def touch(name: str) -> bool:
    """Touch a file in the first folder that can be written to; return whether there was one."""
    for folder in folders():
        with contextlib.suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            (folder / name).touch()
            return True
    return False


def marks(loop: Loop) -> list[Path]:
    """Return the marks of a loop, of this code or another."""
    found: list[Path] = []
    for folder in folders():
        with contextlib.suppress(OSError):
            found += folder.glob(f"{_PREFIX}-{loop.name}-*")
    return found


def folders() -> list[Path]:
    """Return where marks may lie, the likeliest first: much as numba looks for its places."""
    chosen = os.environ.get("NUMBA_CACHE_DIR")
    home = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    places = [Path(chosen)] if chosen else []
    places.append(Path(rules.__file__).parent / "__pycache__")
    if os.path.isabs(home):  # there are users without a home
        places.append(Path(home) / "flowdebt")
    return places


def _mark_name(loop: Loop) -> str | None:
    """Return the name of the mark for what this process would load; None where nothing is kept."""
    import llvmlite.binding as llvm

    module: Any = importlib.import_module(loop.module)
    kept_in = getattr(module, loop.name).stats.cache_path
    if kept_in is None or not list(Path(kept_in).glob(f"*.{loop.name}-*.nbi")):
        return None
    source = Path(module.__file__).stat()
    told = (
        module.fingerprint(),
        sys.version,
        # Older compilers compare the source's age, newer its bytes.
        (source.st_mtime_ns, source.st_size),
        llvm.get_host_cpu_name(),
        llvm.get_host_cpu_features().flatten(),
        os.path.abspath(kept_in),
    )
    return f"{_PREFIX}-{loop.name}-{hashlib.sha256(repr(told).encode()).hexdigest()[:16]}"
