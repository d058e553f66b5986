"""``flowdebt feed``: a scenario onto a serial port or to a broker, as a logger would send it."""

from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import BaudOption, ScenarioArgument, SeedOption, SpeedOption, flag


def feed(
    scenario: ScenarioArgument,
    *,
    to: Annotated[
        str,
        Parameter(
            help="Serial port or pyserial URL, mqtt://HOST/PREFIX, or a CSV file (ending in .csv)."
        ),
    ],
    speed: SpeedOption = 1.0,
    seed: SeedOption = None,
    baud: BaudOption = None,
    sequence: Annotated[bool, flag("Number the lines.")] = False,
    crc: Annotated[bool, flag("Put a CRC-16/IBM-3740 behind each line.")] = False,
    senml: Annotated[bool, flag("SenML packs (RFC 8428), not text.")] = False,
) -> int:
    """Send a scenario's samples as text lines, at the pace of a real logger.

    A header line comes first and again every second, so that a reader may join at any time. The
    line only carries samples one way: the car does not hear what is decided at the other end.
    A broker gets one topic a channel, in the rig's units; with ?form=senml behind the address SenML
    packs on one topic. Watch reads them at the same address.
    """
    import sys
    from pathlib import Path

    from monitor.send.paced import send_paced
    from monitor.send.serial import LineFormat, SerialTarget
    from monitor.sources.paced import pace_of
    from monitor.sources.ports import PortFinder
    from simulator.logfile import mapped, write_csv
    from simulator.plant import run
    from simulator.scenario import load_scenario_and_rig
    from simulator.strict import BadInput

    pace = pace_of(speed)
    form = LineFormat(sequence=sequence, crc=crc, senml=senml)
    flags = {"--sequence": sequence, "--crc": crc, "--senml": senml}
    given = " and ".join(name for name, on in flags.items() if on)
    drive, rig_file = load_scenario_and_rig(scenario)
    samples = run(drive, seed)
    names = mapped(drive.rig)
    if to.lower().endswith(".csv"):
        if given:
            raise BadInput(f"{to}: found {given}, expected none for a file")
        count = write_csv(samples, Path(to), names)
    elif to.lower().startswith(("mqtt://", "mqtts://")):
        from monitor.broker.address import without_secrets
        from monitor.send.broker import BrokerTarget

        shown = without_secrets(to)
        if given:
            raise BadInput(
                f"{shown}: found {given}, expected none for a broker (?form=senml behind the "
                "address sends SenML)"
            )
        count = send_paced(samples, BrokerTarget(names, rig_file, to), pace)
        to = shown
    else:
        port = PortFinder(to).find_or_bad_input()
        target = SerialTarget(names, port, baud or rig_file.serial.baud, form)
        count = send_paced(samples, target, pace)
    sys.stderr.write(f"sent {count} samples to {to}\n")
    return 0
