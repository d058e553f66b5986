"""``flowdebt feed``: a scenario onto a serial port or to a broker, as a logger would send it."""

from typing import Annotated, Literal

from cyclopts import Parameter
from cyclopts.validators import Number

from monitor.commands.parameters import (
    BaudOption,
    JsonFlag,
    ScenarioArgument,
    SeedOption,
    SpeedOption,
    flag,
)

_TIMES = Number(gte=1, lte=100_000)


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
    listen: Annotated[
        str | None,
        Parameter(
            help="Output of the device that reads this, to time its answers: cts:PORT, dsr:PORT, "
            "dcd:PORT or ri:PORT; beat:PORT or bytes:PORT, @BAUD behind it where it is another; "
            "mqtt://HOST/PREFIX with ?form=beat, state or message."
        ),
    ] = None,
    times: Annotated[
        int, Parameter(help="With --listen: how many runs, each of another seed.", validator=_TIMES)
    ] = 1,
    answer: Annotated[
        Literal["falls", "rises"],
        Parameter(help="With --listen: which edge of a control line is the device's answer."),
    ] = "falls",
    silence: Annotated[
        float,
        Parameter(
            help="With --listen: seconds without a beat after which a heartbeat has ended.",
            validator=Number(gt=0.0, lte=60.0),
        ),
    ] = 0.25,
    as_json: JsonFlag = False,
) -> int:
    """Send a scenario's samples as text lines, at the pace of a real logger.

    A header line comes first and again every second, so that a reader may join at any time. The
    line only carries samples one way: the car does not hear what is decided at the other end.
    A broker gets one topic a channel, in the rig's units; with ?form=senml behind the address SenML
    packs on one topic. Watch reads them at the same address.

    With --listen a failsafe device is timed on the bench, its output off the engine: from the
    sending of the sample with a fault's true onset to when its output lets go (a control line's
    edge, a heartbeat's end, a message). What it does doesn't reach the simulated car. Exit codes
    then: 0 every fault was answered; 1 one was not, or it let go without a fault; 2 bad input.
    """
    import sys
    from pathlib import Path

    from monitor.send.paced import Target, send_paced
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
    if listen is None and (times != 1 or as_json):
        raise BadInput(f"{'--json' if as_json else '--times'}: found no --listen, expected it too")
    if listen is not None and speed != 1.0:
        raise BadInput(
            f"--speed: found {speed:zg} with --listen, expected 1: a device has its pace"
        )
    drive, rig_file = load_scenario_and_rig(scenario)
    names = mapped(drive.rig)
    target: Target
    if to.lower().endswith(".csv"):
        if given or listen is not None:
            raise BadInput(f"{to}: found {given or '--listen'}, expected none for a file")
        count = write_csv(run(drive, seed), Path(to), names)
        sys.stderr.write(f"sent {count} samples to {to}\n")
        return 0
    baud = baud or rig_file.serial.baud
    if to.lower().startswith(("mqtt://", "mqtts://")):
        from monitor.broker.address import without_secrets
        from monitor.send.broker import BrokerTarget

        shown = without_secrets(to)
        if given:
            raise BadInput(
                f"{shown}: found {given}, expected none for a broker (?form=senml behind the "
                "address sends SenML)"
            )
        target = BrokerTarget(names, rig_file, to)
        to = shown
    else:
        target = SerialTarget(names, PortFinder(to).find_or_bad_input(), baud, form)
    if listen is not None:
        from monitor.commands.device_bench import Bench, time_answers
        from monitor.device.open import open_ear

        try:
            ear = open_ear(
                listen, silence_s=silence, rises=answer == "rises", baud=baud, fed=target
            )
        except BadInput:
            target.close()
            raise
        bench = Bench(drive, drive.seed if seed is None else seed, times, as_json)
        return time_answers(bench, target, ear)
    count = send_paced(run(drive, seed), target, pace)
    sys.stderr.write(f"sent {count} samples to {to}\n")
    return 0
