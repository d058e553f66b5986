"""``flowdebt check``: is this rig file right, and what follows from it?"""

from math import inf
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from monitor.commands.parameters import JsonFlag

if TYPE_CHECKING:
    from rules.facts import Rig


def check(
    rig: Annotated[str, Parameter(help="Rig file (TOML), or the name of a shipped rig.")],
    *,
    as_json: JsonFlag = False,
) -> int:
    """Check a rig file and print what follows from it.

    Full flow at each boost, and what each debt threshold means in time: how long a steady shortfall
    of 25, 50 and 100 % takes to reach it, from when the flow sensor shows it; whether no spray at
    all is handled within the rig's own fault tolerant time; and where the rig protects little.
    """
    import json
    import sys

    from simulator.rig import find_rig, load_rig

    rig_file = load_rig(find_rig(rig))
    facts = derived(rig_file.rig)
    if as_json:
        sys.stdout.write(json.dumps(facts) + "\n")
        return 0
    sys.stdout.write("\n".join(_in_words(facts)) + "\n")
    return 0


def derived(rig: "Rig") -> dict[str, object]:
    """Return a rig's derived facts as plain JSON types; a time that is never reached is null."""
    from monitor.weak_points import handled_s, weak_points
    from rules.channels import CHANNEL_NAMES
    from rules.constants import constants_of, essential_columns
    from rules.conversions import seconds_to_debt, tank_minutes, tank_range_km
    from rules.findings import FINDINGS, why_impossible
    from rules.hydraulics import full_flow_ml_min
    from simulator.rig.petrol_share import in_words, outside_practice, petrol_shares

    k = constants_of(rig).k
    debt = rig.debt
    onset_kpa = rig.command.start_boost_kpa
    top_kpa = max(*rig.paid.boost_kpa, rig.paid.dry_limit_kpa, onset_kpa)
    top_ml_min = max(full_flow_ml_min(k, top_kpa), 1e-9)
    boosts = sorted({onset_kpa, top_kpa, rig.paid.dry_limit_kpa, *rig.paid.boost_kpa})
    shares = petrol_shares(rig)
    rows = []
    for boost_kpa in boosts:
        flow = full_flow_ml_min(k, boost_kpa)
        times = {}
        for percent in (25, 50, 100):
            by_level = {}
            for level, threshold_ml in (
                ("warn", debt.warn_ml),
                ("pull_timing", debt.pull_ml),
                ("cut_boost", debt.cut_ml),
            ):
                seconds = seconds_to_debt(rig, flow, percent / 100.0, threshold_ml)
                by_level[level] = None if seconds == inf else seconds
            times[str(percent)] = by_level
        handled = handled_s(rig, flow)
        rows.append(
            {
                "boost_kpa": boost_kpa,
                "full_flow_ml_min": flow,
                "seconds_to": times,
                "no_spray_handled_s": None if handled == inf else handled,
                "in_time": handled < rig.fault_intervals.tolerant_s,
            }
        )
    return {
        "rig": rig.name,
        "onset_kpa": onset_kpa,
        "dry_limit_kpa": rig.paid.dry_limit_kpa,
        "sensor_delay_s": rig.spray.transport_delay_s,
        "sensor_lag_s": rig.spray.lag_s,
        "tank_ml": rig.spray.tank_ml,
        "tank_min_at_full_flow": tank_minutes(rig.spray.tank_ml, top_ml_min),
        "tank_km_at_12_pct_and_80_km_h": tank_range_km(rig.spray.tank_ml, top_ml_min, 0.12, 80.0),
        "thresholds_ml": {"warn": debt.warn_ml, "pull": debt.pull_ml, "cut": debt.cut_ml},
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
        "spray_of_petrol": [
            {
                "boost_kpa": share.boost_kpa,
                "least_pct": share.least_pct,
                "most_pct": share.most_pct,
            }
            for share in shares
        ],
        "spray_of_petrol_words": in_words(shares),
        "outside_practice": outside_practice(shares),
        "fault_intervals": {
            "reaction_s": rig.fault_intervals.reaction_s,
            "tolerant_s": rig.fault_intervals.tolerant_s,
        },
        "warnings": weak_points(
            rig, [(boost_kpa, full_flow_ml_min(k, boost_kpa)) for boost_kpa in boosts]
        ),
    }


def _in_words(facts: dict[str, Any]) -> list[str]:
    thresholds = facts["thresholds_ml"]
    lines = [
        f"{facts['rig']}: the rig file is good",
        f"  spray matters above {facts['onset_kpa']:.0f} kPa; dry limit "
        f"{facts['dry_limit_kpa']:.0f} kPa",
        f"  tank lasts {facts['tank_min_at_full_flow']:.1f} min at "
        f"full flow (about {facts['tank_km_at_12_pct_and_80_km_h']:.0f} km at 80 km/h, "
        "spraying 12 % of the time)",
        f"  thresholds: warn {thresholds['warn']:g} mL, pull timing {thresholds['pull']:g} mL, "
        f"cut boost {thresholds['cut']:g} mL",
        f"  the flow sensor's own delay {1000 * facts['sensor_delay_s']:.0f} ms and lag "
        f"{1000 * facts['sensor_lag_s']:.0f} ms come on top of the times below",
        f"  blind without: {', '.join(facts['essential_channels'])}",
        *_wrapped("", [facts["spray_of_petrol_words"]]),
        "",
        "  seconds of a steady shortfall to warn / pull timing / cut boost, at full flow",
        f"  {'boost':>8} {'full flow':>12}   {'25 % missing':>21} {'50 % missing':>21} "
        f"{'100 % missing':>21}",
        f"  {'kPa':>8} {'mL/min':>12}",
    ]
    for row in facts["rows"]:
        cells = []
        for times in row["seconds_to"].values():
            parts = ["never" if s is None else f"{s:.2f}" for s in times.values()]
            cells.append(f"{' / '.join(parts):>21}")
        lines.append(
            f"  {row['boost_kpa']:8.0f} {row['full_flow_ml_min']:12.0f}   {' '.join(cells)}"
        )
    lines += ["", *_in_time(facts)]
    if facts["outside_practice"]:
        lines += _wrapped("! outside practice: ", [facts["outside_practice"]])
    for warning in facts["warnings"]:
        lines += _wrapped("! protects little: ", [warning])
    possible = [f["label"] for f in facts["findings"] if f["not_possible"] is None]
    lines += ["", *_wrapped("can be found: ", possible)]
    for finding in facts["findings"]:
        if finding["not_possible"] is not None:
            lines.append(f"  not looked for: {finding['label']} ({finding['not_possible']})")
    return lines


def _in_time(facts: dict[str, Any]) -> list[str]:
    """Compare no spray at all with the time the engine is said to survive it."""
    given = facts["fault_intervals"]
    told = []
    for row in facts["rows"]:
        if row["boost_kpa"] > facts["dry_limit_kpa"]:
            handled = row["no_spray_handled_s"]
            takes = "never" if handled is None else f"{handled:.2f} s"
            verdict = "in time" if row["in_time"] else "TOO LATE"
            told.append(f"{takes} at {row['boost_kpa']:.0f} kPa ({verdict})")
    head = (
        f"[fault_intervals] tolerates {given['tolerant_s']:g} s without spray; sensor, finding and "
        "reaction take "
    )
    return _wrapped("", [head + ", ".join(told)])


def _wrapped(head: str, words: list[str]) -> list[str]:
    import textwrap

    return textwrap.wrap(", ".join(words), 78, initial_indent=f"  {head}", subsequent_indent="    ")
