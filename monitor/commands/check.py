"""``flowdebt check``: is this rig file right, and what follows from it?"""

from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import Parameter

from monitor.commands.parameters import JsonFlag

if TYPE_CHECKING:
    from rules.handling import Handled
    from simulator.rig import RigFile

_MISSING = (100, 50, 25)
_CLOGGED = (75, 50, 33)
_UNBOOSTED = (
    "nothing boosts: boost is the manifold's pressure below the air outside. To cut it, the engine "
    "controller must hold it at the dry limit by its throttle, or cut fuel or ignition above that: "
    "wire and test it"
)


def check(
    rig: Annotated[str, Parameter(help="Rig file (TOML), or the name of a shipped rig.")],
    *,
    done: Annotated[
        Literal["fit", "jug", "dry_limit", "trip"] | None,
        Parameter(help="Note in the rig file that this step was done; all else in it stays."),
    ] = None,
    by: Annotated[str | None, Parameter(help="Who did it (an alias).")] = None,
    log: Annotated[
        Path | None,
        Parameter(help="Log or session in which it is seen: judged by this rig, its hash kept."),
    ] = None,
    result: Annotated[
        str | None, Parameter(help="What came of it; without it, what the log says.")
    ] = None,
    on: Annotated[str | None, Parameter(help="When, as 2026-01-31; without it, today.")] = None,
    as_json: JsonFlag = False,
) -> int:
    """Check a rig file and print what follows from it.

    Full flow and the least that is due at each boost above the dry limit; how soon, in nineteen of
    twenty cases, a stopped pump and a shortfall of 50 and 25 % lead to a warning, to timing pulled
    and to boost cut, from the fault until the engine has it (where line pressure must tell, a weak
    pump and a clog apart); whether a stopped pump, and a sensor that freezes, is handled within the
    rig's own fault tolerant time; what the spray pays for; what is left to defaults; and where the
    rig protects little; which steps of commissioning it remembers; and the one to do next.
    """
    import json
    import sys

    from simulator.rig import find_rig, load_rig
    from simulator.strict import BadInput

    path = find_rig(rig)
    if done is not None:
        from monitor.commands.step_done import note_done

        note_done(path, done, by, on=on, result=result, log=log)
    elif any(one is not None for one in (by, log, result, on)):
        raise BadInput("check: found --by, --log, --result or --on, expected --done with it")
    rig_file = load_rig(path)
    facts = derived(rig_file, rig)
    if as_json:
        sys.stdout.write(json.dumps(facts) + "\n")
        return 0
    sys.stdout.write("\n".join(_in_words(facts)) + "\n")
    return 0


