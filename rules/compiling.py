"""What it takes to compile kernels with numba: the decision's and the simulated car's alike."""

import hashlib
import sys
from collections.abc import Iterable, Sequence
from enum import EnumType
from types import FunctionType, ModuleType
from typing import Any, Final

import numpy as np

from rules.record import Record

# No allocation happens inside, so numba's reference counting (atomic, four times the cost of the
# arithmetic here) is switched off; arguments stay referenced by the caller.
_OPTIONS: Final[dict[str, Any]] = {"nogil": True, "_nrt": False}


def fingerprint(kernels: Iterable[ModuleType], *data: ModuleType, base: str = "") -> str:
    """Return a short hash of all that goes into compiled code, and of what compiles it.

    numba's own cache misses edits in imported functions (numba/numba#9483). A loop that holds this
    hash has it in its key of the cache, since what a closure holds is in it.

    Args:
        kernels: Modules whose functions are compiled, with their constants, records and choices.
        data: Modules of which only these last three go into it.
        base: What else goes into it: the compiler, other code that is compiled with this.
    """
    versions = f"{base} {np.__version__} {sys.version}"
    digest = hashlib.sha256(versions.encode())
    for module in (*kernels, *data):
        for name, value in sorted(vars(module).items()):
            digest.update(_told(name, value, module, module in data).encode())
    return digest.hexdigest()[:16]


def _told(name: str, value: Any, module: ModuleType, is_data: bool) -> str:
    if isinstance(value, FunctionType):
        if is_data or value.__module__ != module.__name__:
            return ""
        code = value.__code__  # names too: byte code holds only their numbers
        return f"{name} {code.co_consts!r} {code.co_names!r} {code.co_code.hex()}"
    if isinstance(value, type) and issubclass(value, Record):
        return f"{name} {value.dtype()!r}"
    if isinstance(value, EnumType):
        return f"{name} {list(value)!r}"
    return f"{name} {value!r}" if name.lstrip("_").isupper() else ""


def make_callable(kernels: Sequence[ModuleType]) -> None:
    """Let compiled code call every function of these modules."""
    from numba.extending import register_jitable

    for module in kernels:
        for value in list(vars(module).values()):
            if isinstance(value, FunctionType) and value.__module__ == module.__name__:
                register_jitable(value)


def compiled(function: Any) -> Any:
    """Return a loop compiled, kept in numba's cache where there is a place for one."""
    import numba

    try:
        return numba.njit(cache=True, **_OPTIONS)(function)
    except RuntimeError:  # nowhere to keep a cache: a read-only install without a home
        return numba.njit(**_OPTIONS)(function)


def llvm_of(loop: Any) -> str:
    """Return a loop that has run in LLVM's language.

    Compiled anew where numba found it in its cache: that holds machine code alone.
    """
    import numba

    (signature,) = loop.signatures
    if loop.stats.cache_hits:
        loop = numba.njit(**_OPTIONS)(loop.py_func)
        loop.compile(signature)
    return str(loop.inspect_llvm(signature))
