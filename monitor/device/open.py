"""From what a person writes for a device's output to what listens to it."""

import sys
from functools import partial
from typing import Final

from monitor.device.base import Ear
from monitor.outputs.base import SILENT_S
from monitor.outputs.open import BAUD, port_and_baud
from monitor.send.paced import Target
from monitor.send.serial import SerialTarget
from monitor.sources.ports import PortFinder, same_device
from simulator.strict import BadInput, clean

KINDS: Final = "cts:PORT, dsr:PORT, dcd:PORT, ri:PORT, beat:PORT, bytes:PORT or mqtt://HOST/PREFIX"
LINES: Final = ("cts", "dsr", "dcd", "ri")


def open_ear(
    text: str,
    *,
    silence_s: float = SILENT_S,
    rises: bool = False,
    baud: int = BAUD,
    fed: Target | None = None,
) -> Ear:
    """Return what listens to an output, not yet opened.

    Args:
        text: ``cts:PORT`` (or another control line), ``beat:PORT`` (flowdebt's heartbeat),
            ``bytes:PORT`` (any bytes are a heartbeat), with ``@BAUD`` behind a port that is not as
            fast as ``baud``; or a broker's address with ``?form=beat``, ``state`` or ``message``.
        silence_s: How long a beat lasts.
        rises: A control line that rises is the answer, not one that falls.
        baud: A port's speed.
        fed: What is fed, open: where it is the same port, it is listened to as it is.

    Raises:
        BadInput: None of these.
    """
    kind, _, rest = text.partition(":")
    if kind in ("mqtt", "mqtts"):
        from monitor.broker.address import broker_from
        from monitor.device.topic_ear import FORMS, TopicEar

        return TopicEar(broker_from(text, FORMS), silence_s)
    if kind not in (*LINES, "beat", "bytes") or not rest:
        raise BadInput(f"--listen: found {clean(text)}, expected {KINDS}")
    from monitor.device.serial_ears import BeatEar, LineEar, open_port

    name, baud = port_and_baud("--listen", text, rest, baud)
    url = PortFinder(name).find_or_bad_input()
    if isinstance(fed, SerialTarget) and _same(url, fed.url):
        shared, port = True, partial(getattr, fed, "port")
    else:
        shared, port = False, partial(open_port, url, baud)
    if kind in LINES:
        if url.lower().startswith("socket://"):  # pyserial takes its lines for asserted, always
            raise BadInput(
                f"--listen {clean(text)}: found a TCP address, expected a port with lines"
            )
        return LineEar(url, kind, port, shared=shared, rises=rises)
    return BeatEar(url, silence_s, port, shared=shared, any_bytes=kind == "bytes")


def _same(one: str, other: str) -> bool:
    return same_device(one, sys.platform) == same_device(other, sys.platform)