def derived(rig_file: "RigFile", typed: str | None = None) -> dict[str, object]:
    """Return a rig's derived facts as plain JSON types; a time that is never reached is null.

    Args:
        rig_file: The rig.
        typed: How it was named, for commands to type next; without it, its file's name.

    Raises:
        BadInput: Rows come too seldom to judge by.
    """
    from dataclasses import asdict

    from monitor.commands.next_step import next_step
    from monitor.commands.weak_points import rows_expected, weak_points
    from monitor.commission.drafting import most_dangerous_first
    from monitor.commission.rig_text import left_to_do
    from monitor.commission.thresholds import reasons
    from rules.channels import CHANNEL_NAMES, DELIVERED, LINE, label_of_channel
    from rules.facts import CommandKind
    from rules.findings import FINDINGS, why_impossible
    from rules.handling import (
        frozen_s,
        handled,
        least_due_ml_min,
        least_found_share,
        longest_period_s,
        not_seen,
        slowest_period_s,
    )
    from rules.step.from_rig import constants_of, essential_columns, witness_column
    from rules.step.hydraulics import full_flow_ml_min
    from rules.tank import tank_minutes, tank_range_km
    from simulator.plant.tuning import tune
    from simulator.rig import by_default, done_in
    from simulator.rig.petrol_share import in_words, outside_practice, petrol_shares
    from simulator.strict import for_shell
    from simulator.strict.document import Document

    rig, period_s = rig_file.rig, rig_file.time.period_s
    k = constants_of(rig)
    by_flow = k.witness_column == DELIVERED
    times = rig.fault_intervals
    onset_kpa, top_kpa = rig.command.start_boost_kpa, rig.paid.boost_kpa[-1]
    top_ml_min = max(full_flow_ml_min(k, top_kpa), 1e-9)
    shares = petrol_shares(rig)
    rows = []
    for boost_kpa in (kpa for kpa in rig.paid.boost_kpa if kpa > rig.paid.dry_limit_kpa):
        due_ml_min = least_due_ml_min(rig, boost_kpa)
        found = {n: handled(rig, boost_kpa, due_ml_min, n / 100.0, period_s) for n in _MISSING}
        rows.append(
            {
                "boost_kpa": boost_kpa,
                "full_flow_ml_min": full_flow_ml_min(k, boost_kpa),
                "due_ml_min": due_ml_min,
                "handled_s": {str(percent): _times(times) for percent, times in found.items()},
                "clog_handled_s": {
                    str(n): _times(
                        handled(rig, boost_kpa, due_ml_min, n / 100.0, period_s, clog=True)
                    )
                    for n in (_CLOGGED if k.witness_column == LINE else ())
                },
            }
        )
    pump_stop = found[100]
    slowest_s = slowest_period_s(rig, top_kpa)
    expected = rows_expected(rig, period_s, slowest_s)
    if expected is not None:
        document = Document.parse(rig_file.text, rig_file.file_name)
        raise document.wrong(("time", "period"), expected, f"{1e3 * period_s:zg} ms")
    essential = {CHANNEL_NAMES[column - 1] for column in essential_columns(rig)}
    ages_s = [terms.max_age_s for terms in rig.channels if terms.name in essential]
    slowest_s = min(slowest_s, longest_period_s(rig), *ages_s)
    tuned = tune(rig, None)
    commissioned = done_in(rig_file)
    standing = {one.step: not one.changed_since for one in commissioned}
    left = most_dangerous_first(left_to_do(rig_file.text))
    name = for_shell(Path(rig_file.file_name).name if typed is None else typed)
    step = next_step(rig, period_s, pump_stop.pull_s, standing, name, left)
    return {
        "rig": rig.name,
        "onset_kpa": onset_kpa,
        "dry_limit_kpa": rig.paid.dry_limit_kpa,
        "unboosted": rig.unboosted,
        "tank_ml": rig.spray.tank_ml,
        "tank_min_at_full_flow": tank_minutes(rig.spray.tank_ml, top_ml_min),
        "tank_km_at_12_pct_and_80_km_h": tank_range_km(rig.spray.tank_ml, top_ml_min, 0.12, 80.0),
        "thresholds": {
            "warn_nats": k.warn_nats,
            "pull_nats": k.limit_nats,
            "false_pull_every_h": rig.debt.false_pull_every_h,
            "cut_ml": k.cut_ml,
            "cut_s": k.cut_ml / top_ml_min * 60.0,
            "outlasts_s": k.outlasts_s,
            "decided_by": reasons(rig, period_s),
        },
        "witness": CHANNEL_NAMES[witness_column(rig) - 1],
        "least_found_pct": 100.0 * least_found_share(k),
        "not_seen": not_seen(rig),
        "essential_channels": [CHANNEL_NAMES[column - 1] for column in essential_columns(rig)],
        "channels": [terms.name for terms in rig.channels],
        "findings": [
            {
                "name": finding.name,
                "label": finding.label,
                "not_possible": why_impossible(rig, finding),
            }
            for finding in FINDINGS
        ],
        "rows": rows,
        "due_is_known": rig.command.kind not in (CommandKind.LOG_FLOW, CommandKind.LOG_PERCENT),
        "spray_of_petrol": [asdict(share) for share in shares],
        "spray_of_petrol_words": in_words(shares),
        "outside_practice": outside_practice(shares),
        "reckoned_with_s": {
            "sensor_delay": rig.flow_sensor.delay_s if by_flow else 0.0,
            "sensor_delay_within": rig.flow_sensor.delay_within_s if by_flow else 0.0,
            "sensor_lag": {
                DELIVERED: rig.flow_sensor.lag_s,
                LINE: rig.line_sensor.lag_s,
            }.get(k.witness_column, rig.charge_sensor.lag_s),
            "pump_run_down": rig.spray.pump.run_down_s,
            "row_period": period_s,
            "reaction": times.reaction_s,
        },
        "pump_stop": {
            "boost_kpa": top_kpa,
            "handled_s": _or_null(pump_stop.pull_s),
            "tolerant_s": times.tolerant_s,
            "in_time": pump_stop.pull_s < times.tolerant_s,
        },
        "frozen": {
            "label": label_of_channel(CHANNEL_NAMES[k.witness_column - 1]),
            "handled_s": _or_null(frozen_s(rig, period_s)),
            "tolerant_s": times.tolerant_s,
        },
        "by_default": list(by_default(rig_file)),
        "to_do": left,
        "idle_cut_ml": rig.debt.cut_ml if k.cut_ml < rig.debt.cut_ml < inf else None,
        "slowest_period_s": slowest_s,
        "paid": [asdict(one) for one in tuned.spent],
        "simulated_reading": {
            "delay_s": tuned.soonest_s[0],
            "lag_s": tuned.soonest_s[1],
            "slower": by_flow
            and (
                rig.flow_sensor.delay_s < tuned.soonest_s[0]
                or rig.flow_sensor.lag_s < tuned.soonest_s[1]
            ),
        },
        "warnings": weak_points(rig, pump_stop, tuned.overdrawn),
        "commissioned": [one._asdict() for one in commissioned],
        "next_step": {
            "step": step.step,
            "words": step.words,
            "command": step.command or None,
            "now_s": _or_null(step.now_s),
            "then_s": _or_null(step.then_s),
        },
    }


