"""Logs read back by several processes, told in the order in which they were given."""

import signal
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing import active_children, get_context
from pathlib import Path
from typing import Final, TypeVar

from monitor.recorder.reader import is_session
from monitor.review.review import Review, review
from simulator.strict import BadInput, called

_Read = TypeVar("_Read")
BYTES_WORTH_IT: Final = 24_000_000  # below, starting processes takes as long as reading here


def reviews(
    paths: Sequence[Path], rig: str | None, jobs: int, *, traced: bool = False
) -> Iterator[Review | BadInput]:
    """Yield each log's review, or why there is none, in the order of the logs.

    Args:
        paths: Logs, and sessions' folders.
        rig: As ``review`` takes it.
        jobs: As ``each`` takes them.
    """
    return each(partial(_review, rig=rig), paths, jobs, BYTES_WORTH_IT)


def each(
    read: Callable[[Path], _Read], paths: Sequence[Path], jobs: int, worth_bytes: int
) -> Iterator[_Read | BadInput]:
    """Yield what each log comes to, in the order of the logs.

    Args:
        read: Reads one; can be pickled.
        paths: Logs, and sessions' folders.
        jobs: Processes at most; 1 reads here, as do few logs that are short. The result is the
            same whatever their number.
        worth_bytes: Logs of so many bytes together are worth several.
    """
    if jobs <= 1 or len(paths) <= 1 or sum(map(_bytes, paths)) < worth_bytes:
        yield from map(read, paths)
        traced: As ``review`` takes it.
    """
    if jobs <= 1 or len(paths) <= 1 or sum(map(_bytes, paths)) < BYTES_WORTH_IT:
        yield from (_review(path, rig, traced) for path in paths)
        return
    others = set(active_children())
    # Fresh processes: what a forked copy of a threaded process holds is anyone's guess.
    context = get_context("spawn")
    pool = ProcessPoolExecutor(min(jobs, len(paths)), mp_context=context, initializer=_begin)
    waiting: deque[Future[_Read]] = deque()
    try:
        with _without_ctrl_c():
            waiting.extend(pool.submit(read, path) for path in paths)
            waiting.extend(pool.submit(_review, path, rig, traced) for path in paths)
        for path in paths:
            try:
                yield waiting.popleft().result()
            except BrokenProcessPool:
                yield BadInput(
                    f"{called(path)}: found the process that read it killed, expected it to end "
                    "by itself (too little memory for several logs at once?)"
                )
    finally:
        # Given up on, or done: then nobody is left.
        for process in set(active_children()) - others if waiting else ():
            process.terminate()
        pool.shutdown(wait=True, cancel_futures=True)


def _review(path: Path, rig: str | None, traced: bool) -> Review | BadInput:
    try:
        return review(path, rig, traced=traced)
    except BadInput as error:
        return error


def _bytes(path: Path) -> int:
    """Return how large a log or a session is; what isn't there is told by who reads it."""
    try:
        files = path.iterdir() if is_session(path) else [path]
        return sum(file.stat().st_size for file in files)
    except OSError:
        return 0


@contextmanager
def _without_ctrl_c() -> Iterator[None]:
    """Hold ctrl+c back while processes start: they'd answer it with a traceback."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


def _begin() -> None:
    """Let ctrl+c end this process at once: it was held back when that started."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
