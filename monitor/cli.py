"""The command line: plain verbs, one clear line for whatever is wrong."""

import sys
from collections.abc import Sequence

import cyclopts

from monitor.commands.parameters import CAUTION

app = cyclopts.App(
    name="flowdebt",
    help=(
        "Watches a boosted engine's water/methanol spray: counts what was commanded and did not "
        "arrive, and says when to pull timing or cut boost."
    ),
    help_epilogue=CAUTION,
    version="0.1.0",
)
for _verb in ("demo", "watch", "review", "check", "feed", "simulate"):
    app.command(f"monitor.commands.{_verb}:{_verb}", name=_verb)


def run(arguments: Sequence[str]) -> int:
    """Run a command line; return its exit code: 0 ran, 1 a level was reached, 2 bad input."""
    from simulator.strict import BadInput

    try:
        result = app(
            list(arguments), exit_on_error=False, print_error=False, result_action="return_value"
        )
    except cyclopts.CycloptsError as error:
        _complain(f"flowdebt: {' '.join(str(error).split())}")
        return 2
    except BadInput as error:
        _complain(f"flowdebt: {error}")
        return 2
    except BrokenPipeError:  # whoever read our output has had enough
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        return 130
    return result if isinstance(result, int) else 0


def main() -> None:
    """Entry point of the console script."""
    sys.exit(run(sys.argv[1:]))


def _complain(line: str) -> None:
    sys.stderr.write(line + "\n")
