"""``flowdebt feed``: a scenario onto a serial port or to a broker, as a logger would send it."""

from typing import Annotated

from cyclopts import Parameter
from cyclopts.validators import Number

from monitor.commands.parameters import (
    AnswerOption,
    BaudOption,
    JsonFlag,
    ListenOption,
    ScenarioArgument,
    SeedOption,
    SilenceOption,
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
    listen: ListenOption = None,
    times: Annotated[
        int, Parameter(help="With --listen: how many runs, each of another seed.", validator=_TIMES)
    ] = 1,
    answer: AnswerOption = "falls",
    silence: SilenceOption = 0.25,
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

    from monitor.broker.address import without_secrets
    from monitor.send.open import BROKERS, open_target
    from monitor.send.paced import send_paced
    from monitor.send.serial import LineFormat
    from monitor.sources.paced import pace_of
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
    if to.lower().endswith(".csv"):
        if given or listen is not None:
            raise BadInput(f"{to}: found {given or '--listen'}, expected none for a file")
        count = write_csv(run(drive, seed), Path(to), names)
        sys.stderr.write(f"sent {count} samples to {to}\n")
        return 0
    if listen is not None:
        from monitor.commands.device_bench import Bench, device_ends, time_answers

        ends = device_ends(to, listen, names, rig_file, form, answer, silence, baud)
        bench = Bench(drive, drive.seed if seed is None else seed, times, as_json)
        return time_answers(bench, *ends)
    target = open_target(to, names, rig_file, baud, form)
    count = send_paced(run(drive, seed), target, pace)
    shown = without_secrets(to) if to.lower().startswith(BROKERS) else to
    sys.stderr.write(f"sent {count} samples to {shown}\n")
    return 0
