"""One question to a running guard, and its answer."""

import asyncio
from collections.abc import Callable
from typing import Final, TypeVar

from monitor.attach.client import ViewerLink
from monitor.attach.endpoint import Endpoint, Kind, find_endpoint
from monitor.attach.protocol import Answer, Bye, Command, Frame, Hello, Message
from simulator.strict import BadInput

PATIENCE_S: Final = 30.0
T = TypeVar("T")


def ask(pid: int | None, command: Command) -> str:
    """Give a running guard a command that is answered; return the answer.

    Args:
        pid: Which guard; None is the newest.
        command: The command.

    Raises:
        BadInput: There is no such guard, it refused, ended or did not answer.
    """

    def is_answer(message: Message) -> Answer | None:
        return message if isinstance(message, Answer) and message.do in (command.do, "") else None

    endpoint = find_endpoint(pid, command.do)
    answer = asyncio.run(exchange(endpoint, command, is_answer))
    if not answer.done:
        raise BadInput(answer.text)
    return answer.text


def look(pid: int | None) -> tuple[Hello, Frame]:
    """Return how a running guard stands now: its greeting, and its next frame.

    Args:
        pid: Which guard; None is the newest.

    Raises:
        BadInput: There is no such guard, it ended or did not answer.
    """
    hello: Hello | None = None

    def both(message: Message) -> tuple[Hello, Frame] | None:
        nonlocal hello
        if isinstance(message, Hello):
            hello = message
        return (hello, message) if hello is not None and isinstance(message, Frame) else None

    return asyncio.run(exchange(find_endpoint(pid, "status"), None, both))


async def exchange(
    endpoint: Endpoint,
    command: Command | None,
    wanted: Callable[[Message], T | None],
    kind: Kind = Kind.GUARD,
) -> T:
    """Give a running guard a command, if any; return the first that ``wanted`` makes of a message.

    Args:
        endpoint: Where it listens.
        command: The command.
        wanted: Makes of a message what is wanted, or None.
        kind: What it is, for messages.

    Raises:
        BadInput: The guard did not let us in, ended, or nothing of that came within 30 s.
    """
    asked = ViewerLink(endpoint, kind)
    try:
        async with asyncio.timeout(PATIENCE_S), asked as link:
            if command is not None:
                link.send(command)
            async for message in link.messages():
                found = wanted(message)
                if found is not None:
                    return found
                if isinstance(message, Answer) and message.do == "attach":
                    raise BadInput(f"{asked.called}: {message.text}")
                if isinstance(message, Bye):
                    break
    except TimeoutError:
        raise BadInput(
            f"{asked.called}: no answer within {PATIENCE_S:z.0f} s, expected a running {kind.words}"
        ) from None
    raise BadInput(f"{asked.called}: ended before it answered, expected a running {kind.words}")
