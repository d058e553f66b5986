"""Where a rig file, though it is right in itself, protects little: told by ``flowdebt check``."""

from math import inf
from typing import Final

from rules.conversions import seconds_to_debt
from rules.facts import Rig

HALF: Final = 0.5


def seconds_to_pull(rig: Rig, flow_ml_min: float, missing_share: float) -> float:
    """Return how soon a steady shortfall pulls timing, s, from when the sensor shows it.

    By the debt, by the slow account, or because next to nothing arrives, whichever is first;
    infinite where none of them ever does.

    Args:
        rig: The rig.
        flow_ml_min: Flow the sensor should read, >= 0.
        missing_share: Share of it that does not arrive, 0 to 1.
    """
    debt = rig.debt
    by_debt_s = seconds_to_debt(rig, flow_ml_min, missing_share, debt.pull_ml)
    slow_ml_s = (missing_share - debt.arrears_share) * flow_ml_min / 60.0
    by_arrears_s = debt.arrears_ml / slow_ml_s if slow_ml_s > 0.0 else inf
    nothing_s = rig.watch.no_delivery_for_s if missing_share >= 1.0 else inf
    return min(by_debt_s, by_arrears_s, nothing_s)


def handled_s(rig: Rig, flow_ml_min: float) -> float:
    """Return how long it takes to handle a total loss of spray: sensor, detection and reaction, s.

    To compare with the rig's fault tolerant time interval; the terms are ISO 26262-1:2018's.
    """
    sensor_s = rig.spray.transport_delay_s + rig.spray.lag_s
    return sensor_s + seconds_to_pull(rig, flow_ml_min, 1.0) + rig.fault_intervals.reaction_s


def weak_points(rig: Rig, flows: list[tuple[float, float]]) -> list[str]:
    """Return a sentence for each way in which a rig protects little; none where all is well.

    Args:
        rig: The rig.
        flows: Boost, kPa, and full flow there, mL/min, ascending.
    """
    given, tuned_kpa = rig.fault_intervals, rig.paid.boost_kpa[-1]
    top_ml_min = flows[-1][1]
    found = []
    if seconds_to_debt(rig, top_ml_min, HALF, rig.debt.pull_ml) == inf:
        found.append(
            f"[debt] share {100.0 * rig.debt.share:.0f} % and floor {rig.debt.floor_ml_min:g} "
            "mL/min allow half the spray to be missing: it never makes a debt"
        )
    if rig.debt.arrears_share >= HALF and rig.debt.arrears_ml < inf:
        found.append(
            f"[debt] arrears_share {100.0 * rig.debt.arrears_share:.0f} % allows half the spray to "
            "be missing: it never makes arrears"
        )
    if given.reaction_s >= given.tolerant_s:
        found.append(
            f"[fault_intervals] tolerant {given.tolerant_s:g} s is over before the reaction is, "
            f"{given.reaction_s:g} s: whatever is found is found too late"
        )
    else:
        late = [
            (boost_kpa, handled_s(rig, flow_ml_min))
            for boost_kpa, flow_ml_min in flows
            if boost_kpa > rig.paid.dry_limit_kpa
            and handled_s(rig, flow_ml_min) >= given.tolerant_s
        ]
        if late:
            boost_kpa, longest_s = max(late, key=lambda one: one[1])
            takes = "is never handled" if longest_s == inf else f"takes {longest_s:.2f} s to handle"
            found.append(
                f"[fault_intervals] tolerant {given.tolerant_s:g} s is too short: no spray at all "
                f"at {boost_kpa:.0f} kPa {takes}"
            )
    limit_kpa = rig.limits.boost_kpa.above
    if limit_kpa < tuned_kpa:
        found.append(
            f"[limits.boost_kpa] above {limit_kpa:g} kPa is below the boost the rig is tuned for, "
            f"{tuned_kpa:g} kPa: a sound pull ends in overboost"
        )
    return found
