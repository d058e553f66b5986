"""Pulls as a table for people: one line each, as many columns as there is room for."""

from collections.abc import Callable, Iterator, Sequence
from math import isfinite
from typing import Final, NamedTuple

from monitor.recorder.span import counted
from monitor.review.pull_account import PullAccount
from monitor.words.times import moment
from monitor.words.units import Units
from rules.channels import DELIVERED, INTAKE
from rules.facts import Action
from rules.findings import label_of

MOST_LINES: Final = 40
ROOM: Final = 80
_INDENT: Final = "  "
# Of the channels that have a limit.
_UNITS: Final = {"boost_kpa": "kPa", "intake_c": "°C", "knock": "", "injector_duty_pct": "%"}


class Column(NamedTuple):
    """One of a table's columns.

    Attributes:
        head: Its name.
        unit: What stands under it.
        cell: A pull in it; empty where nothing is known.
        last: The higher, the sooner it is left out where there is no room.
        name: In a file with room for it, unit included.
    """

    head: str
    unit: str
    cell: Callable[[PullAccount], str]
    last: int
    name: str


def columns(units: Units, from_s: float, witness: int) -> list[Column]:
    """Return all columns there are.

    Args:
        units: Of the figures.
        from_s: When the log starts.
        witness: The channel that feels the spray: what is short is so by it.
    """

    def volume(ml: Callable[[PullAccount], float]) -> Callable[[PullAccount], str]:
        return lambda one: units.figure(ml(one), "mL", 1)

    def peak(name: str, decimals: int) -> Callable[[PullAccount], str]:
        def cell(one: PullAccount) -> str:
            found = one.peaks.get(name)
            return "" if found is None else units.figure(found.value, _UNITS[name], decimals)

        return cell

    mixed, hot, pressure = units.unit("mL"), units.unit("°C"), units.unit("kPa")
    short_by = units.unit("K") if witness == INTAKE else "%"
    by_flow = witness == DELIVERED
    return [
        Column("at", "", lambda one: moment(one.pull.start_s, from_s)[:-1], 0, "at"),
        Column("for", "s", lambda one: f"{one.pull.length_s:z.1f}", 3, "for, s"),
        Column("gear", "", lambda one: str(one.pull.gear.number or ""), 1, "gear"),
        Column("rpm", "1000", _speeds, 2, "engine speed, 1000 rpm"),
        Column("asked", mixed, volume(lambda p: p.spray.commanded_ml), 0, f"commanded, {mixed}"),
        Column("due", mixed, volume(lambda p: p.spray.expected_ml), 4, f"expected, {mixed}"),
        Column(
            "came",
            mixed,
            volume(lambda p: p.spray.delivered_ml) if by_flow else lambda _: "",
            0,
            f"delivered, {mixed}",
        ),
        Column(
            "short",
            short_by,
            lambda one: _short(one, units),
            0,
            f"worst shortfall, {short_by}",
        ),
        Column(
            "evid", "%", lambda one: _share(one.spray.evidence.share), 0, "evidence, % of limit"
        ),
        Column("debt", "%", lambda one: _share(one.spray.debt_ml.share), 0, "debt, % of limit"),
        Column("boost", pressure, peak("boost_kpa", 0), 1, f"peak boost, {pressure}"),
        Column("air", hot, peak("intake_c", 0), 1, f"peak intake, {hot}"),
        Column("knock", "", peak("knock", 1), 5, "peak knock"),
        Column("duty", "%", peak("injector_duty_pct", 0), 6, "peak duty, %"),
    ]


def table(
    pulls: Sequence[PullAccount], units: Units, from_s: float, *, room: int = ROOM
) -> Iterator[str]:
    """Yield pulls as lines, and a word on the worst; nothing where there are none.

    Args:
        pulls: In order.
        units: Of the figures.
        from_s: When the log starts.
        room: Cells in a line.
    """
    if not pulls:
        return
    ranked = worst_first(pulls)
    told = counted(len(pulls), "pull") + " at full throttle"
    if len(pulls) > MOST_LINES:
        told += f", the {MOST_LINES} worst of them here (--json and --report have all)"
        kept = {id(one) for one in ranked[:MOST_LINES]}
        pulls = [one for one in pulls if id(one) in kept]
    yield (
        f"{_INDENT}{told}; spray asked for, due by the rig, and come; short in its worst half "
        "second; evidence and debt to their limits"
    )
    every = columns(units, from_s, pulls[0].spray.witness)
    cells = {column: [column.cell(one) for one in pulls] for column in every}
    shown = [column for column in every if any(cells[column])]
    widths = {c: max(len(c.head), len(c.unit), *(len(cell) for cell in cells[c])) for c in shown}
    while sum(widths[c] + 1 for c in shown) + 1 > room and (c := max(shown, key=_left_out)).last:
        shown.remove(c)
    heads = [[c.head for c in shown], [c.unit for c in shown]]
    rows = [[cells[c][i] or "-" for c in shown] for i in range(len(pulls))]
    for row in heads + rows:
        line = " ".join(cell.rjust(widths[c]) for cell, c in zip(row, shown, strict=True))
        yield f"{_INDENT}{line}".rstrip()
    yield f"{_INDENT}{_worst(ranked[0], from_s)}"
    whys = {one.pull.gear.why for one in pulls}
    if not any(cells[every[2]]) and len(whys) == 1:
        yield f"{_INDENT}gears are not told: {whys.pop()}"
    if unsure := [one for one in pulls if one.judged < 1.0]:
        when = ", ".join(moment(one.pull.start_s, from_s)[:-1] for one in unsure[:5])
        more = f" and {len(unsure) - 5} more" if len(unsure) > 5 else ""
        yield f"{_INDENT}not all of it could be judged in the pulls at {when}{more}"


def worst_first(pulls: Sequence[PullAccount]) -> list[PullAccount]:
    """Return pulls in order: the worst action first, and of one action the first pull.

    What came first is nearer to the cause. Where nothing was done, the nearest to a limit leads.
    """

    def order(one: PullAccount) -> tuple[float, float]:
        acted = one.action > Action.NO_ACTION
        return -one.action, one.first_clock_s if acted else -one.nearest()[1].share

    return sorted(pulls, key=order)


def _worst(one: PullAccount, from_s: float) -> str:
    """Say which pull was worst, and in what."""
    at = moment(one.pull.start_s, from_s)[:-1]
    if one.action > Action.NO_ACTION:
        found = ", ".join(map(label_of, one.findings))
        return f"worst: the pull at {at}, {one.action.word.replace('_', ' ')} ({found})"
    return f"nearest to a limit: the pull at {at}, {how_near(one)}"


def how_near(one: PullAccount) -> str:
    """Say how near a pull came to the limit it came nearest to."""
    name, peak = one.nearest()
    return f"{name} {100.0 * peak.share:z.0f} % of its limit"


def _left_out(column: Column) -> int:
    return column.last


def _share(share: float) -> str:
    return f"{100.0 * share:z.0f}"


def _speeds(one: PullAccount) -> str:
    low, high = one.pull.low_rpm, one.pull.high_rpm
    return f"{low / 1000.0:z.1f}-{high / 1000.0:z.1f}" if isfinite(high) else ""


def _short(one: PullAccount, units: Units) -> str:
    worst = one.spray.worst
    if worst is None:
        return ""
    off = one.spray.off(worst)
    return units.figure(off, "K", 1) if one.spray.witness == INTAKE else f"{100.0 * off:z.0f}"
