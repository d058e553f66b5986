"""From logs, answers and defaults to a rig's text: what is shown, asked, and left to do."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

from monitor.commission.channel_tables import witness_of
from monitor.commission.columns import Column, Spread, spread_of
from monitor.commission.drafting import (
    BELIEVED,
    CHARGER,
    OF_CHARGER,
    UNKNOWN,
    FromLog,
    against_nozzles,
    default_like,
    draft,
    leave_open,
    most_dangerous_first,
)
from monitor.commission.from_log import Log, doubts, from_log, in_unit, with_defaults
from monitor.commission.guessing import (
    Guess,
    Sure,
    assigned,
    beyond,
    can_be,
    can_be_named,
    guess,
    no_vacuum,
    other_unit,
)
from monitor.commission.own_units import in_own_units
from monitor.commission.questions import (
    ENGINE,
    LIMITS,
    NOZZLES,
    OF_ANY_LAW,
    OF_LAW,
    PUMP,
    Ask,
    Asked,
    Say,
    ask_column,
    ask_law,
    ask_which,
    asks_law,
    in_doubt,
)
from monitor.commission.rig_text import ASKED, RigText
from rules.channels import label_of_channel
from simulator.rig import rig_from_text
from simulator.strict import BadInput, KeyPath, clean, for_shell, key_of

_MOST_LOGS: Final = 4
_KIND: Final[KeyPath] = ("command", "kind")
# Channels that say much; of the ones in a group, one is enough.
_USEFUL: Final = (
    *(("boost_kpa",), ("delivered_ml_min",), ("commanded_ml_min", "command_pct"), ("line_kpa",)),
    *(("engine_speed_rpm",), ("injector_duty_pct",), ("intake_c",), ("knock",)),
)
_OF_COLUMN: Final = ("column", "unit", "absolute")


@dataclass(frozen=True, slots=True)
class Drafted:
    """A drafted rig.

    Attributes:
        toml: Its text.
        to_do: Keys that somebody must still decide, and why; the most dangerous first.
        refused: Keys that ``check`` refuses until they are decided.
    """

    toml: str
    to_do: Mapping[str, str]
    refused: tuple[str, ...]


def interview(
    name: str,
    log: Log | None,
    *,
    like: str | None,
    sets: Mapping[KeyPath, Any],
    healthy: bool | None,
    ask: Ask | None,
    say: Say,
) -> Drafted:
    """Return the rig of a car.

    Args:
        name: The car's.
        log: Its logs; None where there are none.
        like: The rig whose text and defaults are taken; None: the shipped one that is nearest.
        sets: Answers given beforehand, by key.
        healthy: Whether the spray worked all through the logs; None where nobody said so.
        ask: Asks a person; None where there is none.
        say: Shows a line.

    Raises:
        BadInput: An answer contradicts another, no column is boost, or none tells of spray.
    """
    asked = Asked(ask if ask is not None else _nobody, say, _of_rig(sets))
    facts: FromLog | None = None
    if log is not None:
        if log.time_doubt and ask is not None:
            text = f"Time: {log.time_doubt}. Which unit?"
            log = in_unit(log, asked.choice(text, ("s", "ms", "us", "min"), log.time_unit))
        facts = _columns(log, sets, healthy, asked if ask is not None else None, say)
    elif ask is not None and like is None and CHARGER not in asked.answers:
        asked.answers[CHARGER] = asked.choice(
            "What boosts the engine?", tuple(OF_CHARGER), "turbocharger"
        )
    like = like or default_like(asked.answers, facts)
    if ask is not None:
        for question in (ENGINE, NOZZLES, PUMP):
            _values(asked, name, like, facts, question)
        if asks_law(facts, asked.answers):
            shown = draft(name, like, facts, asked.answers)
            facts = _law(asked, shown, log, facts)
        kind = asked.answers.get(_KIND)
        if kind is not None:
            _values(asked, name, like, facts, OF_LAW.get(kind, OF_ANY_LAW))
        _values(asked, name, like, facts, LIMITS)
    rig = in_own_units(draft(name, like, facts, asked.answers), facts)
    _checked(rig)
    for sentence in () if facts is None else against_nozzles(rig, facts):
        say(f"! {sentence}")
    refused = leave_open(rig, facts, asked.answers)
    to_do = {key_of(path): why for path, why in rig.to_do.items()}
    return Drafted(
        toml=rig.finished(),
        to_do={key: to_do[key] for key in most_dangerous_first(to_do)},
        refused=tuple(refused),
    )


def _nobody(_: str) -> str:
    raise EOFError


def _of_rig(sets: Mapping[KeyPath, Any]) -> dict[KeyPath, Any]:
    """Return the answers that are no column's: those go into the guesses."""
    return {path: value for path, value in sets.items() if not _is_of_column(path)}


