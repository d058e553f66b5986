"""``flowdebt status``: one look at a running guard."""

from monitor.commands.parameters import JsonFlag, PidOption


def status(
    *,
    pid: PidOption = None,
    as_json: JsonFlag = False,
) -> int:
    """Say once how a running guard stands: what it does, what it reads, and its statistics.

    Exit codes: 0 a guard answered; 2 there is none.
    """
    import sys

    from monitor.attach.ask import look
    from monitor.words.status import as_json_line, in_words

    hello, frame = look(pid)
    text = as_json_line(hello, frame) if as_json else "\n".join(in_words(hello, frame))
    sys.stdout.write(text + "\n")
    return 0