def _times(found: "Handled") -> dict[str, float | None]:
    return {
        "warn": _or_null(found.warn_s),
        "pull_timing": _or_null(found.pull_s),
        "cut_boost": _or_null(found.cut_s),
    }


def _or_null(seconds: float) -> float | None:
    return seconds if seconds < inf else None


def _in_words(facts: dict[str, Any]) -> list[str]:
    at = facts["thresholds"]
    by_flow = facts["witness"] == "delivered_ml_min"
    feels = {"delivered_ml_min": "flow", "line_kpa": "line"}.get(facts["witness"], "charge")
    weak = ", but protects little: see the lines with !" if facts["warnings"] else ""
    lines = [
        f"{facts['rig']}: the rig file is good{weak}",
        f"  spray matters above {facts['onset_kpa']:z.0f} kPa; dry limit "
        f"{facts['dry_limit_kpa']:z.0f} kPa",
        *(_wrapped("", [_UNBOOSTED]) if facts["unboosted"] else ()),
        f"  tank lasts {facts['tank_min_at_full_flow']:z.1f} min at "
        f"full flow (about {facts['tank_km_at_12_pct_and_80_km_h']:z.0f} km at 80 km/h, "
        "spraying 12 % of the time)",
        *_wrapped(
            "",
            [
                f"warns at evidence {at['warn_nats']:z.1f} that spray is missing",
                f"pulls timing at {at['pull_nats']:z.1f}",
                f"cuts boost once {at['cut_s']:z.2f} s of full flow ({at['cut_ml']:z.2f} mL) are "
                f"missing as well, or {at['outlasts_s']:zg} s of pulled timing have not ended it",
            ],
        ),
        *_wrapped(
            "",
            [
                f"never finds less than {facts['least_found_pct']:z.1f} % missing: an honest "
                f"{feels} sensor might read as little"
            ],
        ),
        f"  blind without: {', '.join(facts['essential_channels'])}",
        *_wrapped("", [facts["spray_of_petrol_words"]]),
        "",
        "  seconds from a fault until warning / timing pulled / boost cut; 19 of 20 are",
        "  sooner (--: more than 1 of 20 never come)",
        *_table(facts, "handled_s", "pump stops", "weak pump" if feels == "line" else "missing"),
        *(_table(facts, "clog_handled_s", "", "by a clog") if feels == "line" else ()),
    ]
    with_s = facts["reckoned_with_s"]
    sensor = f"the {feels} sensor's lag {1e3 * with_s['sensor_lag']:z.0f} ms"
    if by_flow:
        sensor = (
            f"the flow sensor's delay {1e3 * with_s['sensor_delay']:z.0f} ms, give or take "
            f"{1e3 * with_s['sensor_delay_within']:z.0f} ms, and lag "
            f"{1e3 * with_s['sensor_lag']:z.0f} ms"
        )
    lines += _wrapped(
        "",
        [
            f"reckoned with {sensor}",
            f"the pump's run-down {1e3 * with_s['pump_run_down']:z.0f} ms",
            f"a row each {1e3 * with_s['row_period']:zg} ms",
            f"the controller's reaction {1e3 * with_s['reaction']:z.0f} ms",
            "and the least that is due in a pull"
            if facts["due_is_known"]
            else "and full flow, since what a log will command is not known (less takes longer)",
        ],
    )
    lines += ["", _in_time(facts), *_wrapped("", [_frozen_in_time(facts["frozen"])])]
    lines += [line for why in at["decided_by"] for line in _wrapped("", [why])]
    rows_apart = [
        f"rows may come up to {1e3 * facts['slowest_period_s']:z.0f} ms apart "
        f"({1.0 / facts['slowest_period_s']:z.1f} a second): else a stopped pump is handled too "
        "late, spray switched off from one to the next pulls timing, or readings are stale"
    ]
    lines += _wrapped("", rows_apart)
    buys = [
        f"{one['bought_deg']:z.1f} deg at {one['boost_kpa']:z.0f} kPa "
        f"({one['claimed_deg']:z.1f} paid)"
        for one in facts["paid"]
    ]
    if buys:
        lines += _wrapped("in the simulated car the spray buys ", buys)
    reading = facts["simulated_reading"]
    if reading["slower"]:
        slower = (
            "the simulated car's flow reading is slower than [flow_sensor] says: valve and flow "
            f"meter alone show {1e3 * reading['delay_s']:z.0f} ms of delay and "
            f"{1e3 * reading['lag_s']:z.0f} ms of lag"
        )
        lines += _wrapped("", [slower])
    if facts["outside_practice"]:
        lines += _wrapped("! outside practice: ", [facts["outside_practice"]])
    if facts["idle_cut_ml"] is not None:
        idle = f"[debt] cut_volume {facts['idle_cut_ml']:zg} mL has no effect"
        lines += _wrapped("", [f"{idle}: cut, in seconds, is less"])
    lines += [line for told in facts["by_default"] for line in _wrapped("", [told])]
    for warning in facts["warnings"]:
        lines += _wrapped("! protects little: ", [warning])
    possible = [f["label"] for f in facts["findings"] if f["not_possible"] is None]
    lines += ["", *_wrapped("can be found: ", possible)]
    lines += [line for what in facts["not_seen"] for line in _wrapped("can't be seen: ", [what])]
    for finding in facts["findings"]:
        if finding["not_possible"] is not None:
            not_possible = f"{finding['label']} ({finding['not_possible']})"
            lines += _wrapped("not looked for: ", [not_possible])
    lines.append("")
    for one in facts["commissioned"]:
        what = [f"{one['step']} by {one['by']} on {one['on']}", one["result"]]
        if one["log_sha256"]:
            what.append(f"log {one['log_sha256'][:12]}")
        if one["changed_since"]:
            what.append("BUT the rig has changed since")
        lines += _wrapped("done: ", what)
    lines += _wrapped("next: ", [facts["next_step"]["words"]])
    if facts["next_step"]["command"]:
        lines += _wrapped("then: ", [facts["next_step"]["command"]])
    return lines


