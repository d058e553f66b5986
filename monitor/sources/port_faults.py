"""What a broken or unplugged serial port raises, and what it means in plain words."""

import contextlib
from typing import Final

import serial

from simulator.strict import clean

# What an unplugged or broken port has been seen to raise: SerialException from read, a bare OSError
# from in_waiting, termios.error (no OSError) from the rest, TypeError from a port closed under it.
# LookupError is ours: the adapter asked for is not there.
PORT_FAULTS: tuple[type[Exception], ...] = (
    serial.SerialException,
    OSError,
    TypeError,
    ValueError,
    LookupError,
)
with contextlib.suppress(ImportError):
    import termios

    PORT_FAULTS = (*PORT_FAULTS, termios.error)
_GONE: Final = "the port is gone"
IN_USE: Final = "in use by another program"
# What the libraries say, by a part of it in lower case; the first that fits.
_PLAIN_WORDS: Final = (
    ("readiness to read but returned no data", f"{_GONE}, or another program reads from it too"),
    ("socket disconnected", "the other end closed the connection"),
    ("connection reset", "the other end closed the connection"),
    ("connection refused", "nobody listens there"),
    ("timed out", "no answer"),
    ("permission denied", "no permission to use the port"),
    ("no such file", "no such port"),
    ("inappropriate ioctl", "no serial port"),
    ("is a directory", "a folder"),
    ("filenotfounderror", "no such port"),
    ("exclusively lock", IN_USE),
    ("busy", IN_USE),
    ("access is denied", f"{IN_USE}, or no permission to use the port"),  # Windows says no more
    ("input/output error", _GONE),
    ("device not configured", _GONE),
    ("no such device", _GONE),
    ("bad file descriptor", _GONE),
    ("clearcommerror", _GONE),
    ("readfile failed", _GONE),
    ("getoverlappedresult", _GONE),
    ("port that is not open", _GONE),
)


def plainly(error: Exception) -> str:
    """Return what a port's fault means; the library's own words where that isn't known."""
    said = clean(str(error), 200)
    lower = said.lower()
    for part, meaning in _PLAIN_WORDS:
        if part in lower:
            return meaning
    # pyserial closes its descriptor under a thread that reads: a TypeError about None.
    return _GONE if isinstance(error, TypeError) else clean(said) or type(error).__name__
