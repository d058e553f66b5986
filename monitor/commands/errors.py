"""What is wrong with a command line, in the words every other message has."""

from typing import Any, Final

import cyclopts

from simulator.strict import clean, nearest
from simulator.strict.text import NEAREST

_VALUES: Final = {"float": "a number", "int": "a whole number", "bool": "no value"}


def in_words(error: cyclopts.CycloptsError, verbs: tuple[str, ...]) -> str:
    """Return a mistake on the command line as one sentence: what was found, what was expected."""
    verb = " ".join(error.command_chain or ())
    where = f"{verb}: " if verb else ""
    match error:
        case cyclopts.UnknownCommandError():
            found = clean((error.unused_tokens or ["?"])[0])
            near = nearest(found, verbs, "flowdebt --help")
            return f'found command "{found}", expected one such as {near}'
        case cyclopts.UnknownOptionError():
            found = clean(error.token.keyword or error.token.value)
            names = [name for one in error.argument_collection or () for name in one.names]
            options = [name for name in names if name.startswith("--")]
            if not options:
                return f"{where}found option {found}, expected one of those {_help(verb)} lists"
            if len(options) <= NEAREST:
                return f"{where}found option {found}, expected {' or '.join(options)}"
            near = nearest(found, options, _help(verb))
            return f"{where}found option {found}, expected one such as {near}"
        case cyclopts.UnusedCliTokensError():
            surplus = " ".join(f'"{clean(token, 40)}"' for token in error.unused_tokens or [])
            return (
                f"{where}found {clean(surplus, 120)} too, expected no more than {_help(verb)} says "
                "(a name with spaces in it needs quotes)"
            )
        case cyclopts.MissingArgumentError():
            return f"{where}found no {_name(error)}, expected one: {_meaning(error)}"
        case cyclopts.RepeatArgumentError():
            return f"{where}found {clean(error.token.keyword or 'it')} twice, expected it once"
        case cyclopts.CoercionError() if error.token is not None:
            kind = getattr(error.target_type, "__name__", "")
            expected = _choices(error) or _VALUES.get(kind) or "a value of its kind"
            return f'{_name(error)}: found "{clean(error.token.value)}", expected {expected}'
        case cyclopts.ValidationError() if error.argument is not None:
            value = clean(" ".join(token.value for token in error.argument.tokens), 40)
            why = " ".join(error.exception_message.split()).rstrip(".").removeprefix("Must be ")
            for sign, word in (("<= ", "at most "), (">= ", "at least ")):
                why = why.replace(sign, word)
            return f'{_name(error)}: found "{value}", expected {_lowered(why)}'
        case _:
            return " ".join(str(error).split())


def _help(verb: str) -> str:
    return f"flowdebt {verb} --help" if verb else "flowdebt --help"


def _name(error: Any) -> str:
    """Return how a parameter is typed: its option, or a place's name in capitals."""
    argument = error.argument
    if argument is None:
        return "argument"
    if argument.field_info.is_positional:
        return str(argument.name).lstrip("-").upper()
    return str(argument.name)


def _meaning(error: Any) -> str:
    """Return a parameter's help, as the end of a sentence."""
    said = "" if error.argument is None else str(error.argument.parameter.help or "")
    return _lowered(" ".join(said.split()).rstrip(".")) or "a value"


def _choices(error: Any) -> str:
    _, found, choices = str(error).partition("Choose from: ")
    return "one of " + " ".join(choices.split()).rstrip(".").replace('"', "") if found else ""


def _lowered(text: str) -> str:
    """Return a sentence's text to stand within another one."""
    return text[:1].lower() + text[1:] if text[1:2].islower() or text[1:2] == " " else text
