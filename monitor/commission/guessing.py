"""Which column is which channel, in what unit, and how sure that is: by names and by values.

Whatever is called "sure" has a name that means one channel, a unit that somebody wrote (or a name
that has but one), values as that channel has them, and no rival. What a unit would change unseen
(psi for kPa, degF for degC, absolute for gauge) is never more than asked where nobody wrote it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from itertools import pairwise
from typing import Any, Final

import numpy as np

from monitor.commission.columns import Column, Spread, spread_of
from monitor.commission.rig_text import ASKED
from monitor.commission.words import AMBIENT, STRONG, WEAK, Named, fits, read_name
from rules.channels import CHANNEL_BY_NAME
from simulator.rig import quantity_of
from simulator.strict import Mismatch, PlainText, clean

AIR_KPA: Final = 101.3
_SAID: Final = STRONG + 1  # what somebody says of a column, before any name


class Sure(IntEnum):
    """How sure a guess is."""

    ASK = 0
    LIKELY = 1
    SURE = 2

    @property
    def word(self) -> str:
        """As it is told."""
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class Guess:
    """What a column is taken for.

    Attributes:
        header: The column's name in the log.
        channel: The channel; empty where it is none, or not known.
        unit: Its unit, as a rig spells it.
        absolute: For a pressure: whether it counts from vacuum.
        sure: How sure that is.
        why: In a few words; where it is to be asked, what is in doubt.
        spread: Its values; None where it has none.
        asked: What of it is in doubt: "unit", "absolute", "column"; empty where nothing is.
        rivals: Other columns that could as well be this channel.
    """

    header: str
    channel: str
    unit: str
    absolute: bool
    sure: Sure
    why: str
    spread: Spread | None
    asked: str = ""
    rivals: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Reading:
    """A column read as a channel in a unit: how plausible its values are there, 0 to 1."""

    unit: str
    absolute: bool
    fit: float


@dataclass(frozen=True, slots=True)
class _Seen:
    """A column, what its name says, and what its values are."""

    column: Column
    named: Named
    spread: Spread | None


# Units tried where nobody wrote one, the most usual first.
_TRIED: Final[dict[str, tuple[str, ...]]] = {
    "pressure": ("kPa", "psi", "bar", "mbar"),
    "temperature": ("degC", "degF"),
    "flow": ("mL/min", "L/h", "gal/h", "L/min", "mL/s"),
    "volume": ("mL", "L", "gal"),
    "percentage": ("%", "1"),
    "voltage": ("V", "mV"),
    "rotation": ("rpm",),
    "angle": ("deg",),
    "plain": ("1",),
    "knock": ("deg", "V", "count"),
}
# Kinds whose values don't tell their unit: it is asked where nobody wrote it.
_NEEDS_UNIT: Final = frozenset({"pressure", "temperature", "flow", "volume", "knock"})
_GOOD, _POOR = 0.6, 0.25
_LEAST_IDLE_KPA: Final = 8.0  # no engine runs below this, absolute
# Gauge: an idling engine's manifold is below the one, never above the other (common practice).
_IDLES_BELOW_KPA: Final = -15.0
_NO_VACUUM_KPA: Final = 5.0
_IDLES_FOR_S: Final = 1.5
_ALIKE: Final = 0.03  # of its range: so little apart, and two columns say the same


def guess(columns: Sequence[Column], time_s: Any) -> list[Guess]:
    """Return what each column is taken for, in their order.

    Args:
        columns: All columns but the time, as the log has them.
        time_s: (n,) times, s, rising.
    """
    seen = [_Seen(c, read_name(c.header, c.unit_word), spread_of(c, time_s)) for c in columns]
    options = {
        (at, channel): _readings(one, channel)
        for at, one in enumerate(seen)
        if one.spread is not None and not one.named.other and can_be_named(one.column.header)
        for channel in one.named.roles
    }
    chosen = _matched(seen, options)
    low_load = _low_load({chosen[at]: seen[at].column.values for at in chosen}, time_s)
    found = []
    for at, one in enumerate(seen):
        channel = chosen.get(at, "")
        if channel:
            rivals = _rivals(at, channel, seen, options, chosen)
            found.append(_judged(one, channel, options[at, channel], low_load, rivals))
        else:
            found.append(_left_out(at, one, seen, options, chosen))
    return found


def assigned(
    columns: Sequence[Column], time_s: Any, guesses: Sequence[Guess], header: str, channel: str
) -> list[Guess]:
    """Return the guesses with a column that somebody says is a channel; its unit may stay in doubt.

    Args:
        columns: As ``guess`` takes them.
        time_s: As ``guess`` takes them.
        guesses: What they were taken for.
        header: The column's name, one of theirs.
        channel: What it is.
    """
    found = []
    for column, guess_ in zip(columns, guesses, strict=True):
        if column.header != header:
            taken = guess_.channel == channel
            found.append(replace(guess_, channel="", why="said to be none") if taken else guess_)
            continue
        named = read_name(header, column.unit_word)
        named = named._replace(roles={channel: _SAID}, other="")
        one = _Seen(column, named, spread_of(column, time_s))
        readings = _readings(one, channel)
        if not readings:
            kind = quantity_of(CHANNEL_BY_NAME[channel])
            named = named._replace(unit="")
            one = _Seen(column, named, one.spread)
            readings = _readings(one, channel) or [_Reading(kind.UNIT, False, 0.0)]
        found.append(_judged(one, channel, readings, True, ()))
    return found


def other_unit(column: Column, channel: str) -> str:
    """Return the unit that a column states where no such channel has it; else empty."""
    unit = read_name(column.header, column.unit_word).unit
    return "" if fits(unit, quantity_of(CHANNEL_BY_NAME[channel]).KIND) else unit


def can_be(column: Column, channel: str, time_s: Any) -> bool:
    """Whether a column whose name says nothing else could be a channel by its unit and values."""
    one = _Seen(column, read_name(column.header, column.unit_word), spread_of(column, time_s))
    if one.named.other or not can_be_named(column.header):
        return False
    readings = _readings(one, channel)
    return bool(readings) and _best(readings).fit >= _GOOD


def beyond(one: Guess) -> str:
    """Return what a column would read that its channel can't; empty where it can."""
    if one.spread is None:
        return ""
    known = CHANNEL_BY_NAME[one.channel]
    low, high = (float(in_base(one, end)) for end in (one.spread.usual[0], one.spread.usual[-1]))
    if known.low <= low and high <= known.high:
        return ""
    return (
        f"would read {low:z.4g} to {high:z.4g} {known.unit}, expected {known.low:zg} to "
        f"{known.high:zg} {known.unit}: another unit?"
    )


