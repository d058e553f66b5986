"""A commented rig out of what a log says, what was answered, and the defaults of a shipped rig.

The text is a shipped rig's own, so that its remarks explain each key; values are put in, and behind
each number stands where it comes from. What no log can say and nobody did is marked TO DO, with the
value that errs on the side of the engine.
"""

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

from monitor.commission.channel_tables import EXPLAINED, witness_of, write_channels
from monitor.commission.guessing import Guess, Sure
from monitor.commission.law import EXACT, Found, Law
from monitor.commission.rig_text import ASKED, DEFAULT, RigText
from rules.causes.rig_mistakes import wrong_unit
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from simulator.rig import find_rig, rig_from_text, shipped_rigs
from simulator.strict import (
    BadInput,
    KeyPath,
    Kpa,
    Ml,
    MlMin,
    Rpm,
    called,
    clean,
    key_of,
    read_text,
)

# The shipped rig that is nearest to a kind of engine.
OF_CHARGER: Final = {
    "turbocharger": "brindle",
    "displacement": "ullesby",
    "centrifugal": "ullesby",
    "none": "quarrick",
}
UNKNOWN: Final = "?"  # for what can't be left to a guess: check refuses it, and names the key
# Until somebody says what the spray paid for: a degree for so many kPa above its onset, more than
# is usual, so that more is taken back. Common practice, no source.
KPA_A_DEGREE: Final = 15.0
MOST_PAID_DEG: Final = 12.0
SURVIVES: Final = "0.3 s"
HOTTEST: Final = "60 degC"
CHARGER: Final[KeyPath] = ("engine", "charger")
DRY_LIMIT: Final = ("paid", "dry_limit")
PAID_BOOST: Final = ("paid", "boost")
PAID_TIMING: Final = ("paid", "timing")
NOZZLE: Final = ("spray", "nozzles", 0)
PUMP: Final = ("spray", "pump")
HOT: Final[KeyPath] = ("limits", "intake_c", "above")
# The last of the two points that a draft's [paid] has.
TOP: Final[KeyPath] = (*PAID_BOOST, 1)
TOP_TIMING: Final[KeyPath] = (*PAID_TIMING, 1)
# Laws that take a command as the log has it, and its channel.
BELIEVED: Final = {"log_flow": "commanded_ml_min", "log_percent": "command_pct"}
# What a log can never say, and what is at stake; the most dangerous first.
NEVER_GUESSED: Final[dict[KeyPath, str]] = {
    DRY_LIMIT: "prove on a dyno what the engine holds without spray; too high costs an engine. "
    "Until then: the boost at which spray begins.",
    TOP_TIMING: "timing the spray paid for, out of the tune. Until then more than is usual, so "
    "that more is taken back.",
    TOP: "the last one is the highest boost the tune allows.",
    ("fault_intervals", "tolerant"): "how long the engine survives full boost without spray. Until "
    "then so short that flowdebt check may call it too late.",
    HOT: "the hottest charge the tune allows; no day's log says that. Until then it only warns: "
    "with the limit, write action pull_timing.",
    ("spray", "methanol_by_volume_pct"): "the mix as it is poured.",
    ("spray", "check_valve"): "the pressure at which it opens, as its maker says or measured.",
}
# What one looks up or measures, and a log hardly says.
LOOKED_UP: Final[dict[KeyPath, str]] = {
    ("engine", "displacement"): "say this engine's.",
    ("engine", "cylinders"): "say this engine's.",
    ("engine", "redline"): "say this engine's.",
    (*NOZZLE, "count"): "how many nozzles, and what is stamped on them.",
    (*NOZZLE, "rated_flow"): "of each nozzle, on water; a jug and a clock tell.",
    (*NOZZLE, "rated_pressure"): "at which the nozzles are rated.",
    (*PUMP, "shut_off"): "the pump's pressure at no flow, as its maker says.",
    (*PUMP, "free_flow"): "the pump's flow at no pressure, as its maker says.",
    (
        "spray",
        "pump",
        "regulated",
    ): "where a switch or bypass holds the pressure; none: take it out.",
    ("spray", "tank"): "the tank's volume.",
    ("charge_sensor", "drop_k"): "log a pull with spray and one without.",
}
_HEAD: Final = """\
# {name}: drafted by flowdebt{source}.
#
# Behind each number stands where it comes from: "asked" (you said so), "log" (guessed from it) or
# "default" (nobody said so: taken from the shipped rig {like}). Lines that begin with TO DO want an
# answer that no log can give; what stands there until then errs on the side of the engine.
{healthy}#
"""