def _in_time(facts: dict[str, Any]) -> str:
    """Compare a stopped pump with the time the engine is said to survive it."""
    stop = facts["pump_stop"]
    tolerated = f"{stop['tolerant_s']:zg} s tolerated"
    takes = f"may never be handled ({tolerated})"
    if stop["handled_s"] is not None:
        takes = f"is handled in {stop['handled_s']:z.2f} s of {tolerated}"
    verdict = "in time" if stop["in_time"] else "TOO LATE"
    return f"  a stopped pump at {stop['boost_kpa']:z.0f} kPa {takes}: {verdict}"


def _frozen_in_time(frozen: dict[str, Any]) -> str:
    """Compare a witness that freezes with the same time."""
    reading = f"the {frozen['label']}, frozen under spray,"
    if frozen["handled_s"] is None:
        return f"{reading} is only warned of: ladder.on_blind asks for no more"
    from rules.figures import told

    takes, tolerated, verdict = told(frozen["handled_s"], frozen["tolerant_s"])
    late = "" if verdict == "in time" else " for spray that fails meanwhile"
    return (
        f"{reading} is acted on as lost in {takes} s of {tolerated} s tolerated: {verdict}{late} "
        "(later in coarse steps; stuck_after and blind_after count)"
    )


def _table(facts: dict[str, Any], key: str, whole: str, part: str) -> list[str]:
    """Return the lines of a table: by boost how soon each size of a fault is handled."""
    sizes = [whole if n == "100" else f"{n} % {part}" for n in facts["rows"][0][key]]
    lines = [
        f"  {'boost':>5} {'due / full':>11} {' '.join(f'{size:>19}' for size in sizes)}",
        f"  {'kPa':>5} {'mL/min':>11}",
    ]
    for row in facts["rows"]:
        cells = []
        for times in row[key].values():
            parts = ["--" if s is None else f"{s:z.2f}" for s in times.values()]
            cells.append(f"{' / '.join(parts):>19}")
        flows = f"{row['due_ml_min']:z.0f} / {row['full_flow_ml_min']:z.0f}"
        lines.append(f"  {row['boost_kpa']:z5.0f} {flows:>11} {' '.join(cells)}")
    return lines


def _wrapped(head: str, words: list[str]) -> list[str]:
    import textwrap

    return textwrap.wrap(
        ", ".join(words),
        78,
        initial_indent=f"  {head}",
        subsequent_indent="    ",
        break_on_hyphens=False,
    )
