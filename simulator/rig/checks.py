"""What no single key shows: values of a rig that contradict each other."""

from collections.abc import Sequence
from math import inf
from typing import Final

from rules.facts import Charger, CommandKind, Rig
from simulator.strict import Document, KeyPath, Knock

LEAST_RUN_DOWN_S: Final = 0.05  # the plant's own step is too long for a stiffer line


def check_rig(document: Document, rig: Rig) -> None:
    """Check a rig's values against each other.

    Raises:
        BadInput: For the first contradiction, with the key to change.
    """
    _speeds(document, rig)
    _command(document, rig)
    _paid(document, rig)
    _unboosted(document, rig)
    _sensors(document, rig)
    _charge(document, rig)
    _release(document, rig)
    _pump(document, rig)
    _limits(document)
    _gears(document, rig)


def _speeds(document: Document, rig: Rig) -> None:
    from_rpm = rig.engine.full_boost_from_rpm
    if from_rpm is not None and from_rpm >= rig.engine.redline_rpm:
        raise document.wrong(("engine", "full_boost_from"), "less than redline")


def _gears(document: Document, rig: Rig) -> None:
    gears = rig.vehicle.gears
    for index in range(1, len(gears)):
        if gears[index] >= gears[index - 1]:
            below = f"{gears[index - 1]:zg}"
            raise document.wrong(("vehicle", "gears", index), f"falling ratios, here below {below}")


def _ascending(document: Document, path: KeyPath, values: Sequence[float], unit: str) -> None:
    for index in range(1, len(values)):
        if values[index] <= values[index - 1]:
            before = f"{values[index - 1]:zg} {unit}"
            raise document.wrong((*path, index), f"ascending values, here more than {before}")


def _command(document: Document, rig: Rig) -> None:
    command = rig.command
    if command.full_boost_kpa <= command.start_boost_kpa:
        raise document.wrong(("command", "full_boost"), "more than start_boost")
    if command.full_duty_pct <= command.start_duty_pct:
        raise document.wrong(("command", "full_duty"), "more than start_duty")
    if command.kind is CommandKind.MAP:
        _ascending(document, ("command", "map_boost"), command.map_boost_kpa, "kPa")
        _ascending(document, ("command", "map_duty"), command.map_duty_pct, "%")
        rows, width = len(command.map_boost_kpa), len(command.map_duty_pct)
        path: KeyPath = ("command", "map_pct")
        if len(command.map_pct) != rows:
            raise document.wrong(path, f"a list of {rows}, one row for each map_boost")
        for index, row in enumerate(command.map_pct):
            if len(row) != width:
                raise document.wrong(
                    (*path, index), f"a list of {width}, one number for each map_duty"
                )


def _paid(document: Document, rig: Rig) -> None:
    paid = rig.paid
    _ascending(document, ("paid", "boost"), paid.boost_kpa, "kPa")
    if len(paid.timing_deg) != len(paid.boost_kpa):
        raise document.wrong(
            ("paid", "timing"), f"a list of {len(paid.boost_kpa)}, one for each boost"
        )
    if paid.dry_limit_kpa >= paid.boost_kpa[-1]:
        raise document.wrong(
            ("paid", "dry_limit"),
            f"less than the highest paid boost, {paid.boost_kpa[-1]:zg} kPa "
            "(else the spray paid for nothing)",
        )
    if paid.dry_limit_kpa <= 0.0 < rig.command.start_boost_kpa:
        raise document.wrong(
            ("paid", "dry_limit"),
            "more than 0 kPa (an engine that is sprayed only under boost holds some without)",
        )


def _unboosted(document: Document, rig: Rig) -> None:
    if rig.engine.charger is not Charger.NONE:
        return
    why = "(engine.charger is none, so the manifold is never above the air outside)"
    if rig.command.start_boost_kpa >= 0.0:
        raise document.wrong(("command", "start_boost"), f"less than 0 kPa {why}")
    if rig.paid.boost_kpa[-1] > 0.0:
        at: KeyPath = ("paid", "boost", len(rig.paid.boost_kpa) - 1)
        raise document.wrong(at, f"at most 0 kPa {why}")