@dataclass(frozen=True, slots=True)
class FromLog:
    """What logs say of a car.

    Attributes:
        source: The logs, by name.
        guesses: What each column is taken for; those in doubt as they were answered.
        law: How spray is asked for; None where the log doesn't tell.
        period_s: Time from one row to the next.
        time_column: The time column's name.
        time_unit: As a rig's ``time.unit``.
        top_kpa: The highest boost, kPa; None where there is no boost.
        ambient: The air outside, kPa, and which column says so; None where none does.
        redline_rpm: The highest engine speed, rounded up.
        full_boost_rpm: Engine speed at which pulls had full boost; None where the log doesn't tell.
        injector_ml_min: What all injectors together give at 100 %, by speed-density, for 1 L of
            displacement; None where it isn't told.
        refresh_s: How long the flow sensor holds a reading; 0 where it is new in every row.
        line_kpa: The line's pressure in full spray; None where it isn't logged.
        line_follows: Whether that pressure follows the command.
        healthy: Whether somebody said that the spray worked all through; None where nobody did.
    """

    source: str
    guesses: Sequence[Guess]
    law: Found | None
    period_s: float
    time_column: str
    time_unit: str
    top_kpa: float | None = None
    ambient: tuple[float, str] | None = None
    redline_rpm: float = 0.0
    full_boost_rpm: float | None = None
    injector_ml_min: float | None = None
    refresh_s: float = 0.0
    line_kpa: float | None = None
    line_follows: bool = False
    healthy: bool | None = None

    def channels(self) -> dict[str, Guess]:
        """Return the guesses that are channels, by channel."""
        return {guess.channel: guess for guess in self.guesses if guess.channel}


Answers = Mapping[KeyPath, Any]


def draft(name: str, like: str, log: FromLog | None, answers: Answers) -> RigText:
    """Return a rig in the making.

    Args:
        name: The car's.
        like: The shipped rig, or the file, whose text and defaults are taken.
        log: What the logs say; None where there is none.
        answers: Key paths and their values, as TOML has them; None takes a key out.

    Raises:
        BadInput: There is no such rig, or it is too oddly laid out.
    """
    try:
        return _drafted(name, like, log, answers)
    except tomllib.TOMLDecodeError:
        raise BadInput(
            f"{called(like)}: found a file too oddly laid out, expected a table a block, as the "
            "shipped rigs have it"
        ) from None


def _drafted(name: str, like: str, log: FromLog | None, answers: Answers) -> RigText:
    rig = RigText(read_text(find_rig(like)))
    # What was done to that car proves nothing of this one.
    rig.drop(*(table for table in rig.blocks() if table.startswith("commissioned.")))
    _head(rig, name, like, log)
    _engine(rig, log, answers)
    _spray(rig, log, answers)
    start_kpa, top_kpa = _command(rig, log, answers)
    _paid(rig, log, answers, start_kpa, top_kpa)
    if log is not None:
        _channels(rig, log)
        _time(rig, log)
    _to_decide(rig, answers)
    for path, value in answers.items():
        if value is None:
            rig.cut(path)
            continue
        rig.put(path, value, ASKED)
        rig.note(pair_of(path), ASKED)
    if log is not None:
        _from_flow(rig, log, answers)
    return rig


def leave_open(rig: RigText, log: FromLog | None, answers: Answers) -> list[str]:
    """Write as unknown what can't be guessed, so that ``check`` refuses it; return the keys.

    Args:
        rig: A draft that is right in itself.
        log: As ``draft`` took it.
        answers: As ``draft`` took them.
    """
    if log is None:
        return []
    paths = []
    for one in essential(log):
        if one.sure is Sure.ASK:
            key = "absolute" if one.asked == "absolute" else "unit"
            now = f"{'absolute' if one.absolute else 'gauge'} " * (one.channel in _PRESSURES)
            path: KeyPath = ("channels", one.channel, key)
            rig.put(path, UNKNOWN, "", f"{one.why}; {now}{one.unit} was the best guess.")
            paths.append(path)
    kind: KeyPath = ("command", "kind")
    if log.law is None and kind not in answers and rig.raw(*kind) not in BELIEVED:
        rig.put(kind, UNKNOWN, "", _rivals(None))
        paths.append(kind)
    return [key_of(path) for path in paths]


