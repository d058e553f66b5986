"""Sending samples over a serial line, paced."""

import contextlib
import threading
from collections.abc import Iterable, Sequence
from typing import Final

import serial

from monitor.clock import now_s
from monitor.sources.serial_line import PORT_FAULTS
from rules.channels import Sample
from simulator.logfile import LINE_END, header, line
from simulator.strict import BadInput, clean

HEADER_EVERY_S: Final = 1.0
WRITE_TIMEOUT_S: Final = 5.0


def feed_serial(
    samples: Iterable[Sample], names: Sequence[str], url: str, baud: int, speed: float
) -> int:
    """Send samples as text lines; return how many.

    Args:
        samples: In the order of time.
        names: Channels to send.
        url: Port or pyserial URL.
        baud: Bits a second.
        speed: 1 is real time; 0 or infinite as fast as the line takes them.

    Raises:
        BadInput: The port can't be opened, or went away.
    """
    try:
        port = serial.serial_for_url(url, baudrate=baud, write_timeout=WRITE_TIMEOUT_S)
    except PORT_FAULTS as error:
        raise BadInput(
            f"{clean(url)}: found a port that can't be opened ({clean(str(error))}), "
            "expected a serial port or URL that can be written"
        ) from None
    waiter = threading.Event()
    count = 0
    first_s: float | None = None
    header_due_s = 0.0
    start_s = now_s()
    try:
        for sample in samples:
            if first_s is None:
                first_s = sample.time_s
            if 0.0 < speed < float("inf"):
                wait_s = start_s + (sample.time_s - first_s) / speed - now_s()
                if wait_s > 0.0:
                    waiter.wait(wait_s)
            text = line(sample, names) + LINE_END
            if count == 0 or sample.time_s >= header_due_s:
                header_due_s = sample.time_s + HEADER_EVERY_S
                text = header(names) + LINE_END + text
            port.write(text.encode("ascii"))
            count += 1
        port.flush()
    except PORT_FAULTS as error:
        raise BadInput(
            f"{clean(url)}: lost after {count} samples ({clean(str(error))}), "
            "expected a port that stays"
        ) from None
    finally:
        with contextlib.suppress(*PORT_FAULTS):
            port.close()
    return count
