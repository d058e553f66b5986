"""Logs read back by several processes, told in the order in which they were given."""

import signal
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing import active_children, get_context
from pathlib import Path
from typing import Final, TypeAlias, TypeVar

from monitor.recorder.reader import is_session
from monitor.review.log import Progress
from monitor.review.review import Review, review
from simulator.strict import BadInput, called

_LOOK_S: Final = 0.5
_Came = TypeVar("_Came")
Read: TypeAlias = Callable[[Path, Progress | None], _Came]
# Of CSV; with fewer, two processes take as long to start as they save on two cores, where one
# reads on a second thread already: as measured.
BYTES_WORTH_IT: Final = 100_000_000
_PACKED: Final = 4  # times as long a byte takes in Parquet, as measured


def reviews(
    paths: Sequence[Path],
    rig: str | None,
    jobs: int,
    *,
    traced: bool = False,
    progress: Progress | None = None,
) -> Iterator[Review | BadInput]:
    """Yield each log's review, or why there is none, in the order of the logs.

    Args:
        paths: Logs, and sessions' folders.
        rig: As ``review`` takes it.
        jobs: As ``each`` takes them, as is ``progress``.
        traced: As ``review`` takes it.
        progress: Told now and then how much is read, as a share of all bytes.
    """
    return each(partial(_review, rig=rig, traced=traced), paths, jobs, BYTES_WORTH_IT, progress)


def each(
    read: Read[_Came],
    paths: Sequence[Path],
    jobs: int,
    worth_bytes: int,
    progress: Progress | None = None,
) -> Iterator[_Came | BadInput]:
    """Yield what each log comes to, in the order of the logs.

    Args:
        read: Reads one, and tells how far it is; can be pickled.
        paths: Logs, and sessions' folders.
        jobs: Processes at most; 1 reads here, as do few logs that are short. The result is the
            same whatever their number.
        worth_bytes: Logs of fewer bytes together are few and short.
        progress: Told now and then how much is read, as a share of all bytes.
    """
    sizes = [max(_bytes(path), 1) for path in paths]
    tell = progress or _nobody
    if jobs <= 1 or len(paths) <= 1 or sum(sizes) < worth_bytes:
        for at, path in enumerate(paths):
            before, share = sum(sizes[:at]) / sum(sizes), sizes[at] / sum(sizes)
            yield read(path, partial(_tell_part, tell, before, share))
        return
    others = set(active_children())
    # Fresh processes: what a forked copy of a threaded process holds is anyone's guess.
    context = get_context("spawn")
    pool = ProcessPoolExecutor(min(jobs, len(paths)), mp_context=context, initializer=_begin)
    waiting: deque[Future[_Came]] = deque()
    try:
        with _without_ctrl_c():
            waiting.extend(pool.submit(read, path, None) for path in paths)
        for path in paths:
            try:
                while not wait(list(waiting)[:1], timeout=_LOOK_S).done:
                    ahead = sum(one.done() for one in waiting)
                    tell(1.0 - sum(sizes[len(paths) - len(waiting) + ahead :]) / sum(sizes))
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


def _tell_part(tell: Progress, before: float, share: float, of_this: float) -> None:
    tell(before + share * of_this)


def _nobody(share: float) -> None:
    """Nobody asked how far it is."""


def _review(
    path: Path, progress: Progress | None, rig: str | None, traced: bool
) -> Review | BadInput:
    try:
        return review(path, rig, traced=traced, progress=progress)
    except BadInput as error:
        return error


def _bytes(path: Path) -> int:
    """Return how large a log or a session is, Parquet as if it were CSV.

    What isn't there is told by who reads it.
    """
    packed = _PACKED if path.suffix.lower() == ".parquet" else 1
    try:
        files = path.iterdir() if is_session(path) else [path]
        return packed * sum(file.stat().st_size for file in files)
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
