"""The one step that would help a rig most now: told last by ``flowdebt check``."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from math import inf
from typing import Final, NamedTuple

from rules.channels import CHANNEL_BY_NAME, CHANNEL_NAMES, DELIVERED, LINE
from rules.facts import ChannelTerms, Rig
from rules.handling import handled, least_due_ml_min
from rules.petrol import pull_from_rpm
from rules.step.from_rig import witness_column

# What a fit of healthy pulls usually leaves of doubt, as a study on simulated cars found.
FITTED_DELAY_S: Final = 0.02
FITTED_LAG: Final = 0.2
QUICK_S: Final = 0.02  # from row to row
WORTH_S: Final = 0.02  # gained for a stopped pump, where that is handled too late
SHOWN_S: Final = 0.01
WORTH_A_SENSOR_S: Final = 0.05
_MOST_NAMED: Final = 4
_LINE_NAME: Final = CHANNEL_NAMES[LINE - 1]


class NextStep(NamedTuple):
    """What to do next.

    Attributes:
        step: One of ``simulator.rig.STEPS``, or "to_do", "rows", "line", "none".
        words: What to do, and what it buys.
        command: What to type then; empty where nothing is.
        now_s: How soon a stopped pump leads to pulled timing now; infinite: never.
        then_s: And after the step; as now where it buys something else.
    """

    step: str
    words: str
    command: str
    now_s: float
    then_s: float


def next_step(
    rig: Rig,
    period_s: float,
    now_s: float,
    standing: Mapping[str, bool],
    name: str,
    to_do: Sequence[str] = (),
) -> NextStep:
    """Return the step that helps most, by what it buys.

    First what a draft left open: until then all else is reckoned from guesses. Then what brings a
    stopped pump, handled too late, in time; then a fit, which holds the rig against its car and may
    make it quicker; then what says whether it protects at all (the trip, the dry limit); then a
    sensor of line pressure that makes it quicker still; then what is left.

    Args:
        rig: The rig.
        period_s: Time from one row to the next.
        now_s: How soon a stopped pump leads to pulled timing at the highest boost; or infinite.
        standing: By step, whether it was done: True where the rig is the same since.
        name: The rig's file, for commands.
        to_do: Keys that somebody must still decide, the most dangerous first.
    """
    if to_do:
        return NextStep("to_do", _settle(to_do), f"flowdebt check {name}", now_s, now_s)

    @cache
    def then_s(step: str) -> float:
        if step == "fit" and not standing.get("fit"):
            return _stopped_s(_fitted(rig), period_s)
        if step == "rows":
            return _stopped_s(rig, min(period_s, QUICK_S))
        return _stopped_s(_with_line(rig), period_s) if step == "line" else now_s

    step = next(_steps(rig, now_s, then_s, standing), "none")
    words = _in_words(rig, step)
    if standing.get(step) is False:
        words = f"again, as the rig has changed since: {words}"
    if _gain(now_s, then_s(step)) >= SHOWN_S:
        now = f"{now_s:z.2f} s" if now_s < inf else "perhaps never"
        by = " by line pressure" if step == "line" else ""
        words += f": a stopped pump then pulls timing in about {then_s(step):z.2f} s{by}, now {now}"
    return NextStep(step, words, _command(step, name), now_s, then_s(step))


def _settle(to_do: Sequence[str]) -> str:
    more = len(to_do) - _MOST_NAMED
    named = ", ".join(to_do[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
    keys = f"{len(to_do)} keys" if len(to_do) > 1 else "the key"
    order = ", the most dangerous first" if len(to_do) > 1 else ""
    return (
        f"settle {keys} marked TO DO in the rig{order}: {named}. Write in what you know, measured "
        "or out of the tune, and take the mark out"
    )


def _steps(
    rig: Rig, now_s: float, then_s: Callable[[str], float], standing: Mapping[str, bool]
) -> Iterator[str]:
    """Yield the steps that would help, most first; then_s says how soon what each makes it."""
    if now_s >= rig.fault_intervals.tolerant_s:
        quickest = min(("fit", "rows", "line"), key=then_s)
        if _gain(now_s, then_s(quickest)) >= WORTH_S:
            yield quickest
    if witness_column(rig) in (DELIVERED, LINE) and not standing.get("fit"):
        yield "fit"
    to_do = [step for step in ("trip", "dry_limit") if not standing.get(step)]
    if rig.paid.dry_limit_kpa <= rig.command.start_boost_kpa:
        to_do.reverse()  # where no spray is due below it, the trip is tried by it
    yield from to_do
    if _gain(now_s, then_s("line")) >= WORTH_A_SENSOR_S:
        yield "line"
    if not standing.get("jug"):
        yield "jug"


def _in_words(rig: Rig, step: str) -> str:
    dry_kpa, onset_kpa = rig.paid.dry_limit_kpa, rig.command.start_boost_kpa
    match step:
        case "fit":
            return (
                "on a dyno or closed course log healthy pulls in third gear at part boost, "
                f"{pull_from_rpm(rig):z.0f} rpm to the redline, and fit the rig to them"
            )
        case "rows":
            return f"log at least {1.0 / QUICK_S:z.0f} rows a second, and say so in [time] period"
        case "line":
            return "fit a pressure sensor to the spray line, log it and map it as line_kpa"
        case "trip":
            held = f"a boost above {onset_kpa:z.0f} kPa, no more than the trip needs"
            if dry_kpa > onset_kpa:  # near the onset less is due, and found later or not at all
                held = f"{onset_kpa + 0.75 * (dry_kpa - onset_kpa):z.0f} to {dry_kpa:z.0f} kPa"
            return (
                "confirm the trip: take out the timing that spray pays for; on a dyno or closed "
                f"course, another watching the screen, unplug the pump and hold {held}; lift at "
                "any knock. The guard must pull timing"
            )
        case "dry_limit":
            return (
                "find on a dyno, knock watched, the boost the engine holds without spray: boost "
                f"is cut to what the rig says, {dry_kpa:z.0f} kPa"
            )
        case "jug":
            return (
                "measure into a jug what the nozzles give, engine off, no spark near: methanol "
                "burns unseen, and lines are under pressure"
            )
        case _:
            return "nothing is left; confirm the trip again whenever rig or car change"


def _command(step: str, name: str) -> str:
    """Return what to type for a step; empty where nothing is."""
    match step:
        case "fit":
            done = "flowdebt check NEW.toml --done fit --by NAME --log LOG"
            return f"flowdebt fit LOG --rig {name} --to NEW.toml, then {done}"
        case "trip":
            return f"flowdebt check {name} --done trip --by NAME --log LOG"
        case "dry_limit" | "jug":
            return f"flowdebt check {name} --done {step} --by NAME --result WORDS"
        case _:
            return ""


def _stopped_s(rig: Rig, period_s: float) -> float:
    """Return how soon a stopped pump leads to pulled timing, at the highest boost, s."""
    boost_kpa = rig.paid.boost_kpa[-1]
    return handled(rig, boost_kpa, least_due_ml_min(rig, boost_kpa), 1.0, period_s).pull_s


def _gain(now_s: float, then_s: float) -> float:
    return 0.0 if now_s == then_s else now_s - then_s


def _fitted(rig: Rig) -> Rig:
    """Return the rig with delay and lag known as well as after a fit; of a flow sensor alone."""
    if witness_column(rig) != DELIVERED:
        return rig
    sensor = rig.flow_sensor
    return replace(
        rig,
        flow_sensor=replace(
            sensor,
            delay_within_s=min(sensor.delay_within_s, FITTED_DELAY_S),
            lag_within_s=min(sensor.lag_within_s, FITTED_LAG * sensor.lag_s),
        ),
    )


def _with_line(rig: Rig) -> Rig:
    """Return the rig as line pressure alone would judge it; the rig itself where it is mapped."""
    if any(terms.name == _LINE_NAME for terms in rig.channels):
        return rig
    line = CHANNEL_BY_NAME[_LINE_NAME]
    terms = ChannelTerms(_LINE_NAME, line.low, line.high, line.max_age_s)
    others = [one for one in rig.channels if one.name != CHANNEL_NAMES[DELIVERED - 1]]
    return replace(rig, channels=(*others, terms))
