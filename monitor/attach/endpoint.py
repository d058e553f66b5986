"""Endpoints of running guards, and of classes of drills: a small file each, for its owner only."""

import contextlib
import os
import re
import secrets
import socket
import stat
import tempfile
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final

import msgspec

from simulator.strict import BadInput, called, open_file

LONGEST_ENDPOINT: Final = 65_536
# A guard's or class's socket and endpoint, and the sockets of a class's places.
_NAMED: Final = re.compile(r"([1-9][0-9]{0,8})(?:-[0-9]{1,4})?\.(?:sock|json|class)", re.ASCII)


class Kind(StrEnum):
    """What listens at an endpoint; also the ending of the file that says so."""

    GUARD = "json"
    CLASS = "class"

    @property
    def started_by(self) -> str:
        """The commands that start one, in words."""
        return "flowdebt drill" if self is Kind.CLASS else "flowdebt watch or demo"

    @property
    def words(self) -> str:
        """What it is called."""
        return "class" if self is Kind.CLASS else "guard"


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Where a guard listens, or a class of drills, or one of its places.

    Attributes:
        pid: Its process.
        path: Path of its AF_UNIX socket; empty where it listens on loopback TCP.
        port: Its loopback TCP port; 0 where it listens on a path.
        token: What a viewer must say first.
        source: What it reads.
    """

    pid: int
    path: str
    port: int
    token: str
    source: str


def runtime_folder() -> Path:
    """Return the folder for endpoints and sockets, made private to its owner.

    Raises:
        BadInput: It can't be made, or somebody else's folder is in its place.
    """
    given = os.environ.get("FLOWDEBT_RUNTIME_DIR") or os.environ.get("XDG_RUNTIME_DIR")
    user = str(os.getuid()) if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")
    folder = Path(given) / "flowdebt" if given else Path(tempfile.gettempdir()) / f"flowdebt-{user}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if hasattr(os, "getuid"):
            owner = folder.stat()
            if owner.st_uid != os.getuid() or folder.is_symlink():
                raise BadInput(f"{called(folder)}: found another user's folder, expected our own")
            if owner.st_mode & 0o077:
                folder.chmod(0o700)
    except OSError as error:
        raise BadInput(
            f"{called(folder)}: found {error.strerror}, expected a private folder for sockets"
        ) from None
    return folder


def new_endpoint(source: str, place: int = 0) -> Endpoint:
    """Return an endpoint for this process: an AF_UNIX path where there is one, else TCP.

    Args:
        source: What is read.
        place: Number of a class's place, from 1; 0 is the process's own endpoint.
    """
    clear_away()
    token = secrets.token_urlsafe(24)
    name = f"{os.getpid()}-{place}.sock" if place else f"{os.getpid()}.sock"
    path = str(runtime_folder() / name) if hasattr(socket, "AF_UNIX") else ""
    return Endpoint(os.getpid(), path, 0, token, source)


def publish(endpoint: Endpoint, kind: Kind = Kind.GUARD) -> Path:
    """Write the endpoint down, for viewers to find; return the file."""
    path = runtime_folder() / f"{endpoint.pid}.{kind}"
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(msgspec.json.encode(endpoint))
    return path


def withdraw(endpoint: Endpoint) -> None:
    """Remove what ``publish`` and the socket left, in our own folder and nowhere else."""
    with contextlib.suppress(OSError, BadInput):
        folder = runtime_folder()
        for kind in Kind:
            (folder / f"{endpoint.pid}.{kind}").unlink(missing_ok=True)
        if endpoint.path and Path(endpoint.path).parent == folder:
            Path(endpoint.path).unlink(missing_ok=True)


def clear_away() -> None:
    """Remove the sockets and endpoints, with their tokens, of guards that were killed.

    Only files in our folder that are named as we name them and belong to us; and only where no
    process of that number lives, and nobody listens: a guard in a container of its own might.
    """
    with contextlib.suppress(OSError, BadInput):
        folder = runtime_folder()
        for file in list(folder.iterdir()):
            named = _NAMED.fullmatch(file.name)
            if named is None or not _is_our_own(file) or _lives(int(named[1])):
                continue
            if not _listens(str(folder / f"{named[1]}.sock")):
                file.unlink(missing_ok=True)


def _is_our_own(file: Path) -> bool:
    """Whether a file is a socket or a plain file that belongs to us."""
    found = file.lstat()
    plain = stat.S_ISREG(found.st_mode) or stat.S_ISSOCK(found.st_mode)
    return plain and (not hasattr(os, "getuid") or found.st_uid == os.getuid())


def running_endpoints(kind: Kind = Kind.GUARD) -> list[Endpoint]:
    """Return the endpoints of guards whose process lives, newest first; clear away the others'."""
    clear_away()
    endpoints = []
    for file in sorted(runtime_folder().glob(f"*.{kind}"), key=_age, reverse=True):
        try:
            with open_file(file) as opened:
                endpoint = msgspec.json.decode(opened.read(LONGEST_ENDPOINT), type=Endpoint)
        except (OSError, msgspec.MsgspecError):
            continue
        if file.name != f"{endpoint.pid}.{kind}":  # none that a guard wrote
            continue
        if _lives(endpoint.pid) and _listens(endpoint.path):
            endpoints.append(endpoint)
        else:
            withdraw(endpoint)
    return endpoints


def _age(file: Path) -> float:
    try:
        return file.stat().st_mtime
    except OSError:  # its guard ended just now
        return 0.0


def _listens(path: str) -> bool:
    """Whether somebody listens at a socket; a process may have a dead guard's number."""
    if not path:
        return True
    with contextlib.closing(socket.socket(socket.AF_UNIX)) as probe:
        probe.settimeout(1.0)
        try:
            probe.connect(path)
        except (ConnectionRefusedError, FileNotFoundError):
            return False
        except OSError:  # a guard that is slow to answer lives
            return True
    return True


def find_endpoint(pid: int | None, asked: str = "--attach", kind: Kind = Kind.GUARD) -> Endpoint:
    """Return the newest running guard, or the one of this process.

    Args:
        pid: Its process; None is the newest.
        asked: The command or option that wants one, for the message.
        kind: Look for a class of drills instead.

    Raises:
        BadInput: There is none.
    """
    for endpoint in running_endpoints(kind):
        if pid is None or endpoint.pid == pid:
            return endpoint
    found = f"no running {kind.words}{'' if pid is None else f' with process {pid}'}"
    raise BadInput(f"{asked}: found {found}, expected one started by {kind.started_by}")


def _lives(pid: int) -> bool:
    if not hasattr(os, "getuid"):
        return True  # Windows: signal 0 would end the process; attaching shows soon enough
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
