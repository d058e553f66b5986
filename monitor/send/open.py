"""From what a person writes for a device's input to what sends samples there."""

from collections.abc import Sequence
from typing import Final

from monitor.send.paced import Target
from monitor.send.serial import LineFormat, SerialTarget
from monitor.sources.ports import PortFinder
from simulator.rig import RigFile
from simulator.strict import BadInput

BROKERS: Final = ("mqtt://", "mqtts://")
_PLAIN: Final = LineFormat()


def open_target(
    to: str,
    names: Sequence[str],
    rig_file: RigFile,
    baud: int | None,
    form: LineFormat = _PLAIN,
) -> Target:
    """Return what sends samples somewhere, open.

    Args:
        to: A serial port, a pyserial URL, or a broker's address.
        names: Channels to send.
        rig_file: Of the car.
        baud: A port's speed; None: the rig's.
        form: How a sample is written on a line; a broker has none.

    Raises:
        BadInput: It isn't there, or can't be sent to so.
    """
    if not to.lower().startswith(BROKERS):
        url = PortFinder(to).find_or_bad_input()
        return SerialTarget(names, url, baud or rig_file.serial.baud, form)
    from monitor.broker.address import without_secrets
    from monitor.send.broker import BrokerTarget

    flags = {"--sequence": form.sequence, "--crc": form.crc, "--senml": form.senml}
    if given := " and ".join(name for name, on in flags.items() if on):
        raise BadInput(
            f"{without_secrets(to)}: found {given}, expected none for a broker (?form=senml behind "
            "the address sends SenML)"
        )
    return BrokerTarget(names, rig_file, to)
