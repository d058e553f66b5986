"""One look at a running guard's alarms, and one command."""

import asyncio
import json
import sys
from math import inf

from monitor.guard.place import Place, find_place
from monitor.guard.protocol import Bye, Command, Frame, NoticeLine
from monitor.link import ViewerLink
from rules.alarm_rates import AlarmTerms
from rules.findings import label_of, name_of
from simulator.strict import BadInput, clean


def shelf_s(alarm: str, minutes: float) -> float:
    """Return how long a shelf asked for may last, s; say so where that is less.

    Raises:
        BadInput: No alarm is named, or the time is no time.
    """
    longest_s = AlarmTerms().longest_shelf_s
    if not alarm:
        raise BadInput("shelve: found no alarm's name, expected one (flowdebt alarms lists them)")
    if not 0.0 < minutes < inf:
        raise BadInput(
            f"--minutes: found {minutes:g}, expected more than 0 and at most {longest_s / 60.0:g}"
        )
    if 60.0 * minutes > longest_s:
        sys.stderr.write(
            f"shelved for {longest_s / 60.0:g} min, the most there is, not for {minutes:g}\n"
        )
    return min(60.0 * minutes, longest_s)


def run_alarms(pid: int | None, do: str, alarm: str, for_s: float, *, as_json: bool) -> int:
    """Carry out a command (``list``: none), then print the list; return the exit code.

    Raises:
        BadInput: There is no such guard, or it ended before it answered.
    """
    command = None if do == "list" else Command(do, alarm=name_of(alarm), for_s=for_s)
    frame, refused, rates = asyncio.run(_ask(find_place(pid, "alarms"), command))
    if as_json:
        facts = {
            "alarms": frame.alarms,
            "sounding": frame.sounding,
            "refused": refused,
            "rates": rates,
        }
        sys.stdout.write(json.dumps(facts) + "\n")
    else:
        lines = [clean(words, 200) for words in rates] if do == "rates" else _in_words(frame)
        sys.stdout.write("\n".join(lines) + "\n")
    for reason in refused:
        sys.stderr.write(f"flowdebt: {clean(reason, 200)}\n")
    return int(bool(refused))


async def _ask(place: Place, command: Command | None) -> tuple[Frame, list[str], list[str]]:
    refused: list[str] = []
    rates: list[str] = []
    answered = command is None
    async with ViewerLink(place) as link:
        if command is not None:
            link.send(command)
        async for message in link.messages():
            if isinstance(message, NoticeLine) and message.topic == "operator":
                answered = True
            elif isinstance(message, NoticeLine) and message.topic == "refused":
                refused.append(message.text)
            elif isinstance(message, NoticeLine) and message.topic == "rates":
                rates.append(message.text)
                answered = True
            elif isinstance(message, Frame) and answered:
                return message, refused, rates
            elif isinstance(message, Bye):
                break
    raise BadInput(f"guard {place.pid}: ended before it answered, expected a running guard")


def _in_words(frame: Frame) -> list[str]:
    if not frame.alarms:
        return ["no alarms"]
    lines = [f"{'alarm':<34} {'state':<26} {'priority':<10} {'since':>9}"]
    for alarm in frame.alarms:
        first = "  first out" if alarm["first_out"] else ""
        lines.append(
            f"{clean(label_of(alarm['alarm'])):<34} {alarm['state']:<26} "
            f"{alarm['priority']:<10} {alarm['since_s'] or 0.0:>8.2f}s{first}"
        )
    return lines
