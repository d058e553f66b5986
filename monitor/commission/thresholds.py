"""Which of what somebody wants and what the engine survives decides each limit of a rig."""

from collections.abc import Callable
from dataclasses import replace
from math import inf, log10
from typing import Final

from rules.facts import Rig
from rules.handling import LONGEST_S, Handled, handled, least_due_ml_min
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from simulator.rig.keys import Hours

LEAST_CUT_S: Final = 0.01
_ROUNDS: Final = 10
_SURELY: Final = 0.9  # of what is just in time, since two digits are told


def reasons(rig: Rig, period_s: float) -> tuple[str, str]:
    """Return why timing is pulled, and boost cut, where they are, a sentence each.

    A pump that stops at the highest boost of the table of paid timing is what the engine must
    survive; its times are those of ``rules.handling``.

    Args:
        rig: The rig.
        period_s: Time from one row to the next, > 0.
    """
    return _of_pull(rig, period_s), _of_cut(rig, period_s)


def pump_stop(rig: Rig, period_s: float) -> Handled:
    """Return how soon a pump that stops at the highest boost of paid timing is handled."""
    boost_kpa = rig.paid.boost_kpa[-1]
    return handled(rig, boost_kpa, least_due_ml_min(rig, boost_kpa), 1.0, period_s)


def _of_pull(rig: Rig, period_s: float) -> str:
    survives_s = rig.fault_intervals.tolerant_s
    wanted_h = rig.debt.false_pull_every_h
    decided = (
        f"the limit for timing is decided by the {wanted_h:zg} h of spraying wanted between false "
        "pulls"
    )
    engine = f"what the engine survives, {survives_s:zg} s,"

    def in_time(hours: float) -> bool:
        now = replace(rig, debt=replace(rig.debt, false_pull_every_h=hours))
        return pump_stop(now, period_s).pull_s < survives_s

    if in_time(Hours.HIGH):
        return f"{decided}; {engine} leaves room for any number of them"
    if not in_time(Hours.LOW):
        return f"{decided}; {engine} is too short for any number of them"
    power = _most(lambda power: in_time(10.0**power), log10(Hours.LOW), log10(Hours.HIGH))
    most_h = float(f"{_SURELY * 10.0**power:z.2g}")
    if in_time(wanted_h):
        return f"{decided}; {engine} leaves room for {max(most_h, wanted_h):zg} h"
    return f"{decided}; {engine} wants false_pull_every at {most_h:zg} h or less"


def _of_cut(rig: Rig, period_s: float) -> str:
    debt, survives_s = rig.debt, rig.fault_intervals.tolerant_s
    full_ml_min = full_flow_ml_min(constants_of(rig), rig.paid.boost_kpa[-1])
    by = "cut_volume" if debt.cut_ml < debt.cut_s * full_ml_min / 60.0 else "cut"
    decided = f"the limit for boost is decided by [debt] {by}"

    def in_time(cut_s: float) -> bool:
        now = replace(rig, debt=replace(debt, cut_s=cut_s, cut_ml=inf))
        return pump_stop(now, period_s).cut_s < survives_s

    if pump_stop(rig, period_s).cut_s < survives_s:
        return f"{decided}, in time for what the engine survives, {survives_s:zg} s"
    late = (
        f"{decided}: later than what the engine survives, {survives_s:zg} s, so that pulled timing "
        "must save it"
    )
    if not in_time(LEAST_CUT_S):
        return f"{late}; no cut would be in time"
    most_s = _SURELY * _most(in_time, LEAST_CUT_S, LONGEST_S)
    return f'{late}; cut = "{most_s:z.2g} s" would be in time'


def _most(holds: Callable[[float], bool], low: float, high: float) -> float:
    """Return about the most at which something holds that holds at ``low`` and not at ``high``."""
    for _ in range(_ROUNDS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low
