"""What a fit says, in lines for people and as plain JSON types."""

from collections.abc import Callable, Sequence
from math import inf
from typing import Any, Final

from monitor.commission.buys import Buys, FalsePulls
from monitor.commission.fitting import Fitted, Number
from monitor.commission.thresholds import reasons

_FAR: Final = 10.0  # times as many false pulls as wanted is no chance


def in_words(fitted: Fitted) -> list[str]:
    """Return the lines that tell what the logs say of the rig's numbers."""
    found = fitted.identified
    used = sum(not pull.left_out for pull in found.pulls)
    names = ", ".join(log.name for log in fitted.logs[:4]) + ", ..." * (len(fitted.logs) > 4)
    lines = [
        f"{fitted.rig_file.rig.name}, from {names}: {used} of {len(found.pulls)} pulls used",
        *(f"! {sentence}" for sentence in (*found.left_out, *found.doubts)),
    ]
    told = [number for number in fitted.numbers if number.found.value is not None]
    rows = [("number", "rig says", "fit says", "90 % interval", "from"), *map(_row, told)]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines += [
        "  " + "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
    for says in (
        lambda number: number.found.from_.partition("; ")[2],
        lambda number: number.found.why_not,
        lambda n: f"not put in: {n.stays}" if n.stays and n.found.value is not None else "",
    ):
        lines += _grouped(fitted.numbers, says)
    if found.law is not None and found.law.rivals:
        rivals = " or ".join(f'"{kind.name.lower()}"' for kind in found.law.rivals)
        kind = found.law.command.kind.name.lower()
        lines.append(f'  command.kind "{kind}": these logs can\'t tell it from {rivals}')
    return lines


def _grouped(numbers: Sequence[Number], says: Callable[[Number], str]) -> list[str]:
    """Return a line for each thing that is said of some numbers; a whole table by its name."""
    lines = []
    for said in dict.fromkeys(filter(None, map(says, numbers))):
        keys: dict[str, list[str]] = {}
        for number in numbers:
            if says(number) == said:
                keys.setdefault(_table_of(number), []).append(number.found.key.rpartition(".")[2])
        whole = {table: sum(_table_of(n) == table for n in numbers) for table in keys}
        told = [
            f"[{table}]" if len(names) == whole[table] > 1 else f"{table}.{', '.join(names)}"
            for table, names in keys.items()
        ]
        lines.append(f"  {'; '.join(told)}: {said}")
    return lines


def _table_of(number: Number) -> str:
    return number.found.key.rpartition(".")[0]


def _row(number: Number) -> tuple[str, ...]:
    found, unit = number.found, "" if number.unit == "1" else f" {number.unit}"
    between = "-"
    if found.low is not None and found.high is not None:
        between = f"{number.shown(found.low)} to {number.shown(found.high)}{unit}"
    value = "-" if found.value is None else number.shown(found.value) + unit
    rests_on = found.from_.partition("; ")[0]
    return found.key, number.says or "-", value, between, rests_on


def buys_in_words(fitted: Fitted, buys: Buys) -> list[str]:
    """Return the lines that tell what a new rig buys."""
    new = fitted.new or fitted.rig_file
    return [
        f"a pump that stops at {new.rig.paid.boost_kpa[-1]:z.0f} kPa, in 19 of 20 cases: timing is "
        f"pulled within {_s(buys.after.pull_s)} (before: {_s(buys.before.pull_s)}), boost cut "
        f"within {_s(buys.after.cut_s)} ({_s(buys.before.cut_s)})",
        f"false pulls in these logs: {_false(buys.log_after)} (by the rig as it was: "
        f"{buys.log_before.count})",
        *(
            [f"false pulls of a simulated car of the new rig: {_false(buys.car)}"]
            if buys.car.sprayed_s
            else []
        ),
        *(
            [
                "! that is far more than wanted: review healthy logs that were not fitted, too, "
                "before you trust the new rig"
            ]
            if buys.car.count * new.rig.debt.false_pull_every_h > _FAR * buys.car.sprayed_s / 3600.0
            else []
        ),
        *reasons(new.rig, new.time.period_s),
    ]


def _s(seconds: float) -> str:
    return "never" if seconds == inf else f"{seconds:z.2f} s"


def _false(found: FalsePulls) -> str:
    if not found.sprayed_s:
        return "none, but no spray either"
    return (
        f"{found.count} in {found.sprayed_s / 3600.0:z.2g} h of spraying, so at most "
        f"{float(f'{found.at_most_per_100_h:z.2g}'):z.12g} in 100 h (95 % Poisson)"
    )


def as_json(fitted: Fitted, buys: Buys | None) -> dict[str, Any]:
    """Return the same as plain JSON types; a time that is never reached is null."""
    found = fitted.identified
    facts: dict[str, Any] = {
        "rig": fitted.rig_file.rig.name,
        "logs": [{"name": log.name, "sha256": log.sha256} for log in fitted.logs],
        "pulls": len(found.pulls),
        "pulls_left_out": sum(bool(pull.left_out) for pull in found.pulls),
        "left_out": list(found.left_out),
        "doubts": list(found.doubts),
        "numbers": [_number_as_json(number) for number in fitted.numbers],
        "refused": fitted.refused or None,
    }
    if buys is not None and fitted.new is not None:
        facts["pump_stop_s"] = {
            name: {"pull_timing": _or_null(times.pull_s), "cut_boost": _or_null(times.cut_s)}
            for name, times in (("before", buys.before), ("after", buys.after))
        }
        facts["false_pulls"] = {
            name: {
                "count": found.count,
                "sprayed_h": found.sprayed_s / 3600.0,
                "at_most_per_100_h": found.at_most_per_100_h if found.sprayed_s else None,
            }
            for name, found in (
                ("logs_before", buys.log_before),
                ("logs_after", buys.log_after),
                ("simulated", buys.car),
            )
        }
        facts["limits"] = list(reasons(fitted.new.rig, fitted.new.time.period_s))
    return facts


def _or_null(seconds: float) -> float | None:
    return seconds if seconds < inf else None


def _number_as_json(number: Number) -> dict[str, Any]:
    found = number.found
    return {
        "key": found.key,
        "unit": found.unit,
        "rig": number.says or None,
        "value": found.value,
        "low": found.low,
        "high": found.high,
        "from": found.from_ or None,
        "why_not": found.why_not or None,
        "new": number.new,
        "stays": number.stays or None,
    }
