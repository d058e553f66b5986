"""The one place where files that others name are opened: stat first, then open; never overwrite.

Only ``replace_text`` puts another text in a file's place, whole or not at all.

``open()`` of a pipe with no writer waits for ever, and a device can give bytes without end.
"""

import contextlib
import errno
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final

from simulator.strict.text import MAX_BYTES, BadInput, called, clean, decode_bytes

_FOLDER: Final = "a folder"
_OTHER: Final = "no regular file"
_NON_BLOCKING: Final = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)


def open_file(path: Path) -> BinaryIO:
    """Open a regular file for reading.

    Raises:
        OSError: There is none, it can't be read, or it is a folder, pipe, device or socket.
    """
    checked_file(path)
    # What stood there a moment ago may be a pipe by now: neither wait for it nor take it.
    handle = os.open(path, os.O_RDONLY | _NON_BLOCKING)
    try:
        _refuse_others(os.fstat(handle).st_mode, path)
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def checked_file(path: Path) -> str:
    """Return a regular file's path as text, for libraries that open it by themselves.

    Raises:
        OSError: As ``open_file``.
    """
    try:
        mode = path.stat().st_mode
    except ValueError:
        raise _nul() from None
    _refuse_others(mode, path)
    return str(path)


def _nul() -> OSError:
    """Return the error for a NUL in a name; Python's own words differ from version to version."""
    return OSError(errno.EINVAL, "embedded null byte")


def unusable(path: Path, error: Exception, expected: str) -> BadInput:
    """Return the error for a file that can't be read or written, for the caller to raise.

    Args:
        path: The file.
        error: What was raised.
        expected: What would have been right, such as "a readable log".
    """
    why = clean(getattr(error, "strerror", None) or str(error)).lower()
    return BadInput(f"{called(path)}: found {why}, expected {expected}")


def read_text(path: Path) -> str:
    """Return a TOML file's text, at most 1 MB of UTF-8.

    Raises:
        BadInput: Missing, unreadable, no regular file, too large, or not UTF-8.
    """
    try:
        with open_file(path) as file:
            raw = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise unusable(path, error, "a readable TOML file") from None
    return decode_bytes(raw, str(path))


def ending_of(path: Path, *endings: str) -> str:
    """Return the ending of a name to write to, in small letters: one of these.

    Raises:
        BadInput: It is another; to be told before there is anything to write.
    """
    ending = path.suffix.lower()
    if ending not in endings:
        found = clean(ending) or "no ending"
        raise BadInput(f"{called(path)}: found {found}, expected {' or '.join(endings)}")
    return ending


def refuse_taken(path: Path) -> None:
    """Refuse a name that can't be written anew; to be told before there is anything to write.

    Raises:
        BadInput: Something has it, be it a link to nothing; or its folder is not there, or closed.
    """
    if os.path.lexists(path):
        raise _taken(path)
    if not path.parent.is_dir():
        found = f"no folder {called(path.parent)}"
    elif not os.access(path.parent, os.W_OK):
        found = f"a folder {called(path.parent)} that can't be written in"
    else:
        return
    raise BadInput(f"{called(path)}: found {found}, expected a file to write")


@contextlib.contextmanager
def new_file(path: Path) -> Iterator[BinaryIO]:
    """Open a new file for writing; where it can't be finished, it is taken away.

    Raises:
        BadInput: Something has that name already, or it can't be written.
    """
    try:
        file = path.open("xb")
    except FileExistsError:
        raise _taken(path) from None
    except OSError as error:
        raise unusable(path, error, "a file to write") from None
    except ValueError:
        raise unusable(path, _nul(), "a file to write") from None
    try:
        with file:
            yield file
    except BaseException as error:
        with contextlib.suppress(OSError):
            path.unlink()  # ours: it was not there before
        if isinstance(error, OSError):
            raise unusable(path, error, "a file to write") from None
        raise


def replace_text(path: Path, before: str, text: str) -> None:
    """Put another text in place of a file that was read: the old one, or the new one, never less.

    The new one is written beside it first. A link stays one, and rights stay.

    Args:
        path: The file, as it was given to ``read_text``.
        before: What was read then.
        text: What is to stand there.

    Raises:
        BadInput: Another text stands there by now, or it can't be written.
    """
    target = path.resolve()
    if read_text(target) != before:
        raise BadInput(f"{called(path)}: found it changed meanwhile, expected it as it was read")
    try:
        if not os.access(target, os.W_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(target))
        write_whole(target, text.encode(), rights_of=target)
    except OSError as error:
        raise unusable(path, error, "a file to write") from None


def write_whole(path: Path, raw: bytes, rights_of: Path | None = None) -> None:
    """Put a file in place: what stood there before, or all of the new one, never less.

    Args:
        path: The file, no link.
        raw: What is to stand there; it is written beside it first.
        rights_of: A file whose rights it gets; None: its owner's alone.

    Raises:
        OSError: It can't be written.
    """
    handle, beside = tempfile.mkstemp(prefix=".", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
        if rights_of is not None:
            shutil.copymode(rights_of, beside)
        Path(beside).replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(beside).unlink()
        raise


def _taken(path: Path) -> BadInput:
    return BadInput(f"{called(path)}: found a file, expected none: nothing is overwritten")


def _refuse_others(mode: int, path: Path) -> None:
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, _FOLDER, str(path))
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, _OTHER, str(path))
