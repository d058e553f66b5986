"""The decision loop's machine code on the disk: many rows are decided without loading a compiler.

numba takes more than half a second to load, and 100 MB, even where it finds in its cache what it
once compiled; LLVM alone, which it rests on, loads the same code in a tenth of that. What lies here
is the very code numba made, and decides the same to the last bit.
"""

import contextlib
import ctypes
import hashlib
import os
import re
import sys
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from rules.guard import Guard
from rules.step import kernels
from simulator.compiled_mark import folders

_PREFIX: Final = "flowdebt-decisions"
_DIGEST_BYTES: Final = 32
# All that it may call, as LLVM makes calls of loops: it would end this process if one were missing.
_NEEDED: Final = ("memset", "memcpy", "memmove", "sqrt")
# Numba's own ways into the loop, which want Python: left out.
_WRAPPERS: Final = re.compile(r'(?ms)^define [^\n]*@"?(?:_ZN7cpython|cfunc\.).*?^}\n')


def is_kept() -> bool:
    """Whether machine code for this very code, compiler and processor is on the disk."""
    return any((folder / _name()).exists() for folder in folders())


def load() -> bool:
    """Let guards decide many rows by it from now on; return whether it was there.

    A file that is no longer as it was written counts as none, and goes.
    """
    for folder in folders():
        with contextlib.suppress(OSError, ValueError, RuntimeError, AttributeError, TypeError):
            path = folder / _name()
            content = path.read_bytes()
            digest, kept = content[:_DIGEST_BYTES], content[_DIGEST_BYTES:]
            if hashlib.sha256(kept).digest() != digest:
                path.unlink()  # so that a whole one can take its place
                continue
            symbol, _, code = kept.partition(b"\n")
            Guard.machine_code = _Loop(symbol.decode(), code) if code else None
            return bool(code)
    return False


def keep() -> None:
    """Write it, once the loop has run in this process; does nothing where there is no place."""
    import llvmlite.binding as llvm

    from rules import compiling
    from rules.step import compiled

    where = next((folder for folder in folders() if os.access(folder, os.W_OK)), None)
    if where is None or is_kept():
        return
    _begin(llvm)
    made = llvm.parse_assembly(_WRAPPERS.sub("", compiling.llvm_of(compiled.run_all)))
    found = [one.name for one in made.functions if "run_all" in one.name and not one.is_declaration]
    kept = b""  # of another numba, which calls things otherwise: so that nobody tries again
    if len(found) == 1:
        kept = found[0].encode() + b"\n" + _machine(llvm).emit_object(made)
    unfinished = where / f"{_name()}.{os.getpid()}"
    with contextlib.suppress(OSError):
        unfinished.write_bytes(hashlib.sha256(kept).digest() + kept)
        unfinished.replace(where / _name())


@lru_cache(maxsize=1)
def _name() -> str:
    """Return the file's name, which holds all that the code depends on."""
    import llvmlite
    import llvmlite.binding as llvm

    told = (
        kernels.fingerprint(llvmlite.__version__),
        (Path(kernels.__file__).parent / "compiled.py").read_bytes(),
        sys.version,
        llvm.get_default_triple(),
        llvm.get_host_cpu_name(),
        llvm.get_host_cpu_features().flatten(),
    )
    return f"{_PREFIX}-{hashlib.sha256(repr(told).encode()).hexdigest()[:16]}"


def _begin(llvm: Any) -> None:
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()


def _machine(llvm: Any) -> Any:
    """Return what LLVM makes code for, as numba has it: this processor."""
    return llvm.Target.from_default_triple().create_target_machine(
        cpu=llvm.get_host_cpu_name(),
        features=llvm.get_host_cpu_features().flatten(),
        opt=3,
        reloc="default",
        codemodel="jitdefault",
    )


class _Loop:
    """The loop, to be called as ``rules.step.compiled.run_all`` is.

    Raises:
        AttributeError: What the code calls is not in this process (on Windows a TypeError).
        RuntimeError: LLVM can't load it.
    """

    def __init__(self, symbol: str, code: bytes) -> None:
        import llvmlite.binding as llvm

        _begin(llvm)
        process = ctypes.CDLL(None)
        for name in _NEEDED:
            llvm.add_symbol(name, ctypes.cast(process[name], ctypes.c_void_p).value)
        self._engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), _machine(llvm))
        self._engine.add_object_file(llvm.ObjectFileRef.from_data(code))
        self._engine.finalize_object()
        self._address = self._engine.get_function_address(symbol)
        self._run: Any = None

    def __call__(self, *given: Any) -> int:
        *arrays, changes_alone = given
        # An array as numba passes it: two for counting references, then how many items, how long
        # each, where they are, its shape and its strides.
        told: list[int | None] = []
        for one in arrays:
            told += [None, None, one.size, one.itemsize, one.ctypes.data, *one.shape, *one.strides]
        if self._run is None:
            self._run = self._callable([one.ndim for one in arrays])
        count, why = ctypes.c_int64(), ctypes.c_void_p()
        if self._run(ctypes.byref(count), ctypes.byref(why), *told, changes_alone):
            raise ZeroDivisionError("division by zero")  # all that decision code can raise
        return count.value

    def _callable(self, dimensions: list[int]) -> Any:
        """Return what is called with a result, an error, such arrays and a truth."""
        pointer, number = ctypes.c_void_p, ctypes.c_int64
        kinds: list[Any] = [pointer, pointer]
        for count in dimensions:
            kinds += [pointer, pointer, number, number, pointer, *[number] * (2 * count)]
        return ctypes.CFUNCTYPE(ctypes.c_int32, *kinds, ctypes.c_bool)(self._address)