def default_like(answers: Answers, log: FromLog | None) -> str:
    """Return the shipped rig that is nearest to an engine, by its charger, or by its boost."""
    charger = answers.get(CHARGER)
    if isinstance(charger, str) and charger in OF_CHARGER:
        return OF_CHARGER[charger]
    if log is not None and log.top_kpa is not None and log.top_kpa < 8.0:
        return OF_CHARGER["none"]
    return OF_CHARGER["turbocharger"]


def most_dangerous_first(keys: Iterable[str]) -> list[str]:
    """Return keys that are left to do in the order in which to settle them."""
    order = [key_of(pair_of(path)) for path in (*NEVER_GUESSED, *LOOKED_UP)]
    between = len(NEVER_GUESSED) - 0.5  # the law of the command, a doubtful column
    return sorted(keys, key=lambda key: order.index(key) if key in order else between)


def essential(log: FromLog) -> list[Guess]:
    """Return the columns without which nothing is judged, doubtful or not."""
    channels = log.channels()
    names = ("boost_kpa", witness_of(channels))
    return [channels[name] for name in names if name in channels]


def _head(rig: RigText, name: str, like: str, log: FromLog | None) -> None:
    head, _, rest = rig.toml.partition("\nname =")
    _, _, paragraphs = head.partition("#\n")
    healthy = ""
    if log is not None:
        said = {None: "nobody said", True: "yes", False: "no"}[log.healthy]
        healthy = f"# Did the spray work as it should all through the log? {said}.\n"
    ours = _HEAD.format(
        name=name, source=f" from {log.source}" if log else "", like=called(like), healthy=healthy
    )
    rig.toml = f"{ours}{paragraphs}\nname ={rest}"
    rig.put(("name",), name)


def _engine(rig: RigText, log: FromLog | None, answers: Answers) -> None:
    redline = rig.raw("engine", "redline")
    if log is not None and log.redline_rpm > 0.0:
        redline = f"{log.redline_rpm:z.0f} rpm"
        rig.put(("engine", "redline"), redline, "log: its highest engine speed, rounded up")
    rpm = float(Rpm.from_toml(answers.get(("engine", "redline"), redline)))
    from_rpm, origin = 0.45 * rpm, DEFAULT
    if log is not None and log.full_boost_rpm is not None and log.full_boost_rpm < 0.9 * rpm:
        from_rpm, origin = log.full_boost_rpm, "log"
    if rig.raw("engine", "full_boost_from") is not None:
        rig.put(("engine", "full_boost_from"), f"{from_rpm:z.0f} rpm", origin)
    if log is not None and log.ambient is not None:
        kpa, column = log.ambient
        rig.put(("engine", "ambient_pressure"), f"{kpa:z.1f} kPa", f'log: "{clean(column, 24)}"')
    cylinders = answers.get(("engine", "cylinders"), rig.raw("engine", "cylinders"))
    rig.put(("injectors", "count"), cylinders, "one for each cylinder")
    if log is not None and log.injector_ml_min is not None and isinstance(cylinders, int):
        litres = _litres(answers.get(("engine", "displacement"), rig.raw("engine", "displacement")))
        each = log.injector_ml_min * litres / max(cylinders, 1)
        why = "log: what its duty, engine speed and boost speak for, by displacement"
        rig.put(("injectors", "rated_flow"), f"{max(each, 1.0):z.0f} mL/min", why)
        rig.put(("injectors", "fuel_pressure"), rig.raw("injectors", "rated_pressure"))


def _litres(value: Any) -> float:
    return float(Ml.from_toml(value)) / 1000.0


