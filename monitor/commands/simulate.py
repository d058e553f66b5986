"""``flowdebt simulate``: a scenario as a log."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from monitor.commands.parameters import ScenarioArgument, SeedOption


def simulate(
    scenario: ScenarioArgument = "",
    *,
    to: Annotated[
        Path | None, Parameter(help="CSV file to write; otherwise standard output.")
    ] = None,
    seed: SeedOption = None,
    guarded: Annotated[
        bool,
        Parameter(
            negative="", show_default=False, help="Let the guard act on the car (a closed loop)."
        ),
    ] = False,
    list_: Annotated[
        bool, Parameter(name="--list", negative="", show_default=False, help="List scenarios.")
    ] = False,
) -> int:
    """Run a scenario as fast as possible and write its log (CSV).

    The same scenario and seed give the same bytes.
    """
    import sys

    from rules.channels import Sample
    from rules.guard import Guard
    from simulator.logfile import LINE_END, header, line, mapped, write_csv
    from simulator.plant import run
    from simulator.scenario import load_scenario, shipped_scenarios
    from simulator.strict import BadInput

    if list_:
        for name, path in shipped_scenarios().items():
            sys.stdout.write(f"{name:<20} {load_scenario(path).teaches}\n")
        return 0
    if not scenario:
        raise BadInput("simulate: found no scenario, expected one (or --list)")
    drive = load_scenario(scenario)
    guard = Guard(drive.rig)

    def decide(sample: Sample) -> tuple[float, float]:
        decision = guard.step(sample)
        return decision.retard_deg, decision.boost_ceiling_kpa

    samples = run(drive, seed, decide if guarded else None)
    names = mapped(drive.rig)
    if to is None:
        sys.stdout.write(header(names) + LINE_END)
        for sample in samples:
            sys.stdout.write(line(sample, names) + LINE_END)
        return 0
    try:
        count = write_csv(samples, to, names)
    except OSError as error:
        raise BadInput(f"{to}: found {error.strerror}, expected a file to write") from None
    sys.stderr.write(f"wrote {count} samples to {to}\n")
    return 0