def _is_of_column(path: KeyPath) -> bool:
    return len(path) == 3 and path[0] == "channels" and path[2] in _OF_COLUMN


def _values(asked: Asked, name: str, like: str, facts: FromLog | None, question: Any) -> None:
    """Ask a question until its answers agree with the others."""
    while True:
        before = dict(asked.answers)
        asked.values(question, in_own_units(draft(name, like, facts, before), facts))
        try:
            _checked(draft(name, like, facts, asked.answers))
        except BadInput as error:
            if asked.answers == before:
                raise
            asked.refuse(str(error))
            asked.answers = before
            asked.count -= 1
            continue
        return


def _law(asked: Asked, shown: RigText, log: Log | None, facts: FromLog | None) -> FromLog | None:
    """Ask by what law spray is asked for, and which column has the command; return what follows."""
    headers: dict[str, list[str]] = {}
    if log is not None and facts is not None:
        headers = {name: _could_be(log, facts.guesses, name) for name in BELIEVED.values()}
    kind = ask_law(asked, shown, facts, [name for name, found in headers.items() if found])
    if not kind or asked.gone:
        return facts
    channel = BELIEVED.get(kind)
    if log is not None and facts is not None and channel and channel not in facts.channels():
        header = ask_which(channel, headers[channel], asked)
        if not header:
            return facts
        guesses = assigned(log.columns, log.time_s, facts.guesses, header, channel)
        made = next(one for one in guesses if one.header == header)
        if made.sure is Sure.ASK:
            answered = ask_column(made, asked, beyond)
            guesses = [answered if one is made else one for one in guesses]
        facts = from_log(log, guesses, healthy=facts.healthy)
    asked.answers[_KIND] = kind
    return facts


def _could_be(log: Log, guesses: Sequence[Guess], channel: str) -> list[str]:
    """Return the columns that nobody knows, and that a channel could be by unit and values."""
    columns = zip(log.columns, guesses, strict=True)
    return [
        one.header
        for column, one in columns
        if not one.channel and can_be(column, channel, log.time_s)
    ]


def _checked(rig: RigText) -> None:
    rig_from_text(rig.toml, "draft")


def _columns(
    log: Log, sets: Mapping[KeyPath, Any], healthy: bool | None, asked: Asked | None, say: Say
) -> FromLog:
    """Show what the columns are taken for, ask where that decides, and return what follows."""
    guesses = _as_set(log, guess(log.columns, log.time_s), sets)
    guesses = with_defaults(log, guesses)
    for line in told(log, guesses):
        say(line)
    if asked is not None and healthy is None:
        said = asked.choice("Did the spray work as it should all through?", ("yes", "no"))
        healthy = {"yes": True, "no": False}.get(said)
        if healthy is False:
            say("   Then nothing is concluded from its flow; a healthy log says more.")
    if asked is not None:
        guesses = _settled(log, guesses, asked)
        before = set(doubts(log, with_defaults(log, guess(log.columns, log.time_s))))
        for sentence in doubts(log, guesses):
            if sentence not in before:
                say(f"! {sentence}")
    facts = from_log(log, guesses, healthy=healthy)
    channels = facts.channels()
    if "boost_kpa" not in channels or not witness_of(channels):
        missing = "boost_kpa" if "boost_kpa" not in channels else "delivered_ml_min"
        what = "the spray's flow, or its line's pressure"
        what = "the manifold's pressure" if missing == "boost_kpa" else what
        raise BadInput(
            f"{log.source}: found no column for {what}, expected one: if there is, name it with "
            f"--set 'channels.{missing}.column=...'"
        )
    return facts