def _spray(rig: RigText, log: FromLog | None, answers: Answers) -> None:
    """Size a pump nobody named: its pressure by the line's, its flow to hold no nozzle back."""
    if log is None:
        return
    if log.line_follows:
        rig.put((*PUMP, "follows_command"), True, "log: the line's pressure follows the command")
    if answers.get((*PUMP, "follows_command"), log.line_follows):
        rig.cut((*PUMP, "regulated"))
    elif log.line_kpa is not None and log.line_kpa > 150.0:
        held_kpa = _rounded(log.line_kpa, 10.0)
        rig.put((*PUMP, "regulated"), f"{held_kpa:z.0f} kPa", "log: the line in full spray")
        if held_kpa > 0.9 * float(Kpa.from_toml(rig.raw(*PUMP, "shut_off"))):
            rig.put((*PUMP, "shut_off"), f"{_rounded(1.3 * held_kpa, 50.0):z.0f} kPa")
    each = answers.get((*NOZZLE, "rated_flow"))
    free = (*PUMP, "free_flow")
    if each is None and log.law is not None and log.law.full_ml_min > 0.0:
        rig.put(free, f"{_rounded(4.0 * log.law.full_ml_min, 50.0):z.0f} mL/min")
    elif each is not None:
        count = answers.get((*NOZZLE, "count"), rig.raw(*NOZZLE, "count"))
        total = float(MlMin.from_toml(each)) * (count if isinstance(count, int) else 1)
        rig.put(free, f"{_rounded(4.0 * total, 50.0):z.0f} mL/min")


def _rounded(value: float, to: float) -> float:
    return max(to, round(value / to) * to)


def _command(rig: RigText, log: FromLog | None, answers: Answers) -> tuple[float, float]:
    """Write the law; return the boost at which spray begins, and the highest boost, kPa."""
    top_kpa = float(Kpa.from_toml(rig.raw("paid", "boost")[-1]))
    found = None if log is None else log.law
    if log is not None and log.top_kpa is not None:
        top_kpa = _rounded_kpa(log.top_kpa)
    if TOP in answers or PAID_BOOST in answers:
        top_kpa = float(Kpa.from_toml(answers[TOP] if TOP in answers else answers[PAID_BOOST][-1]))
    kind = answers.get(("command", "kind"))
    channels = {} if log is None else log.channels()
    start_kpa = float(Kpa.from_toml(rig.raw("command", "start_boost")))
    if log is not None:
        law, said = _law(found, kind, channels, top_kpa)
        start_kpa = _write_law(rig, law, top_kpa, said)
        if kind is None and chosen(found) is None and law.kind not in BELIEVED:
            rig.note(("command", "kind"), said, _rivals(found))
    elif TOP in answers and rig.raw("command", "kind") == "boost" and top_kpa > 0.0:
        start_kpa = _rounded_kpa(0.35 * top_kpa)
        rig.put(("command", "start_boost"), f"{start_kpa:zg} kPa")
        rig.put(("command", "full_boost"), f"{_rounded_kpa(0.94 * top_kpa):zg} kPa")
    if ("command", "start_boost") in answers:
        start_kpa = float(Kpa.from_toml(answers["command", "start_boost"]))
    return start_kpa, top_kpa


def chosen(found: Found | None) -> Law | None:
    """Return the law a log speaks for alone; None where it doesn't, or where rivals remain."""
    if found is None:
        return None
    simplest = found.laws[0]
    if found.by_command:
        return simplest if simplest.error < EXACT else None
    return simplest if len(found.laws) == 1 else None


_PRESSURES: Final = frozenset({"boost_kpa", "line_kpa"})


def _law(
    found: Found | None, kind: Any, channels: Mapping[str, Guess], top_kpa: float
) -> tuple[Law, str]:
    """Return the law to write, and where it comes from.

    The one the log speaks for; else the log's own command; else the best of the rivals; else what
    is usual.
    """
    law = chosen(found)
    logged = [
        of
        for of, name in BELIEVED.items()
        if name in channels and channels[name].sure is not Sure.ASK
    ]
    onset_kpa = found.onset_kpa if found is not None else 0.35 * top_kpa
    if kind is None and law is None and logged:
        header = clean(channels[BELIEVED[logged[0]]].header, 24)
        return Law(logged[0], onset_kpa, top_kpa, onset_kpa, 1.0), f'log: "{header}"'
    if law is None and found is not None:
        law = min(found.laws, key=lambda one: one.error)
    if found is not None and law is not None and kind in {None, law.kind}:
        by = "command" if found.by_command else "flow"
        return law, f"log: explains the {by} within {100.0 * law.error:z.0f} % on average"
    kind = str(kind or "boost")
    of_kind = [one for one in (found.laws if found is not None else ()) if one.kind == kind]
    if of_kind:
        return of_kind[0], "log"
    return Law(kind, onset_kpa, 0.95 * top_kpa, onset_kpa, 1.0), DEFAULT


