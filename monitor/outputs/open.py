"""From what a person writes for an output to the output."""

from typing import Final

from monitor.outputs.base import Output
from simulator.strict import BadInput, clean

KINDS: Final = "rts:PORT, dtr:PORT, beat:PORT or mqtt://HOST/PREFIX"


def open_output(text: str) -> Output:
    """Return the output a text means, not yet opened.

    Args:
        text: ``rts:PORT`` or ``dtr:PORT`` (a handshake pin), ``beat:PORT`` (a heartbeat; with
            ``@BAUD`` behind the port where it isn't 115200), or a broker's address (heartbeat).

    Raises:
        BadInput: None of these.
    """
    kind, _, rest = text.partition(":")
    if kind in ("rts", "dtr", "beat") and rest:
        from monitor.outputs.serial_lines import HandshakePin, SerialBeat

        if kind != "beat":
            return HandshakePin(rest, kind)
        port, at, baud = rest.rpartition("@")
        if at and not (baud.isascii() and baud.isdigit() and 300 <= int(baud) <= 4_000_000):
            raise BadInput(f"--output {clean(text)}: found no speed behind @, expected bits/s")
        return SerialBeat(port, int(baud)) if at else SerialBeat(rest)
    if kind in ("mqtt", "mqtts"):
        from monitor.outputs.mqtt_beat import BeatTopic

        return BeatTopic(text)
    raise BadInput(f"--output: found {clean(text)}, expected {KINDS}")
