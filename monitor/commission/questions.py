"""What is asked of a person: a few questions, each of some values, with a default and a caution."""

from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any, Final

from msgspec import inspect as shape

from monitor.commission.drafting import (
    BELIEVED,
    DRY_LIMIT,
    LOOKED_UP,
    NOZZLE,
    TOP,
    TOP_TIMING,
    Answers,
    FromLog,
    chosen,
    essential,
    pair_of,
)
from monitor.commission.guessing import Guess, Sure
from monitor.commission.rig_text import ASKED, RigText
from rules.channels import label_of_channel
from simulator.rig.keys import RIG
from simulator.strict import KeyPath, Mismatch, show
from simulator.strict.quantities import Decoded
from simulator.strict.wants import describe, step_into

Ask = Callable[[str], str]
Say = Callable[[str], object]
_TYPES: Final = shape.type_info(RIG)
_NONE: Final = "none"
_BOOLS: Final = {"true": True, "false": False}
_REGULATED: Final = ("spray", "pump", "regulated")
_BY_SPEED: Final = ("spray", "pump", "follows_command")
MAY_BE_NONE: Final = frozenset({_REGULATED})


@dataclass(frozen=True, slots=True)
class Question:
    """A question for the values of some keys.

    Attributes:
        text: The question.
        keys: What is asked for, each with its label.
        caution: What is at stake; empty where it is little.
    """

    text: str
    keys: tuple[tuple[KeyPath, str], ...]
    caution: str = ""


ENGINE: Final = Question(
    "The engine?",
    (
        (("engine", "displacement"), "displacement"),
        (("engine", "cylinders"), "cylinders"),
        (("engine", "redline"), "redline"),
    ),
)
NOZZLES: Final = Question(
    "The nozzles and the mix?",
    (
        ((*NOZZLE, "count"), "how many nozzles"),
        ((*NOZZLE, "rated_flow"), "flow of each"),
        ((*NOZZLE, "rated_pressure"), "at pressure"),
        (("spray", "methanol_by_volume_pct"), "% methanol as poured"),
        (("spray", "check_valve"), "check valve opens at"),
    ),
    "All that is due is reckoned from these; a jug and a clock prove them.",
)
PUMP: Final = Question(
    "The pump and the tank?",
    (
        (("spray", "pump", "shut_off"), "pressure at no flow"),
        (("spray", "pump", "free_flow"), "flow at no pressure"),
        (_REGULATED, "held at, or none"),
        (("spray", "tank"), "tank"),
        (_BY_SPEED, "its speed follows the command"),
    ),
)
LIMITS: Final = Question(
    "What does the engine take? From a dyno and from your tune, never from a log.",
    (
        (DRY_LIMIT, "boost it holds without spray"),
        (TOP, "highest boost of the tune"),
        (TOP_TIMING, "timing the spray paid for there"),
        (("limits", "intake_c", "above"), "hottest charge"),
        (("fault_intervals", "tolerant"), "how long it survives full boost without"),
    ),
    "A dry limit too high costs an engine. Leave open what you don't know: what stands there then "
    "errs on the engine's side.",
)
_START: Final = (("command", "start_boost"), "from boost")
_BY_COMMAND: Final = "By what does the controller ask for spray?"
# Asked once the law is known: where spray begins, and where it is full.
OF_LAW: Final = {
    "boost": Question("Spray by boost?", (_START, (("command", "full_boost"), "full at boost"))),
    "injector_duty": Question(
        "Spray by injector duty?",
        (_START, (("command", "start_duty"), "from"), (("command", "full_duty"), "full at")),
    ),
}
OF_ANY_LAW: Final = Question("Where does spray begin?", (_START,))