def _rivals(found: Found | None) -> str:
    """Return what is to be decided of the law."""
    if found is None:
        return (
            "by what the controller asks for spray: nothing in this log tells. Without it nothing "
            "is known of what is due."
        )
    others = ", ".join(
        f"{one.kind} from {one.start:z.0f} {'%' if one.kind == 'injector_duty' else 'kPa'}"
        for one in found.laws
    )
    return f"by what the controller asks for spray: this log allows for {others}."


def _rounded_kpa(kpa: float) -> float:
    return float(round(kpa))


_UNTOLD: Final = "nothing in this log tells; say where spray begins, and where it is full."
_GROWS: Final = "spray still grew at the highest boost of this log; say where it is full."


def _write_law(rig: RigText, law: Law, top_kpa: float, said: str) -> float:
    """Write a law into [command]; return the boost at which spray begins, kPa."""
    explained = read_text(shipped_rigs()[EXPLAINED])
    first = next(line for line in explained.split("\n") if line.startswith("# kind is one of"))
    rig.replace("command", f"{first}\n[command]\n")
    rig.put(("command", "kind"), law.kind, said)
    start_kpa = min(_rounded_kpa(law.onset_kpa), top_kpa - 1.0)
    if top_kpa > 8.0:
        start_kpa = max(start_kpa, 5.0)  # an engine that is boosted holds some without spray
    untold = _UNTOLD if said == DEFAULT else ""
    rig.put(("command", "start_boost"), f"{start_kpa:zg} kPa", said, untold)
    match law.kind:
        case "boost":
            full = law.full if isfinite(law.full) else top_kpa
            full = max(_rounded_kpa(full), start_kpa + 1.0)
            grows = law.error < 1.0 and full > 0.95 * top_kpa
            to_do = _GROWS if grows else untold
            rig.put(("command", "full_boost"), f"{full:zg} kPa", said, to_do)
        case "injector_duty":
            known = law.error < 1.0
            start, full = (round(law.start), round(law.full)) if known else (20, 80)
            to_do = "" if known else _UNTOLD
            rig.put(("command", "start_duty"), f"{max(start, 0)} %", said, to_do)
            rig.put(("command", "full_duty"), f"{max(full, start + 1)} %", said, to_do)
        case "map":
            low, high = f"{start_kpa:zg} kPa", f"{max(top_kpa, start_kpa + 1.0):zg} kPa"
            rig.put(("command", "map_boost"), [low, high])
            rig.put(("command", "map_duty"), ["20 %", "80 %"])
            rig.put(("command", "map_pct"), [[0, 50], [50, 100]])
    return start_kpa


def _paid(
    rig: RigText, log: FromLog | None, answers: Answers, start_kpa: float, top_kpa: float
) -> None:
    """Write what the spray paid for, and what hangs on onset and highest boost."""
    if log is not None or not answers.keys().isdisjoint((TOP, TOP_TIMING)):
        paid_deg = min((top_kpa - start_kpa) / KPA_A_DEGREE, MOST_PAID_DEG)
        origin = DEFAULT if log is None else "log"
        rig.put(PAID_BOOST, [f"{start_kpa:zg} kPa", f"{top_kpa:zg} kPa"], origin)
        rig.put(PAID_TIMING, ["0 deg", f"{max(paid_deg, 0.5):z.1f} deg"])
    rig.put(DRY_LIMIT, f"{_dry_kpa(log, answers, start_kpa):zg} kPa")
    release_kpa = min(20.0, 0.5 * start_kpa) if start_kpa > 0.0 else start_kpa - 10.0
    rig.put(("ladder", "release_below"), f"{release_kpa:zg} kPa")
    if top_kpa > 0.0 and rig.raw("limits", "boost_kpa") is not None:
        rig.put(("limits", "boost_kpa", "above"), f"{top_kpa + max(15.0, 0.1 * top_kpa):z.0f} kPa")
    command = rig.raw("watch", "no_command_above")
    if command is not None:
        rig.put(
            ("watch", "no_command_above"), f"{start_kpa + 0.4 * (top_kpa - start_kpa):z.0f} kPa"
        )
    if rig.raw("limits", "intake_c") is not None and HOT not in answers:
        rig.put(HOT, HOTTEST)
        rig.put(("limits", "intake_c", "action"), "warn")
    rig.put(("fault_intervals", "tolerant"), SURVIVES)


