"""User and password for a broker: from the environment or a private file, and never shown."""

import os
import stat
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from simulator.strict import BadInput, called, open_file, unusable

USER: Final = "FLOWDEBT_MQTT_USER"
PASSWORD: Final = "FLOWDEBT_MQTT_PASSWORD"
MOST_BYTES: Final = 4096


@dataclass(frozen=True, slots=True)
class Login:
    """A user and its password. ``repr`` shows neither."""

    user: str = field(repr=False)
    password: str | None = field(repr=False)


def login_from_environment() -> Login | None:
    """Return the login the environment holds, None where it holds none.

    Raises:
        BadInput: A password without a user.
    """
    user, password = os.environ.get(USER), os.environ.get(PASSWORD)
    if not user:
        if password:
            raise BadInput(f"{PASSWORD}: found a password, but no {USER}; expected both")
        return None
    return Login(user, password)


def login_from_file(path: Path) -> Login:
    """Return the login in a TOML file: ``user = "..."`` and ``password = "..."``.

    Raises:
        BadInput: Unreadable, readable by others than its owner, or anything else in it. What the
            file holds is not quoted.
    """
    name = called(path)
    expected = 'user = "..." and password = "..."'
    try:
        with open_file(path) as file:
            about = os.fstat(file.fileno())
            raw = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise unusable(path, error, f"a file with {expected}") from None
    if hasattr(os, "getuid"):  # elsewhere the mode says nothing about who may read
        if about.st_uid not in (os.getuid(), 0):
            raise BadInput(f"{name}: found another user's file, expected our own")
        if about.st_mode & 0o077:
            raise BadInput(
                f"{name}: found mode {stat.S_IMODE(about.st_mode):03o}, which lets others read a "
                "password; expected 600 (chmod 600)"
            )
    try:
        found = tomllib.loads(raw.decode("utf-8"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        raise BadInput(f"{name}: found no TOML, expected {expected}") from None
    user, password = found.get("user"), found.get("password")
    good = isinstance(user, str) and user and isinstance(password, str)
    if len(raw) > MOST_BYTES or set(found) != {"user", "password"} or not good:
        raise BadInput(f"{name}: found something else, expected {expected} and no more")
    return Login(str(user), str(password))