def no_vacuum(one: Guess, columns: Sequence[Column], time_s: Any, guesses: Sequence[Guess]) -> str:
    """Return what speaks against a manifold's pressure in gauge; empty where nothing does.

    Args:
        one: The guess, as somebody answered it.
        columns: As ``guess`` takes them.
        time_s: As ``guess`` takes them.
        guesses: What they were taken for.
    """
    if one.channel != "boost_kpa" or one.absolute or one.spread is None:
        return ""
    least_kpa = float(in_base(one, one.spread.low))
    channels = {g.channel: c.values for c, g in zip(columns, guesses, strict=True)}
    if least_kpa <= _NO_VACUUM_KPA or not _low_load(channels, time_s):
        return ""
    return (
        f"a closed throttle reads {one.spread.low:z.4g} {one.unit}, never below nought: absolute?"
    )


def can_be_named(header: str) -> bool:
    """Whether a rig can hold a column's name."""
    try:
        PlainText.from_toml(header)
    except Mismatch:
        return False
    return True


def in_base(guess_: Guess, values: Any, ambient_kpa: float = AIR_KPA) -> Any:
    """Return a column's values in its channel's own unit, a pressure in gauge."""
    factor, offset = quantity_of(CHANNEL_BY_NAME[guess_.channel]).linear(guess_.unit)
    return values * factor + offset - (ambient_kpa if guess_.absolute else 0.0)


def ambient_of(columns: Sequence[Column]) -> tuple[float, str] | None:
    """Return the pressure of the air outside as a column has it, kPa, and that column's name."""
    for column in columns:
        named = read_name(column.header, column.unit_word)
        if named.other == AMBIENT and fits(named.unit, "pressure"):
            kind = quantity_of(CHANNEL_BY_NAME["boost_kpa"])
            factor, _ = kind.linear(named.unit)
            kpa = float(np.nanmedian(column.values)) * factor
            if 50.0 <= kpa <= 110.0:
                return kpa, column.header
    return None