def _dry_kpa(log: FromLog | None, answers: Answers, start_kpa: float) -> float:
    """Return what an engine surely holds dry: the lowest boost at which spray may begin.

    Not what another car holds: where spray begins, this one was made to need it.
    """
    settled = ("command", "start_boost") in answers
    if log is None or log.law is None or settled or chosen(log.law) is not None:
        return start_kpa
    onsets = [log.law.onset_kpa, *(law.onset_kpa for law in log.law.laws)]
    # A boosted engine that is sprayed only under boost holds some without.
    return min(start_kpa, max(5.0 if start_kpa > 0.0 else -100.0, float(round(min(onsets)))))


def _channels(rig: RigText, log: FromLog) -> None:
    full_ml_min = log.law.full_ml_min if log.law is not None else 0.0
    most_ml_min = _rounded(max(2.5 * full_ml_min, 600.0), 100.0)
    needed = [one.channel for one in essential(log)]
    write_channels(rig, log.channels(), needed, log.period_s, min(most_ml_min, 6000.0))


def _time(rig: RigText, log: FromLog) -> None:
    rig.drop("time")
    rig.toml = f"{rig.toml.rstrip()}\n\n[time]\n"
    if log.time_column:
        rig.put(("time", "column"), log.time_column, "log")
    rig.put(("time", "unit"), log.time_unit, "log")
    rig.put(("time", "period"), f"{1e3 * log.period_s:z.4g} ms", "log: from one row to the next")
    rig.drop("serial")
    if log.refresh_s > 0.0 and rig.raw("flow_sensor") is not None:
        rig.put(("flow_sensor", "refresh"), f"{1e3 * log.refresh_s:z.0f} ms", "log")


def _to_decide(rig: RigText, answers: Answers) -> None:
    """Mark what nobody answered."""
    for path, why in {**NEVER_GUESSED, **LOOKED_UP}.items():
        pair = pair_of(path)
        if answers.keys().isdisjoint((path, pair)) and rig.raw(*path) is not None:
            rig.note(pair, rig.origin(pair), why)


def pair_of(path: KeyPath) -> KeyPath:
    """Return the key whose line a value stands in."""
    return path[:-1] if path in (TOP, TOP_TIMING) else path


def _from_flow(rig: RigText, log: FromLog, answers: Answers) -> None:
    """Size nozzles that nobody named by the flow in the log's full spray."""
    found, path = log.law, (*NOZZLE, "rated_flow")
    if found is None or found.full_ml_min <= 0.0 or path in answers or log.top_kpa is None:
        return
    for _ in range(4):
        full = full_flow_of(rig, log.top_kpa)
        each = float(MlMin.from_toml(rig.raw(*path)))
        if full <= 0.0:
            return
        rig.put(
            path,
            f"{max(each * found.full_ml_min / full, 1.0):z.0f} mL/min",
            "log: what its flow in full spray speaks for, if pump and pressure are right",
            LOOKED_UP[path],
        )


def against_nozzles(rig: RigText, log: FromLog) -> list[str]:
    """Return a sentence where the flow in the log's full spray isn't what pump and nozzles give.

    Args:
        rig: The rig.
        log: What the log says.
    """
    flow = log.channels().get("delivered_ml_min")
    if log.law is None or log.top_kpa is None or flow is None or not log.law.full_ml_min:
        return []
    full_ml_min = full_flow_of(rig, log.top_kpa)
    ratio = log.law.full_ml_min / full_ml_min if full_ml_min > 0.0 else 0.0
    if 0.8 < ratio < 1.25:
        return []
    unit = wrong_unit(ratio, MlMin.linear(flow.unit)[0]) if ratio > 0.0 else None
    what = "a wrong unit, another pump or nozzle, or spray that is missing"
    return [
        f'"{clean(flow.header, 24)}" reads {log.law.full_ml_min:z.0f} mL/min in full spray, pump '
        f"and nozzles give {full_ml_min:z.0f}: {what if unit is None else unit.sentence}"
    ]


def full_flow_of(rig: RigText, boost_kpa: float) -> float:
    """Return what a rig's spray system delivers at a boost, mL/min.

    Raises:
        BadInput: The rig is wrong.
    """
    return full_flow_ml_min(constants_of(rig_from_text(rig.toml, "draft").rig), boost_kpa)
