"""Sending samples over a serial port, paced, as text lines or SenML packs."""

import contextlib
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import serial

from monitor.clock import now_s
from monitor.sources.lines.line_checks import OWN_CRC, OWN_SEQUENCE, with_crc
from monitor.sources.lines.senml import pack_of
from monitor.sources.lines.sequence import HIGHEST
from monitor.sources.serial_line import PORT_FAULTS, plainly
from rules.channels import Sample
from simulator.logfile import LINE_END, header, line
from simulator.strict import BadInput, clean

HEADER_EVERY_S: Final = 1.0
WRITE_TIMEOUT_S: Final = 5.0


@dataclass(frozen=True, slots=True)
class LineFormat:
    """How a sample is written on a line.

    Attributes:
        sequence: Number the lines, from 0.
        crc: Put a CRC-16/IBM-3740 behind each text line.
        senml: SenML packs instead of text lines.

    Raises:
        BadInput: A CRC and SenML, which has none.
    """

    sequence: bool = False
    crc: bool = False
    senml: bool = False

    def __post_init__(self) -> None:
        """Check."""
        if self.crc and self.senml:
            raise BadInput("--crc: found --senml too, expected one of the two (packs have no CRC)")

    def header(self, names: Sequence[str]) -> str:
        """Return the header with its line end; nothing for packs."""
        if self.senml:
            return ""
        more = (OWN_SEQUENCE,) * self.sequence + (OWN_CRC,) * self.crc
        return header((*names, *more)) + LINE_END

    def line(self, sample: Sample, names: Sequence[str], number: int) -> str:
        """Return a sample's line with its end.

        Args:
            sample: The sample.
            names: Channels to write.
            number: How many came before it.
        """
        number &= HIGHEST
        if self.senml:
            return pack_of(sample, names, number if self.sequence else None) + LINE_END
        text = line(sample, names) + f",{number}" * self.sequence
        return (with_crc(text) if self.crc else text) + LINE_END


def feed_serial(
    samples: Iterable[Sample],
    names: Sequence[str],
    url: str,
    baud: int,
    speed: float,
    form: LineFormat = LineFormat(),
) -> int:
    """Send samples as lines; return how many.

    Args:
        samples: In the order of time.
        names: Channels to send.
        url: Port or pyserial URL.
        baud: Bits a second.
        speed: 1 is real time; 0 or infinite as fast as the port takes them.
        form: How each is written.

    Raises:
        BadInput: The port can't be opened, or went away.
    """
    try:
        port = serial.serial_for_url(url, baudrate=baud, write_timeout=WRITE_TIMEOUT_S)
    except PORT_FAULTS as error:
        raise BadInput(
            f"{clean(url)}: found a port that can't be opened ({plainly(error)}), "
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
            text = form.line(sample, names, count)
            if count == 0 or sample.time_s >= header_due_s:
                header_due_s = sample.time_s + HEADER_EVERY_S
                text = form.header(names) + text
            port.write(text.encode("ascii"))
            count += 1
        port.flush()
    except PORT_FAULTS as error:
        raise BadInput(
            f"{clean(url)}: lost after {count} samples ({plainly(error)}), "
            "expected a port that stays"
        ) from None
    finally:
        with contextlib.suppress(*PORT_FAULTS):
            port.close()
    return count
