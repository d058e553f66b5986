"""One look at a running guard's alarms, and one command."""

import asyncio
import json
import sys
from math import inf

import msgspec

from monitor.attach.ask import exchange
from monitor.attach.endpoint import Endpoint, find_endpoint
from monitor.attach.protocol import Answer, Command, Frame, Message, Notice, Operation
from monitor.words.alarms import COLUMNS, since_in_words, state_in_words
from rules.alarms.alarm import LONGEST_SHELF_S
from rules.findings import name_of
from simulator.strict import BadInput, clean


def shelf_s(alarm: str, minutes: float) -> float:
    """Return how long a shelf asked for may last, s; say so where that is less.

    Raises:
        BadInput: No alarm is named, or the time is no time.
    """
    most_min = LONGEST_SHELF_S / 60.0
    if not alarm:
        raise BadInput("shelve: found no alarm's name, expected one (flowdebt alarms lists them)")
    if not 0.0 < minutes < inf:
        raise BadInput(
            f"--minutes: found {minutes:zg}, expected more than 0 and at most {most_min:zg}"
        )
    if minutes > most_min:
        sys.stderr.write(
            f"shelved for {most_min:zg} min, the most there is, not for {minutes:zg}\n"
        )
    return min(60.0 * minutes, LONGEST_SHELF_S)


def run_alarms(
    pid: int | None, do: str, alarm: str, for_s: float, *, who: str = "", as_json: bool
) -> int:
    """Carry out a command (``list``: none), then print the list; return the exit code.

    ``who`` gives it: recorded by the guard, which cleans it (empty: ``operator``).

    Raises:
        BadInput: There is no such guard, it ended or did not answer.
    """
    command = None
    if do != "list":
        command = Command(do, alarm=name_of(alarm), for_s=for_s, who=clean(who))
    frame, refused, rates = asyncio.run(_ask(find_endpoint(pid, "alarms"), command))
    if as_json:
        facts = {
            "alarms": msgspec.to_builtins(frame.alarms),
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


async def _ask(endpoint: Endpoint, command: Command | None) -> tuple[Frame, list[str], list[str]]:
    refused: list[str] = []
    rates: list[str] = []
    answered = command is None

    def behind_answer(message: Message) -> Frame | None:
        nonlocal answered
        if isinstance(message, Operation) and command is not None and message.do == command.do:
            answered = True
            refused.extend(message.refused)
        elif isinstance(message, Answer) and not message.done:
            answered = True
            refused.append(f"{message.do}: refused, {message.text}")
        elif isinstance(message, Notice) and message.topic == "rates":
            answered = True
            rates.append(message.text)
        return message if isinstance(message, Frame) and answered else None

    return await exchange(endpoint, command, behind_answer), refused, rates


def _in_words(frame: Frame) -> list[str]:
    if not frame.alarms:
        return ["no alarms"]
    head, state, priority, since = COLUMNS
    lines = [f"{head:<36} {state:<26} {priority:<8} {since:>11}"]
    for alarm in frame.alarms:
        first = "  first out" if alarm.first_out else ""
        lines.append(
            f"{clean(alarm.label):<36} {state_in_words(alarm):<26} {alarm.priority:<8} "
            f"{since_in_words(alarm):>11}{first}"
        )
    return lines
