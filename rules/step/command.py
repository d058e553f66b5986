"""How much spray is commanded, for every usual kind of spray control."""

from rules.channels import BOOST, COMMAND_PCT, COMMANDED, INJECTOR_DUTY
from rules.facts import CommandKind
from rules.step.arithmetic import clamp, interpolate_map, larger, smaller
from rules.step.constants import Constants
from rules.step.hydraulics import flow_at_ml_min, full_flow_ml_min
from rules.step.state import State

COARSE_KPA = 0.5  # steps of a boost reading from which on they count
COARSEST_KPA = 5.0  # a larger one is no step but a change
TREMBLE_KPA = 1.5  # of a boost reading about the true one; common practice, no source
OWN_LAW = float(CommandKind.FIXED)  # kinds from here on are reckoned from boost


def take_command(k: Constants, s: State) -> None:
    """Work out the flow commanded now, and how much less or more it may be.

    The spray controller reads a boost of its own: a step away where this one is read to a step
    only, and a tremble, which counts where a switch may stand between the two. Between two rows
    boost may have gone on as it rose before them, past a switch that neither shows.
    """
    boost_kpa = s.value[BOOST]
    before_kpa, top_kpa = s.boost_row_kpa, s.boost_on_kpa + TREMBLE_KPA
    s.boost_on_kpa = boost_kpa + larger(0.0, boost_kpa - before_kpa)
    s.boost_row_kpa = boost_kpa
    duty_pct = s.value[INJECTOR_DUTY]
    full = full_flow_ml_min(k, boost_kpa)
    s.full_now_ml_min = full
    commanded = share_of_full_ml_min(
        k, full, boost_kpa, duty_pct, s.value[COMMANDED], s.value[COMMAND_PCT]
    )
    s.commanded_ml_min = commanded
    apart_kpa = s.unit[BOOST]
    if not COARSE_KPA < apart_kpa < COARSEST_KPA:
        apart_kpa = 0.0
    if -TREMBLE_KPA < boost_kpa - k.onset_kpa < TREMBLE_KPA:
        apart_kpa = larger(apart_kpa, TREMBLE_KPA)
    if apart_kpa > 0.0 and k.command_kind >= OWN_LAW:
        low = commanded_flow_ml_min(k, boost_kpa - apart_kpa, duty_pct, 0.0, 0.0)
        high = commanded_flow_ml_min(k, boost_kpa + apart_kpa, duty_pct, 0.0, 0.0)
        s.less_ml_min = larger(0.0, commanded - low)
        s.more_ml_min = larger(0.0, high - commanded)
    else:
        s.less_ml_min = s.more_ml_min = 0.0
    if larger(boost_kpa, before_kpa) < k.onset_kpa <= top_kpa and k.command_kind >= OWN_LAW:
        high = commanded_flow_ml_min(k, top_kpa, duty_pct, 0.0, 0.0)
        s.more_ml_min = larger(s.more_ml_min, high - commanded)


def commanded_flow_ml_min(
    k: Constants, boost_kpa: float, duty_pct: float, logged_ml_min: float, logged_pct: float
) -> float:
    """Return the flow commanded now, mL/min.

    Args:
        k: The rig's constants.
        boost_kpa: Boost, gauge.
        duty_pct: Injector duty; used by kinds INJECTOR_DUTY and MAP.
        logged_ml_min: The log's commanded flow; used by LOG_FLOW.
        logged_pct: The log's command in percent of full flow; used by LOG_PERCENT.

    A command can't ask for more than the hydraulics give at this boost, so every kind is capped
    there: what the pump cannot do is a matter of sizing, not a shortfall.
    """
    full_ml_min = full_flow_ml_min(k, boost_kpa)
    return share_of_full_ml_min(k, full_ml_min, boost_kpa, duty_pct, logged_ml_min, logged_pct)


def share_of_full_ml_min(
    k: Constants,
    full_ml_min: float,
    boost_kpa: float,
    duty_pct: float,
    logged_ml_min: float,
    logged_pct: float,
) -> float:
    """Return the same where the full flow at this boost is known already."""
    if k.command_kind == 0.0:
        return smaller(full_ml_min, logged_ml_min)
    if k.command_kind == 1.0:
        return _part_ml_min(k, full_ml_min, boost_kpa, logged_pct * 0.01)
    if boost_kpa < k.onset_kpa:
        return 0.0
    if k.command_kind == 2.0:
        return smaller(full_ml_min, k.rate_ml_min)
    if k.command_kind == 3.0:
        share = clamp((boost_kpa - k.onset_kpa) / k.boost_span_kpa, 0.0, 1.0)
        return _part_ml_min(k, full_ml_min, boost_kpa, share)
    if k.command_kind == 4.0:
        share = clamp((duty_pct - k.start_duty_pct) / k.duty_span_pct, 0.0, 1.0)
        return _part_ml_min(k, full_ml_min, boost_kpa, share)
    percent = interpolate_map(
        boost_kpa, duty_pct, k.map_boost, k.n_map_boost, k.map_duty, k.n_map_duty, k.map_cells
    )
    return _part_ml_min(k, full_ml_min, boost_kpa, percent * 0.01)


def _part_ml_min(k: Constants, full_ml_min: float, boost_kpa: float, share: float) -> float:
    """Return what a share of full command gives: of full flow, or at that share of full speed."""
    if k.follows_command > 0.0:
        return flow_at_ml_min(k, boost_kpa, clamp(share, 0.0, 1.0))
    return full_ml_min * share
