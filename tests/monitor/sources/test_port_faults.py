"""What a port's faults mean, in plain words."""

import pytest
import serial

from monitor.sources.port_faults import plainly


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (
            serial.SerialException(
                "device reports readiness to read but returned no data (device disconnected or "
                "multiple access on port?)"
            ),
            "the port is gone, or another program reads from it too",
        ),
        (serial.SerialException("read failed: [Errno 5] Input/output error"), "the port is gone"),
        (OSError(6, "Device not configured"), "the port is gone"),
        (TypeError("'NoneType' object cannot be interpreted as an integer"), "the port is gone"),
        (PermissionError(13, "Access is denied."), "in use by another program, or no"),
        (serial.SerialException("socket disconnected"), "the other end closed the connection"),
        (serial.SerialException("could not open port: [Errno 13] Permission denied"), "permission"),
        (ValueError("odd \x1b[2J words"), "odd [2J words"),
        (ValueError(), "ValueError"),
    ],
)
def test_a_lost_port_is_told_in_plain_words(error: Exception, said: str) -> None:
    """The usual faults read as what they mean; others as the library has them, made safe."""
    assert said in plainly(error)
    assert plainly(error).isprintable()
