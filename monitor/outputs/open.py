"""From what a person writes for an output to the output."""

from typing import Final

from monitor.outputs.base import Output
from simulator.strict import BadInput, clean

BAUD: Final = 115200
KINDS: Final = "rts:PORT, dtr:PORT, beat:PORT or mqtt://HOST/PREFIX"


def open_output(text: str) -> Output:
    """Return the output a text means, not yet opened.

    Args:
        text: ``rts:PORT`` or ``dtr:PORT`` (a handshake pin), ``beat:PORT`` (a heartbeat; with
            ``@BAUD`` behind the port where it isn't ``BAUD``), or a broker's address (heartbeat).

    Raises:
        BadInput: None of these.
    """
    kind, _, rest = text.partition(":")
    if kind in ("rts", "dtr", "beat") and rest:
        from monitor.outputs.serial_lines import HandshakePin, SerialBeat

        if kind != "beat":
            return HandshakePin(rest, kind)
        return SerialBeat(*port_and_baud("--output", text, rest))
    if kind in ("mqtt", "mqtts"):
        from monitor.outputs.mqtt_beat import BeatTopic

        return BeatTopic(text)
    raise BadInput(f"--output: found {clean(text)}, expected {KINDS}")


def port_and_baud(option: str, text: str, rest: str, baud: int = BAUD) -> tuple[str, int]:
    """Return port and speed of a text such as ``PORT@BAUD``; without ``@`` the usual speed.

    Args:
        option: Where it was given, for messages.
        text: All of what was given.
        rest: What of it is to be read.
        baud: The usual speed.

    Raises:
        BadInput: No speed behind ``@``.
    """
    port, at, speed = rest.rpartition("@")
    if not at:
        return rest, baud
    if not (speed.isascii() and speed.isdigit() and 300 <= int(speed) <= 4_000_000):
        raise BadInput(f"{option} {clean(text)}: found no speed behind @, expected bits/s")
    return port, int(speed)