def _readings(one: _Seen, channel: str) -> list[_Reading]:
    """Return how a column can be read as a channel, the most plausible first."""
    kind = quantity_of(CHANNEL_BY_NAME[channel])
    spread, named = one.spread, one.named
    if spread is None:
        return []
    if named.unit and not fits(named.unit, kind.KIND):
        return []
    units = list(_TRIED[kind.KIND])
    if named.unit:
        units = [named.unit] + [unit for unit in units if not _same(kind, unit, named.unit)]
    found = []
    for unit in units:
        factor, offset = kind.linear(unit)
        for absolute in (False, True) if kind.KIND == "pressure" else (False,):
            shift = offset - (AIR_KPA if absolute else 0.0)
            low, *usual, high = (
                q * factor + shift for q in (spread.low, *spread.usual, spread.high)
            )
            fit = _plausible(channel, low, usual, high, absolute)
            if named.absolute is not None and absolute != named.absolute:
                fit *= 0.5
            found.append(_Reading(unit, absolute, fit))
    stated = [one for one in found if one.unit == named.unit]
    rest = sorted((one for one in found if one.unit != named.unit), key=lambda one: -one.fit)
    return sorted(stated, key=lambda one: -one.fit) + rest


def _same(kind: Any, one: str, other: str) -> bool:
    a, b = kind.linear(one), kind.linear(other)
    return bool(np.allclose(a, b, rtol=1e-9))


def _plausible(
    channel: str, low: float, usual: Sequence[float], high: float, absolute: bool
) -> float:
    """Return how plausible a channel's values are, 0 (can't be) to 1; common practice, no source.

    Args:
        channel: The channel.
        low: The smallest value, in the channel's own unit (gauge).
        usual: 2, 25, 50, 75, 98 % of the values lie below these.
        high: The largest.
        absolute: Whether a pressure was taken to count from vacuum.
    """
    p2, _, middle, _, p98 = usual
    known = CHANNEL_BY_NAME[channel]
    if p2 < known.low or p98 > known.high:
        return 0.0
    match channel:
        case "engine_speed_rpm":
            return 1.0 if 1200.0 <= high <= 12000.0 and low >= 0.0 else 0.0
        case "boost_kpa":
            if absolute and low < _LEAST_IDLE_KPA - AIR_KPA:
                return 0.0
            vacuum = 1.0 if low <= -20.0 else 0.6 if low <= 2.0 else 0.2
            return vacuum * (1.0 if -12.0 <= high <= 350.0 else 0.2)
        case "intake_c" | "dry_intake_c":
            return (1.0 if 5.0 <= middle <= 75.0 else 0.4) * (1.0 if low <= 55.0 else 0.3)
        case "injector_duty_pct" | "throttle_pct" | "command_pct":
            return 1.0 if high > 3.0 else 0.3
        case "commanded_ml_min" | "delivered_ml_min":
            return 1.0 if 60.0 <= high <= 4000.0 else 0.3
        case "lambda_ratio":
            return 1.0 if 0.6 <= middle <= 1.6 else 0.0
        case "line_kpa":
            return 1.0 if 150.0 <= high <= 2500.0 else 0.2
        case "supply_v":
            return 1.0 if 6.0 <= p98 <= 30.0 else 0.0
        case "tank_switch":
            return 1.0 if {low, high} <= {0.0, 1.0} else 0.0
        case "tank_ml":
            return 1.0 if high >= 300.0 else 0.2
        case "timing_deg":
            return 1.0 if high > 5.0 else 0.5
        case _:
            return 1.0


def _matched(
    seen: Sequence[_Seen], options: Mapping[tuple[int, str], list[_Reading]]
) -> dict[int, str]:
    """Return which column is which channel: the best pair first, each column and channel once."""

    def worth(pair: tuple[int, str]) -> float:
        at, channel = pair
        named = seen[at].named
        stated = 0.5 if named.unit else 0.0
        return named.roles[channel] + stated + options[pair][0].fit - 1e-6 * at

    chosen: dict[int, str] = {}
    pairs = [pair for pair, readings in options.items() if readings and _best(readings).fit > 0.0]
    for at, channel in sorted(pairs, key=lambda pair: -worth(pair)):
        if at not in chosen and channel not in chosen.values():
            chosen[at] = channel
    return chosen


def _best(readings: Sequence[_Reading]) -> _Reading:
    return max(readings, key=lambda one: one.fit)


def _rivals(
    at: int,
    channel: str,
    seen: Sequence[_Seen],
    options: Mapping[tuple[int, str], list[_Reading]],
    chosen: Mapping[int, str],
) -> list[str]:
    """Return other columns that could as well be this channel, and don't read the same."""
    weight = seen[at].named.roles[channel]
    rivals = []
    for other, one in enumerate(seen):
        if other == at or other in chosen or one.named.roles.get(channel, 0) < weight:
            continue
        readings = options.get((other, channel), [])
        if not readings or _best(readings).fit < _POOR:
            continue
        if not _alike(channel, (seen[at], options[at, channel]), (one, readings)):
            rivals.append(one.column.header)
    return rivals


