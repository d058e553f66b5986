"""Sending samples over a serial port, as text lines or SenML packs."""

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf
from typing import Final

import serial

from monitor.send.paced import Lost, Target
from monitor.sources.lines.line_checks import OWN_CRC, OWN_SEQUENCE, with_crc
from monitor.sources.lines.senml import pack_of
from monitor.sources.lines.sequence import HIGHEST
from monitor.sources.port_faults import PORT_FAULTS, plainly
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


class SerialTarget(Target):
    """A serial port that takes lines: a header first and again every second, then samples.

    Args:
        names: Channels to send.
        url: Port or pyserial URL.
        baud: Bits a second.
        form: How each line is written.

    Attributes:
        url: Which port.
        port: The port, open.

    Raises:
        BadInput: The port can't be opened.
    """

    expected = "a port that stays"
    port: serial.SerialBase

    def __init__(
        self, names: Sequence[str], url: str, baud: int, form: LineFormat = LineFormat()
    ) -> None:
        self.name = clean(url)
        self.url = url
        self._names = names
        self._form = form
        self._header_due_s = -inf
        try:
            self.port = serial.serial_for_url(url, baudrate=baud, write_timeout=WRITE_TIMEOUT_S)
        except PORT_FAULTS as error:
            raise BadInput(
                f"{self.name}: found a port that can't be opened ({plainly(error)}), "
                "expected a serial port or URL that can be written"
            ) from None

    def send(self, sample: Sample, number: int) -> None:
        """Write a sample's line, behind a header where one is due."""
        text = self._form.line(sample, self._names, number)
        if sample.time_s >= self._header_due_s:
            self._header_due_s = sample.time_s + HEADER_EVERY_S
            text = self._form.header(self._names) + text
        with _lost():
            self.port.write(text.encode("ascii"))

    def flush(self) -> None:
        """Wait until all has been written."""
        with _lost():
            self.port.flush()

    def close(self) -> None:
        """Close the port."""
        with contextlib.suppress(*PORT_FAULTS):
            self.port.close()


@contextlib.contextmanager
def _lost() -> Iterator[None]:
    try:
        yield
    except PORT_FAULTS as error:
        raise Lost(plainly(error)) from None