class Asked:
    """Asks, and keeps what was answered.

    Args:
        ask: Shows a prompt and returns the line that was typed; raises EOFError where nobody will.
        say: Shows a line.
        answers: What is answered already, by key.

    Attributes:
        answers: All answers, by key.
        count: Questions asked so far.
        gone: Whether nobody answers any more.
    """

    def __init__(self, ask: Ask, say: Say, answers: Answers) -> None:
        self._ask, self._say = ask, say
        self.answers: dict[KeyPath, Any] = dict(answers)
        self.count = 0
        self.gone = False

    def line(self, text: str, hint: str, caution: str = "") -> str:
        """Ask for a line of text; empty where nobody answers."""
        self.count += 1
        if self.count == 1:
            self._say("")
            self._say(
                "Enter takes what stands in brackets, and leaves open what stands in parentheses; "
                "commas go between several values."
            )
        self._say("")
        self._say(f"{self.count}. {text}")
        if caution:
            self._say(f"   ! {caution}")
        self._say(f"   {hint}")
        return self.typed()

    def typed(self) -> str:
        """Return what is typed next; empty where nobody will type any more."""
        try:
            return self._ask("   > ").strip()
        except EOFError:
            self.gone = True
            return ""

    def values(self, question: Question, shown: RigText) -> None:
        """Ask for a question's values; what is answered already stays as it is.

        Enter takes what stands in brackets, as an answer. What only a person can know has none.

        Args:
            question: The question.
            shown: The rig as it would be now: its values are the defaults.
        """
        keys = [key for key in question.keys if key[0] not in self.answers]
        keys = [key for key in keys if shown.raw(*key[0]) is not None or key[0] in MAY_BE_NONE]
        if not keys:
            return
        taken = {path: shown.raw(*path) for path, _ in keys if _may_be_taken(path, shown)}
        now = [
            f"{label} [{_shown(taken[path])}]"
            if path in taken
            else f"{label} ({_shown(shown.raw(*path))})"
            for path, label in keys
        ]
        typed = self.line(question.text, ", ".join(now), question.caution)
        while True:
            try:
                found = _parsed(typed, keys)
            except ValueError as error:
                self.refuse(str(error))
                typed = self.typed()
                continue
            if found.get(_BY_SPEED):
                taken.pop(_REGULATED, None)  # nothing holds the pressure of such a pump
            self.answers.update(found if self.gone else {**taken, **found})
            return

    def refuse(self, why: str) -> None:
        """Say why an answer can't be taken."""
        self._say(f"   {why}")

    def choice(
        self, text: str, options: Sequence[str], default: str = "", caution: str = ""
    ) -> str:
        """Ask for one of some words; the default, or else nothing, where nobody answers."""
        words = " or ".join(options)
        typed = self.line(text, f"{words} [{default or 'not known'}]", caution)
        while typed:
            near = [one for one in options if one.lower() == typed.lower()]
            near = near or [one for one in options if one.lower().startswith(typed.lower())]
            if len(near) == 1:
                return near[0]
            self.refuse(f"found {show(typed)}, expected {words}")
            typed = self.typed()
        return default


def value_of(path: KeyPath, typed: str) -> Any:
    """Return what a person typed for a key, as TOML has it.

    Raises:
        ValueError: It isn't what that key wants.
    """
    if typed.lower() == _NONE and path in MAY_BE_NONE:
        return None
    node = _node(path)
    match node:
        case shape.CustomType(cls=cls) if issubclass(cls, Decoded):
            try:
                cls.from_toml(typed)
            except Mismatch as error:
                found = error.found or show(typed)
                raise ValueError(f"found {found}, expected {error.expected}") from None
            return typed
        case shape.BoolType():
            if typed.lower() in _BOOLS:
                return _BOOLS[typed.lower()]
            raise ValueError(f"found {show(typed)}, expected {' or '.join(_BOOLS)}")
        case shape.IntType() | shape.FloatType():
            with suppress(ValueError):
                number = int(typed) if isinstance(node, shape.IntType) else float(typed)
                if (node.ge or 0) <= number <= (node.le or number):
                    return number
            raise ValueError(f"found {show(typed)}, expected {describe(node)}")
        case _:
            return typed


def _node(path: KeyPath) -> shape.Type | None:
    """Return the type of a key, whichever form of a table has it; None where there is none."""
    nodes: list[shape.Type] = [_TYPES]
    for step in path:
        inner = []
        for node in nodes:
            options = node.types if isinstance(node, shape.UnionType) else (node,)
            for option in options:
                tag = getattr(option, "tag", None)
                found = step_into(option, step, {"kind": tag} if tag else None)
                inner += [] if found is None else [found]
        nodes = inner
    if not nodes:
        return None
    node = nodes[0]
    if isinstance(node, shape.UnionType):
        node = next(one for one in node.types if not isinstance(one, shape.NoneType))
    return node


def _parsed(typed: str, keys: Sequence[tuple[KeyPath, str]]) -> dict[KeyPath, Any]:
    parts = [part.strip() for part in typed.split(",")] if typed else []
    if len(parts) > len(keys):
        raise ValueError(f"found {len(parts)} values, expected {len(keys)}, with commas between")
    found = {}
    for (path, label), part in zip(keys, parts, strict=False):
        if part:
            try:
                found[path] = value_of(path, part)
            except ValueError as error:
                raise ValueError(f"{label}: {error}") from None
    return found


def _may_be_taken(path: KeyPath, shown: RigText) -> bool:
    """Whether a value that nobody gave can be right: not where only a person can know it."""
    return path in LOOKED_UP or pair_of(path) not in shown.to_do


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return _NONE if value is None else str(value)


def asks_law(log: FromLog | None, answers: Answers) -> bool:
    """Whether a person must say by what law spray is asked for."""
    if ("command", "kind") in answers:
        return False
    return log is None or (chosen(log.law) is None and not _commands(log))