def _sensors(document: Document, rig: Rig) -> None:
    flow, charge = rig.flow_sensor, rig.charge_sensor
    for table, name, value_s, within_s in (
        ("flow_sensor", "transport_delay", flow.delay_s, flow.delay_within_s),
        ("flow_sensor", "lag", flow.lag_s, flow.lag_within_s),
        ("charge_sensor", "lag", charge.lag_s, charge.lag_within_s),
    ):
        if within_s > value_s or within_s == value_s > 0.0:
            path: KeyPath = (table, f"{name}_within")
            given = document.raw(path) is not None
            raise document.wrong(
                path,
                f"less than {name}, {1e3 * value_s:zg} ms",
                None if given else f"its default {1e3 * within_s:zg} ms",
            )


def _charge(document: Document, rig: Rig) -> None:
    others = ("delivered_ml_min", "line_kpa", "dry_intake_c")
    alone = all(document.raw(("channels", name)) is None for name in others)
    if alone and rig.charge_sensor.rise_k == 0.0:
        raise document.wrong(
            ("charge_sensor", "rise_k"),
            "one, or channels.dry_intake_c, since else nothing tells whether spray arrives",
            "none",
        )


def _release(document: Document, rig: Rig) -> None:
    release, start = rig.ladder.release_below_kpa, rig.command.start_boost_kpa
    path: KeyPath = ("ladder", "release_below")
    # An unboosted engine sprays below 0 kPa gauge and releases lower still.
    if release <= 0.0 < start:
        raise document.wrong(path, "more than 0 kPa (else an action might never be released)")
    if release > start:
        raise document.wrong(
            path,
            f"at most command.start_boost, {start:zg} kPa "
            "(else an action is released while spray still matters)",
            None if document.raw(path) is not None else f"its default {release:zg} kPa",
        )


def _pump(document: Document, rig: Rig) -> None:
    spray = rig.spray
    pump = spray.pump
    if pump.shut_off_kpa < pump.regulated_kpa < inf:
        raise document.wrong(
            ("spray", "pump", "shut_off"),
            f"at least regulated, {pump.regulated_kpa:zg} kPa (else it is never reached)",
        )
    if pump.follows_command and pump.regulated_kpa < inf:
        raise document.wrong(
            ("spray", "pump", "regulated"),
            "none, where the pump's speed follows the command (nothing else holds its pressure)",
        )
    if pump.run_down_s < LEAST_RUN_DOWN_S:
        raise document.wrong(
            ("spray", "pump", "run_down"),
            f"at least {1e3 * LEAST_RUN_DOWN_S:zg} ms (no hose is stiffer)",
        )
    key, pressure = "shut_off", pump.shut_off_kpa
    if pump.regulated_kpa < pump.shut_off_kpa:
        key, pressure = "regulated", pump.regulated_kpa
    against = rig.paid.boost_kpa[-1] + spray.check_valve_kpa
    if pressure <= against:
        raise document.wrong(
            ("spray", "pump", key),
            f"more than {against:zg} kPa, the highest paid boost and the check valve together",
        )


def _limits(document: Document) -> None:
    for name in ("injector_duty_pct", "intake_c", "knock"):
        if document.raw(("limits", name)) is None or document.raw(("channels", name)) is not None:
            continue
        raise document.wrong(
            ("limits", name), f"channels.{name} too (else this limit never acts)", "a limit alone"
        )
    path = ("limits", "knock", "above")
    limit = document.raw(path)
    unit = document.raw(("channels", "knock", "unit")) or "deg"
    if limit is not None and Knock.from_toml(limit).given_unit != unit:
        raise document.wrong(path, f'the unit of channels.knock, "{unit}"')
