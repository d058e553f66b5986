"""The command line: plain verbs, one clear line for whatever is wrong."""

import os
import sys
from collections.abc import Sequence
from importlib.machinery import PathFinder
from importlib.util import find_spec
from pathlib import Path

import cyclopts

from monitor.words.caution import CAUTION

app = cyclopts.App(
    name="flowdebt",
    help=(
        "Watches an engine's water/methanol spray: counts what was commanded and did not "
        "arrive, and says when to pull timing or cut boost."
    ),
    help_epilogue=CAUTION,
    version="0.1.0",
)
_VERBS = {
    "demo": "Watch a simulated car: no hardware, nothing to set up.",
    "drill": "Train to see faults on a simulated car; alone or as a class.",
    "watch": "Watch a car: a port, a log, a session or a simulated car.",
    "alarms": "List a running guard's alarms; acknowledge, reset, shelve.",
    "reload": "Give a running guard new thresholds, without losing a sample.",
    "status": "How a running guard stands, once.",
    "stop": "End a guard that was left running.",
    "review": "Read back a log or a session: what happened, and why.",
    "trend": "Follow a car over many sessions: what fades or clogs, before it trips.",
    "snapshot": "Draw one moment of a recorded drive as a picture.",
    "replay": "Step through a recorded drive on the dashboard; ask what would have been.",
    "sessions": "List recorded sessions.",
    "export": "Write a recorded session as CSV or Parquet.",
    "channels": "List a log's columns: range, unit, rate, and what the rig maps.",
    "draft": "Draft a rig for a car from its logs and a few answers.",
    "fit": "Fit a rig to its car's healthy logs: its numbers, how sure, from what.",
    "check": "Check a rig file and print what follows from it.",
    "renew": "Write an older version's rig file in today's keys, remarks kept.",
    "simulate": "Run a scenario: write its log, draw it, say what it cost.",
    "coverage": "Run every fault at every operating point: what is found, and how soon.",
    "prove": "Hold a rig against requirements on simulated cars: pass, fail, undecided.",
    "compare": "Compare dyno or road runs: what spray, or a change, gains, and how sure.",
    "plan": "What a rig's spray needs, can do and may be worth; what to look at on the car.",
    "mix": "What to pour for a mix of water and methanol, and what it is.",
    "ports": "List serial ports, and how to name them so that they are found again.",
    "feed": "Send a scenario as a logger would; time what a device does about it.",
}
for _verb, _help in _VERBS.items():
    app.command(f"monitor.commands.{_verb}:{_verb}", name=_verb, help=_help, help_epilogue="")


def run(arguments: Sequence[str]) -> int:
    """Run a command line; return its exit code: 0 ran, 1 a level was reached, 2 bad input."""
    from simulator.strict import BadInput

    if sys.stdout is None:  # closed by whoever started us: still run, for the exit code
        sys.stdout = Path(os.devnull).open("w")  # noqa: SIM115 (for the life of the process)
    if sys.stderr is None:
        sys.stderr = Path(os.devnull).open("w")  # noqa: SIM115
    try:
        result = app(
            list(arguments), exit_on_error=False, print_error=False, result_action="return_value"
        )
        sys.stdout.flush()
    except cyclopts.CycloptsError as error:
        from monitor.commands.errors import in_words

        _complain(f"flowdebt: {in_words(error, tuple(_VERBS))}")
        return 2
    except BadInput as error:
        _complain(f"flowdebt: {error}")
        return 2
    except BrokenPipeError:  # whoever read our output has had enough
        silence_output()
        return 0
    except OSError as error:  # a full disk, a name too long: what no command expects by itself
        from simulator.strict import unusable

        what = error.filename if isinstance(error.filename, str) else "output"
        _complain(f"flowdebt: {unusable(Path(what), error, 'a place that can be read or written')}")
        return 2
    except KeyboardInterrupt:
        return 130
    return result if isinstance(result, int) else 0


def silence_output() -> None:
    """Let nothing more be written, not even at exit, to an output nobody reads."""
    devnull = os.open(os.devnull, os.O_WRONLY)
    os.dup2(devnull, sys.stdout.fileno())
    os.close(devnull)


def main() -> None:
    """Entry point of the console script."""
    stranger = _stranger()
    if stranger is not None:
        sys.stderr.write(
            f"flowdebt: found another program's package, {stranger!r}, in place of flowdebt's own, "
            "expected flowdebt in an environment of its own (pipx, uv tool, venv)\n"
        )
        sys.exit(2)
    sys.exit(run(sys.argv[1:]))


def _stranger() -> str | None:
    """Return the file of another program's package that stands where one of ours should.

    Guard and keeper are started by ``python -m``, which looks into the current folder first.
    """
    for name in ("monitor", "rules", "simulator"):
        for found in (PathFinder.find_spec(name, [""]), find_spec(name)):
            if found is None or found.origin is None:  # a folder without code is passed over
                continue
            if b"flowdebt" not in Path(found.origin).read_bytes()[:200]:
                return found.origin
    return None


def _complain(line: str) -> None:
    from simulator.strict import clean

    sys.stderr.write(clean(line, 1000) + "\n")
