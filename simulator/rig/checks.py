"""What no single key shows: values of a rig that contradict each other."""

from collections.abc import Sequence
from typing import Final

from simulator.rig.tables import ByBoost, ByDuty, ByMap, RigTables
from simulator.strict import Document, KeyPath, Quantity

LEAST_RUN_DOWN_S: Final = 0.05  # the plant's own step is too long for a stiffer line


def check_rig(document: Document, tables: RigTables) -> None:
    """Check a rig's values against each other.

    Raises:
        BadInput: For the first contradiction, with the key to change.
    """
    _speeds(document, tables)
    _command(document, tables)
    _paid(document, tables)
    _debt(document, tables)
    _release(document, tables)
    _pump(document, tables)
    _limits(document, tables)
    _gears(document, tables)


def _speeds(document: Document, tables: RigTables) -> None:
    from_rpm = tables.engine.full_boost_from
    if from_rpm is not None and from_rpm >= tables.engine.redline:
        raise document.wrong(("engine", "full_boost_from"), "less than redline")


def _gears(document: Document, tables: RigTables) -> None:
    gears = tables.vehicle.gears
    for index in range(1, len(gears)):
        if gears[index] >= gears[index - 1]:
            below = f"{gears[index - 1]:zg}"
            raise document.wrong(("vehicle", "gears", index), f"falling ratios, here below {below}")


def _ascending(document: Document, path: KeyPath, values: Sequence[Quantity]) -> None:
    for index in range(1, len(values)):
        if values[index] <= values[index - 1]:
            before = f"{float(values[index - 1]):zg} {values[index].UNIT}"
            raise document.wrong((*path, index), f"ascending values, here more than {before}")


def _command(document: Document, tables: RigTables) -> None:
    match tables.command:
        case ByBoost() as command if command.full_boost <= command.start_boost:
            raise document.wrong(("command", "full_boost"), "more than start_boost")
        case ByDuty() as command if command.full_duty <= command.start_duty:
            raise document.wrong(("command", "full_duty"), "more than start_duty")
        case ByMap() as command:
            _ascending(document, ("command", "map_boost"), command.map_boost)
            _ascending(document, ("command", "map_duty"), command.map_duty)
            rows, width = len(command.map_boost), len(command.map_duty)
            path: KeyPath = ("command", "map_pct")
            if len(command.map_pct) != rows:
                raise document.wrong(path, f"a list of {rows}, one row for each map_boost")
            for index, row in enumerate(command.map_pct):
                if len(row) != width:
                    raise document.wrong(
                        (*path, index), f"a list of {width}, one number for each map_duty"
                    )
        case _:
            pass


def _paid(document: Document, tables: RigTables) -> None:
    paid = tables.paid
    _ascending(document, ("paid", "boost"), paid.boost)
    if len(paid.timing) != len(paid.boost):
        raise document.wrong(("paid", "timing"), f"a list of {len(paid.boost)}, one for each boost")
    if paid.dry_limit >= paid.boost[-1]:
        raise document.wrong(
            ("paid", "dry_limit"),
            f"less than the highest paid boost, {float(paid.boost[-1]):zg} kPa "
            "(else the spray paid for nothing)",
        )
    if paid.dry_limit <= 0.0 < tables.command.start_boost:
        raise document.wrong(
            ("paid", "dry_limit"),
            "more than 0 kPa (an engine that is sprayed only under boost holds some without)",
        )


def _debt(document: Document, tables: RigTables) -> None:
    debt = tables.debt
    if debt.warn <= 0.0:
        raise document.wrong(("debt", "warn"), "more than 0 mL")
    order = f"warn <= pull <= cut (now {debt.warn:zg}, {debt.pull:zg}, {debt.cut:zg} mL)"
    for name, low, high in (("pull", debt.warn, debt.pull), ("cut", debt.pull, debt.cut)):
        if low > high:
            given = document.raw(("debt", name)) is not None
            raise document.wrong(("debt", name), order, None if given else "its default")


def _release(document: Document, tables: RigTables) -> None:
    release, start = tables.ladder.release_below, tables.command.start_boost
    path: KeyPath = ("ladder", "release_below")
    # An unboosted engine sprays below 0 kPa gauge and releases lower still.
    if release <= 0.0 < start:
        raise document.wrong(path, "more than 0 kPa (else an action might never be released)")
    if release > start:
        raise document.wrong(
            path,
            f"at most command.start_boost, {float(start):zg} kPa "
            "(else an action is released while spray still matters)",
            None if document.raw(path) is not None else f"its default {float(release):zg} kPa",
        )


def _pump(document: Document, tables: RigTables) -> None:
    spray = tables.spray
    pump = spray.pump
    if pump.regulated is not None and pump.shut_off < pump.regulated:
        raise document.wrong(
            ("spray", "pump", "shut_off"),
            f"at least regulated, {float(pump.regulated):zg} kPa (else it is never reached)",
        )
    if pump.run_down < LEAST_RUN_DOWN_S:
        raise document.wrong(
            ("spray", "pump", "run_down"),
            f"at least {1e3 * LEAST_RUN_DOWN_S:zg} ms (no hose is stiffer)",
        )
    key = "shut_off"
    pressure = float(pump.shut_off)
    if pump.regulated is not None and pump.regulated < pump.shut_off:
        key, pressure = "regulated", float(pump.regulated)
    against = float(tables.paid.boost[-1]) + float(spray.check_valve)
    if pressure <= against:
        raise document.wrong(
            ("spray", "pump", key),
            f"more than {against:zg} kPa, the highest paid boost and the check valve together",
        )


def _limits(document: Document, tables: RigTables) -> None:
    for name in ("injector_duty_pct", "intake_c", "knock"):
        if getattr(tables.limits, name) is not None and getattr(tables.channels, name) is None:
            raise document.wrong(
                ("limits", name),
                f"channels.{name} too (else this limit never acts)",
                "a limit alone",
            )
    limit, channel = tables.limits.knock, tables.channels.knock
    if limit is not None and channel is not None:
        unit = str(channel.unit or "deg")
        if limit.above.given_unit != unit:
            raise document.wrong(
                ("limits", "knock", "above"), f'the unit of channels.knock, "{unit}"'
            )