def _found(log: Log, guesses: list[Guess], channel: str, asked: Asked) -> list[Guess]:
    """Return the guesses with a channel that none of them is, and that rigs can't do without."""
    there = {one.channel: one for one in guesses if one.channel}
    if channel in there or (channel != "boost_kpa" and witness_of(there)):
        return guesses
    left = [
        one.header
        for column, one in zip(log.columns, guesses, strict=True)
        if not one.channel and one.spread is not None and can_be_named(one.header)
        if not other_unit(column, channel)
    ]
    caution = "Without it no rig can be made." if channel == "boost_kpa" else ""
    header = ask_which(channel, left, asked, caution)
    return assigned(log.columns, log.time_s, guesses, header, channel) if header else guesses


def _settled(log: Log, guesses: list[Guess], asked: Asked) -> list[Guess]:
    """Return the guesses with what was asked about those in doubt."""
    for channel in ("boost_kpa", "delivered_ml_min", "line_kpa"):
        guesses = _found(log, guesses, channel, asked)
    for doubtful in in_doubt(from_log(log, guesses, healthy=None)):
        made = doubtful
        if doubtful.rivals:
            headers = (doubtful.header, *doubtful.rivals)
            header = ask_which(doubtful.channel, headers, asked)
            if header:
                guesses = assigned(log.columns, log.time_s, guesses, header, doubtful.channel)
                made = next(g for g in guesses if g.header == header)
            if not header or made.sure is not Sure.ASK:
                continue
        answered = ask_column(made, asked, partial(_against, log, guesses))
        guesses = [answered if g.header == made.header else g for g in guesses]
    return guesses


def _as_set(log: Log, guesses: list[Guess], sets: Mapping[KeyPath, Any]) -> list[Guess]:
    """Return the guesses with what was given beforehand.

    Raises:
        BadInput: A column's name is not the log's, a channel has no column, or another's unit.
    """
    headers = [column.header for column in log.columns]
    for path, value in sets.items():
        if not _is_of_column(path):
            continue
        channel, key = str(path[1]), path[2]
        if key == "column":
            if value not in headers:
                shown = ", ".join(f'"{clean(header, 24)}"' for header in headers[:12])
                raise BadInput(
                    f'--set channels.{channel}.column: found "{clean(str(value))}", expected one '
                    f"of the log's columns: {shown}{', ...' * (len(headers) > 12)}"
                )
            unit = other_unit(log.columns[headers.index(value)], channel)
            if unit and ("channels", channel, "unit") not in sets:
                raise BadInput(
                    f'--set channels.{channel}.column: found "{clean(str(value))}", which is in '
                    f"{unit}, expected the {label_of_channel(channel)}; where the unit is written "
                    f"wrongly, set channels.{channel}.unit, too"
                )
            guesses = assigned(log.columns, log.time_s, guesses, str(value), channel)
    for path, value in sets.items():
        if path[0] != "channels" or path[2:] == ("column",):
            continue
        channel = str(path[1])
        if all(one.channel != channel for one in guesses):
            raise BadInput(
                f"--set {key_of(path)}: found no column for the {label_of_channel(channel)}, "
                f"expected channels.{channel}.column, too"
            )
        if _is_of_column(path):
            key = str(path[2])
            guesses = [_with(one, key, value) if one.channel == channel else one for one in guesses]
    for one in guesses:
        path = ("channels", one.channel, "unit")
        if path in sets and (*path[:2], "plausible") not in sets and (why := beyond(one)):
            raise BadInput(f'--set {key_of(path)}: "{clean(one.header, 24)}" {why}')
        path = ("channels", one.channel, "absolute")
        if path in sets and (why := no_vacuum(one, log.columns, log.time_s, guesses)):
            raise BadInput(f"--set {key_of(path)}: found false, expected true: {why}")
    return guesses


def _against(log: Log, guesses: Sequence[Guess], one: Guess) -> str:
    """Return what a column's values say against an answer; empty where nothing does."""
    return beyond(one) or no_vacuum(one, log.columns, log.time_s, guesses)