def ask_law(asked: Asked, shown: RigText, log: FromLog | None, could_be: Collection[str]) -> str:
    """Ask by what law spray is asked for; return it, empty where that isn't known.

    Args:
        asked: Asks, and keeps the answer.
        shown: The rig as it would be now.
        log: What the logs say; None where there is none.
        could_be: Channels of a command that some column nobody knows could be.
    """
    there = shown.raw("channels") or {}
    laws = ["fixed", "boost"] + ["injector_duty"] * ("injector_duty_pct" in there)
    laws += [law for law, name in BELIEVED.items() if name in there or name in could_be]
    known = log is None or log.law is not None
    now = str(shown.raw("command", "kind")) if known else ""
    laws += [now] * (now not in {"", *laws})
    return asked.choice(_BY_COMMAND, laws, now)


def _commands(log: FromLog) -> bool:
    channels = log.channels()
    return any(
        name in channels and channels[name].sure is not Sure.ASK for name in BELIEVED.values()
    )


def in_doubt(log: FromLog) -> list[Guess]:
    """Return the columns to ask about: those that decide, and are in doubt."""
    needed = [guess.channel for guess in essential(log)]
    needed += ["commanded_ml_min", "command_pct", "injector_duty_pct", "intake_c"]
    return [g for g in log.guesses if g.channel in needed and g.sure is Sure.ASK]


def ask_column(guess: Guess, asked: Asked, against: Callable[[Guess], str]) -> Guess:
    """Ask what a column is, in which unit, or from which nought; return the guess as answered.

    Args:
        guess: What it is taken for.
        asked: Asks.
        against: Returns what the column's values say against an answer; empty where nothing does.
    """
    spread = guess.spread
    label = label_of_channel(guess.channel)
    reads = f" (reads {spread.low:z.4g} to {spread.high:z.4g})" if spread is not None else ""
    what = f'Column "{guess.header}"{reads}: {guess.why}.'
    caution = "A wrong unit or nought makes every limit wrong."
    match guess.asked:
        case "absolute":
            now = "absolute" if guess.absolute else "gauge"
            said = asked.choice(f"{what} Gauge or absolute?", ("gauge", "absolute"), now, caution)
            made = replace(guess, absolute=said == "absolute", why=ASKED)
            while said != "absolute" and not asked.gone and (why := against(made)):
                asked.refuse(f"found gauge, expected absolute: {why}")
                if asked.typed().lower() == "absolute":
                    made = replace(made, absolute=True)
            return guess if asked.gone else replace(made, sure=Sure.SURE, asked="")
        case "unit":
            made = _ask_unit(guess, asked, what, caution, against)
            return guess if asked.gone else replace(made, sure=Sure.SURE, asked="")
        case _:
            said = asked.choice(f"{what} Is it the {label}?", ("yes", "no"))
    if said == "yes":
        return replace(guess, sure=Sure.SURE, asked="", why=ASKED)
    return replace(guess, channel="", why="said to be none") if said == "no" else guess


def ask_which(channel: str, headers: Sequence[str], asked: Asked, caution: str = "") -> str:
    """Ask which of several columns is a channel; return its name, empty where that isn't known."""
    what = f"Which column is the {label_of_channel(channel)}?"
    return asked.choice(what, headers, caution=caution) if headers else ""


def _ask_unit(
    guess: Guess, asked: Asked, what: str, caution: str, against: Callable[[Guess], str]
) -> Guess:
    from monitor.commission.words import unit_of
    from rules.channels import CHANNEL_BY_NAME
    from simulator.rig import quantity_of
    from simulator.strict import UNITS

    kind = quantity_of(CHANNEL_BY_NAME[guess.channel]).KIND
    pressure = kind == "pressure"
    hint = ", ".join(unit for unit in UNITS[kind] if unit)
    now = f"{guess.unit} {'absolute' if guess.absolute else 'gauge'}" if pressure else guess.unit
    more = ", and gauge or absolute" if pressure else ""
    typed = asked.line(f"{what} Which unit{more}?", f"{hint} [{now}]", caution) or now
    while True:
        words = typed.replace(",", " ").split()
        zero = [word for word in words if pressure and word.lower() in {"gauge", "absolute"}]
        unit = unit_of(" ".join(word for word in words if word not in zero), (kind,))
        if unit in UNITS[kind] and unit:
            absolute = zero[0].lower() == "absolute" if zero else guess.absolute
            made = replace(guess, unit=unit, absolute=absolute, why=ASKED)
            why = "" if typed == now else against(made)
            if not why:
                return made
            asked.refuse(f"{show(typed)} {why}")
        else:
            asked.refuse(f"found {show(typed)}, expected one of {hint}")
        typed = asked.typed() or now