def _alike(channel: str, *both: tuple[_Seen, Sequence[_Reading]]) -> bool:
    """Whether two columns say the same, each in its own unit."""
    read = []
    for one, readings in both:
        best = _best(readings)
        made = Guess("", channel, best.unit, best.absolute, Sure.ASK, "", None)
        read.append(in_base(made, one.column.values))
    there = np.isfinite(read[0]) & np.isfinite(read[1])
    if not there.any():
        return False
    a, b = read[0][there], read[1][there]
    return bool(np.quantile(np.abs(a - b), 0.95) < _ALIKE * max(np.ptp(a), 1e-9))


def _low_load(channels: Mapping[str, Any], time_s: Any) -> bool:
    """Whether the engine idles or rolls for a while, so that its manifold was below the air."""
    for channel, values in channels.items():
        most = float(np.nanmax(values))
        match channel:
            case "throttle_pct":
                low = values < 0.3 * most
            case "injector_duty_pct":
                low = values < 0.2 * most
            case "engine_speed_rpm":
                low = (values > 300.0) & (values < 1300.0)
            case _:
                continue
        if _longest_s(low, time_s) > _IDLES_FOR_S:
            return True
    return False


def _longest_s(there: Any, time_s: Any) -> float:
    """Return how long something holds at most, s; a gap ends it."""
    ends = np.flatnonzero(np.diff(there.astype(int), prepend=0, append=0) | _gaps(time_s))
    runs = [time_s[b - 1] - time_s[a] for a, b in pairwise(ends) if there[a]]
    return float(max(runs, default=0.0))


def _gaps(time_s: Any) -> Any:
    """Return before which rows, and behind the last, rows are missing: 1 there, else 0."""
    steps = np.diff(time_s)
    usual_s = np.median(steps) if len(steps) else 0.0
    return np.concatenate(([0], (steps > 5.0 * usual_s).astype(int), [0]))


def _judged(
    one: _Seen, channel: str, readings: Sequence[_Reading], low_load: bool, rivals: Sequence[str]
) -> Guess:
    """Return the guess for a column that is taken for a channel."""
    named, kind = one.named, quantity_of(CHANNEL_BY_NAME[channel]).KIND
    if channel == "boost_kpa":
        return _with_rivals(_judged_boost(one, readings, low_load), rivals)
    first, best = readings[0], _best(readings)
    weight = named.roles[channel]
    made = Guess(
        header=one.column.header,
        channel=channel,
        unit=best.unit,
        absolute=bool(named.absolute) if kind == "pressure" else False,
        sure=Sure.SURE,
        why=_by_name(weight),
        spread=one.spread,
    )
    if named.unit and first.fit < _GOOD:
        if best.fit > first.fit + 0.2:
            return _doubted(made, "unit", f"says {named.unit}, but reads like {best.unit}")
        made = replace(made, unit=first.unit, sure=Sure.LIKELY, why=f"odd values for {named.unit}")
    elif named.unit:
        made = replace(made, unit=named.unit, why=f"{made.why}, unit written")
    elif kind == "knock" and any(word in named.bare for word in ("ret", "back", "kr", "deg")):
        made = replace(made, unit="deg", sure=Sure.LIKELY, why="by name, retard is in degrees")
    elif kind in _NEEDS_UNIT:
        return _doubted(made, "unit", f"{best.unit}? no unit written")
    elif channel not in {"engine_speed_rpm", "lambda_ratio", "tank_switch"}:
        made = replace(made, sure=Sure.LIKELY, why=f"{made.why}, unit by its values")
    if kind == "pressure" and named.absolute is None:
        made = replace(made, sure=min(made.sure, Sure.LIKELY), why=f"{made.why}; gauge?")
    if weight == WEAK:
        made = _doubted(made, "column", f'"{clean(one.column.header, 24)}" may mean several things')
    elif weight < STRONG:
        made = replace(made, sure=min(made.sure, Sure.LIKELY))
    if one.spread is not None and not one.spread.moves and made.sure is Sure.SURE:
        made = replace(made, sure=Sure.LIKELY, why=f"{made.why}, but it never moves")
    return _with_rivals(made, rivals)