def _with(one: Guess, key: str, value: Any) -> Guess:
    given = {"unit": str(value)} if key == "unit" else {"absolute": bool(value)}
    one = replace(one, **given)
    settled = one.asked in {key, ""}
    return replace(one, sure=Sure.SURE, asked="", why=ASKED) if settled else one


def told_of(log: Log, sets: Mapping[KeyPath, Any]) -> list[str]:
    """Return the lines that tell a log's columns, with what was said of them beforehand.

    Raises:
        BadInput: What was said doesn't fit the log.
    """
    return told(log, with_defaults(log, _as_set(log, guess(log.columns, log.time_s), sets)))


def told(log: Log, guesses: Sequence[Guess]) -> list[str]:
    """Return the lines that tell a log's columns, and what speaks against the guesses."""
    laid_out_s = float(log.time_s[-1] - log.time_s[0])
    lasts_s = laid_out_s - log.between_s
    moves = partial(_moves, stretch=laid_out_s / lasts_s if lasts_s > 0.0 else 1.0)
    rate = f"{1.0 / log.period_s:z.3g} rows a second" if log.period_s > 0.0 else "one row"
    lines = [
        f"{log.source}: {len(log.columns) + bool(log.time_column)} columns, {len(log.time_s)} rows "
        f"in {lasts_s:z.0f} s ({rate})",
        _row("column", "taken for", "unit", "how sure", "from, to"),
    ]
    if log.time_column:
        sure = Sure.ASK if log.time_doubt else Sure.SURE
        lines.append(
            _row(log.time_column, "time", log.time_unit, sure.word, f"0, {lasts_s:z.4g} s")
        )
        time = spread_of(Column(log.time_column, "", log.time_s), log.time_s)
        lines.append(f"      {log.time_why}{moves(time)}")
    for one in guesses:
        unit = f"{one.unit}{' abs' if one.absolute else ''}"
        how_sure = one.sure.word if one.channel else "-"
        label = label_of_channel(one.channel) if one.channel else "-"
        ends = () if one.spread is None else (one.spread.low, one.spread.high)
        reads = ", ".join(f"{float(f'{end:z.4g}'):zg}" for end in ends)
        lines += [
            _row(one.header, label, unit, how_sure, reads),
            f"      {one.why}{moves(one.spread)}",
        ]
    lines += [f"  {remark}" for remark in log.remarks]
    if log.time_doubt:
        lines.append(f"! time: {log.time_doubt}")
    lines += [f"! {sentence}" for sentence in doubts(log, guesses)]
    missing = [names for names in _USEFUL if all(one.channel not in names for one in guesses)]
    if missing:
        labels = ", ".join(label_of_channel(names[0]) for names in missing)
        lines.append(f"not found: {labels}: --set channels.{missing[0][0]}.column=... names one")
    return lines


def _row(header: str, label: str, unit: str, sure: str, reads: str) -> str:
    return f"  {clean(header, 24):<24} {label:<18} {unit:<10} {sure:<8} {reads}".rstrip()


def _moves(spread: Spread | None, stretch: float) -> str:
    if spread is None:
        return ""
    return f"; steps of {spread.step:z.2g}, {stretch * spread.rate_hz:z.3g} changes a second"


def what_next(drafted: Drafted, to: Path, logs: Sequence[Path]) -> list[str]:
    """Return the lines that tell what is left to do, and the next commands."""
    lines = []
    if drafted.to_do:
        lines.append(f"to do, {len(drafted.to_do)} keys that nobody answered:")
        lines += [f"  {key}: {why}" for key, why in drafted.to_do.items()]
    if drafted.refused:
        keys = ", ".join(drafted.refused)
        lines.append(f'! check refuses {keys} until it is decided: "{UNKNOWN}" stands there now')
    rig = for_shell(to)
    of = for_shell(*logs[:_MOST_LOGS]) + " ..." * (len(logs) > _MOST_LOGS)
    lines.append(f"next: flowdebt check {rig}")
    if logs:
        lines.append(f"then: flowdebt review {of} --rig {rig}")
        lines.append(f"and, out of healthy pulls: flowdebt fit {of} --rig {rig}")
    return lines
