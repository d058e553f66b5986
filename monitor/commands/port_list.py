"""Serial ports as a list, for people and for programs."""

from collections import Counter
from collections.abc import Sequence
from typing import Any, Final

from monitor.sources.ports import Port
from simulator.strict import clean

NONE: Final = (
    "no serial ports found",
    "Plug the adapter in and look again. If it stays so: is its driver there, may this user open",
    "ports (on Linux the group dialout, or uucp), does the cable carry data?",
)


def rows(ports: Sequence[Port]) -> list[dict[str, Any]]:
    """Return what is known of each port, as plain JSON types."""
    names = _names(ports)
    return [
        {
            "name": name,
            "device": clean(port.device, 120),
            "description": port.description,
            "vid": port.vid,
            "pid": port.pid,
            "serial_number": port.serial_number,
            "location": port.location,
        }
        for name, port in zip(names, ports, strict=True)
    ]


def in_words(ports: Sequence[Port]) -> list[str]:
    """Return lines for people: the name to give, the device, what it is."""
    if not ports:
        return list(NONE)
    cells = [
        (name, clean(port.device, 120), port.description or "-")
        for name, port in zip(_names(ports), ports, strict=True)
    ]
    head = ("name it", "now at", "what it is")
    widths = [max(len(row[i]) for row in (head, *cells)) for i in range(2)]
    return [f"{a:<{widths[0]}}  {b:<{widths[1]}}  {c}".rstrip() for a, b, c in (head, *cells)]


def _names(ports: Sequence[Port]) -> list[str]:
    """Return each port's name; its device where the identity means two of them."""
    count = Counter(port.name for port in ports)
    return [clean(port.name if count[port.name] == 1 else port.device, 120) for port in ports]