def _judged_boost(one: _Seen, readings: Sequence[_Reading], low_load: bool) -> Guess:
    """Return the guess for the manifold's pressure, whose zero must be known besides its unit."""
    named, best = one.named, _best(readings)
    stated = [reading for reading in readings if reading.unit == named.unit]
    unit = named.unit or best.unit
    by_unit = stated or [reading for reading in readings if reading.unit == best.unit]
    made = Guess(
        header=one.column.header,
        channel="boost_kpa",
        unit=unit,
        absolute=best.absolute,
        sure=Sure.SURE,
        why=_by_name(named.roles["boost_kpa"]),
        spread=one.spread,
    )
    if stated and _best(stated).fit < _GOOD and best.fit > _best(stated).fit + 0.2:
        why = f"says {named.unit}, but reads like {_zero(best.absolute)} {best.unit}"
        return _doubted(replace(made, unit=best.unit), "unit", why)
    absolute = next(reading for reading in by_unit if reading.absolute)
    gauge = next(reading for reading in by_unit if not reading.absolute)
    factor, _ = quantity_of(CHANNEL_BY_NAME["boost_kpa"]).linear(unit)
    hint = named.absolute
    if hint is None and "map" in named.bare.split():
        hint = True
    elif hint is None and "boost" in named.bare.split():
        hint = False
    low = one.spread.low if one.spread is not None else 0.0
    if low < 0.0:
        zero, why = False, f"falls to {low:z.4g}, which no absolute pressure does"
    elif absolute.fit == 0.0:
        zero, why = False, f"falls to {low:z.4g}, where no engine runs in absolute pressure"
    elif low_load and low * factor > _NO_VACUUM_KPA:
        zero, why = True, f"never below {low:z.4g}, idling too"
    else:
        zero, why = absolute.fit > gauge.fit if hint is None else hint, ""
    made = replace(made, absolute=zero)
    if not named.unit:
        said = f"{unit} {_zero(zero)}? no unit written"
        return _doubted(made, "unit", said)
    if hint is not None and hint is not zero:
        said = f"called {_zero(hint)}, but {why}"
        return _doubted(made, "absolute", said)
    if not why:
        return _doubted(made, "absolute", f"gauge or absolute? {_zero(zero)} would be plausible")
    least_kpa = low * factor - (AIR_KPA if zero else 0.0)
    if least_kpa > _IDLES_BELOW_KPA and low_load:
        said = f"idles at {low:z.4g} {unit} {_zero(zero)}, which is hardly a vacuum"
        return _doubted(made, "unit", said)
    known = hint is zero and named.roles["boost_kpa"] >= STRONG and least_kpa <= _IDLES_BELOW_KPA
    sure = Sure.SURE if known else Sure.LIKELY
    return replace(made, sure=sure, why=f"{made.why}; {_zero(zero)}: {why}")


def _zero(absolute: bool) -> str:
    return "absolute" if absolute else "gauge"


def _by_name(weight: int) -> str:
    return {_SAID: ASKED, STRONG: "by name"}.get(weight, "its name fits")


def _doubted(made: Guess, what: str, why: str) -> Guess:
    return replace(made, sure=Sure.ASK, asked=what, why=why)


def _with_rivals(made: Guess, rivals: Sequence[str]) -> Guess:
    if not rivals:
        return made
    made = replace(made, rivals=tuple(rivals))
    return _doubted(made, "column", f'"{clean(rivals[0], 24)}" could be it as well')


def _left_out(
    at: int,
    one: _Seen,
    seen: Sequence[_Seen],
    options: Mapping[tuple[int, str], list[_Reading]],
    chosen: Mapping[int, str],
) -> Guess:
    """Return the guess for a column that is no channel, and why."""
    named, why = one.named, "no name flowdebt knows"
    if one.spread is None:
        why = "holds no numbers"
    elif not can_be_named(one.column.header):
        why = "a rig can't name it: too long, or with signs that don't print"
    elif named.other:
        why = f"{named.other}: no channel of flowdebt"
    elif named.roles:
        channel = max(named.roles, key=lambda role: named.roles[role])
        label = CHANNEL_BY_NAME[channel].label
        taken = [other for other, role in chosen.items() if role == channel]
        why = f"{label}? its values, or its unit, are none of that"
        if (at, channel) in options and taken and options[at, channel]:
            why = f'{label} is "{clean(seen[taken[0]].column.header, 24)}" already'
    return Guess(one.column.header, "", named.unit, False, Sure.ASK, why, one.spread)
