"""The shipped scenarios: what each leads to when guarded, written down from understanding.

A scenario is a promise to whoever runs it: this happens, and this is done about it. The table says
what, with the reason; where a run disagrees, one of plant, rules and table is wrong.
"""

from functools import lru_cache
from typing import Any, Final

import pytest

from rules.facts import Action
from rules.step.state import FINDING_NAMES, N_FINDINGS, Decision
from simulator.plant import FaultKind, Scenario
from simulator.scenario import load_scenario, shipped_scenarios
from tests.kit.batch import Run, run_whole

NO_ACTION, WARN, PULL, CUT = Action

# Nothing is done, whatever the seed.
QUIET: Final = {
    # Nothing is wrong.
    "healthy_pulls",
    "part_throttle",
    "throttle_jabs",
    "mild_tune",
    "gear_shifts",
    "highway_pull",
    "hot_day",
    "cold_morning",
    "slow_logger",
    "around_the_switch",
    "around_the_onset",
    "unboosted_drive",
    # Fluid in the tank swings below the reserve for less than the second a low level must last.
    "slosh_near_reserve",
    # Something is, but an honest sensor (4 % of gain, 4 % of noise) might read the same.
    "slight_clog",
    "loose_flow_plug",
    "boost_ripple",
    # Below the limit, or shorter than the limit's delay.
    "slight_overboost",
    "knock_spikes",
    # The last good readings stay usable for longer than these gaps last; all but a few of the
    # values arrive, at most 150 ms old.
    "dropout",
    "spike_burst",
    "wire_noise",
    "messages_lost",
    "messages_repeated",
    "messages_inserted",
    "messages_late",
    # The run ends there.
    "log_cut",
    # Flow is right and the engine copes; no finding looks at the mixture.
    "wrong_mix",
    "petrol_short",
}

# Worst action, and the finding that speaks up first (several where cycle-to-cycle spread decides).
REACTION: Final[dict[str, tuple[Action, tuple[str, ...]]]] = {
    # Much less arrives than is due: timing is pulled, and as that lasts boost is cut. Where the
    # spray pays for much, knock may be heard before the flow sensor's lag is over.
    "pump_stop": (CUT, ("under_delivery", "knock")),
    "empty_tank": (CUT, ("under_delivery", "knock")),
    "blower_pump_stop": (CUT, ("under_delivery",)),
    "unboosted_pump_stop": (CUT, ("under_delivery",)),
    "line_off": (CUT, ("under_delivery",)),
    "pump_fade": (CUT, ("under_delivery",)),
    "supply_low": (CUT, ("under_delivery",)),
    "starved_at_speed": (CUT, ("under_delivery",)),
    "clogged_nozzle": (CUT, ("under_delivery",)),
    "clog_in_third": (CUT, ("under_delivery",)),
    "split_before_sensor": (CUT, ("under_delivery",)),
    "valve_half_shut": (CUT, ("under_delivery",)),
    "regulator_stuck": (CUT, ("under_delivery",)),
    "air": (CUT, ("under_delivery", "knock")),
    "relay_chatter": (CUT, ("under_delivery",)),
    # The pump is off for a moment: timing is pulled, and it is over before a cut.
    "pump_hiccup": (PULL, ("under_delivery",)),
    # Two slugs of 0.4 s: enough for a pull, over before a shortfall outlasts it.
    "air_slugs": (PULL, ("under_delivery",)),
    # The rig's over_action; the line's pressure falls before the flow shows more.
    "split_after_sensor": (PULL, ("over_delivery", "under_delivery")),
    "valve_wide_open": (PULL, ("over_delivery",)),
    # Flow without command is a warning: nothing done to a running engine helps.
    "flow_noise": (WARN, ("rig_doubted", "unasked_flow")),
    "siphon": (WARN, ("unasked_flow",)),
    "siphon_at_idle": (WARN, ("unasked_flow",)),
    "valve_stuck_open": (WARN, ("unasked_flow",)),
    # The controller's silence takes 0.3 s to be believed, the line's pressure falls at once.
    "controller_silent": (CUT, ("under_delivery", "knock")),
    "silent_and_stuck": (CUT, ("no_command", "under_delivery", "knock")),
    # The tank's warning; then what air in the pump does.
    "low_tank": (WARN, ("tank_low",)),
    "tank_surge": (CUT, ("tank_low",)),
    # Limits, with their own actions.
    "heat_soak": (PULL, ("intake_hot",)),
    "cooler_blocked": (PULL, ("intake_hot",)),
    "overboost": (CUT, ("overboost",)),
    # Flow is right, but water and heat leave the engine short of what the tune counts on.
    "wrong_mix_hot": (PULL, ("intake_hot", "knock")),
    # An order that is not done changes the engine, not what is asked of it.
    "retard_ignored": (CUT, ("under_delivery", "knock")),
    "cut_ignored": (CUT, ("under_delivery", "knock")),
    "orders_late": (CUT, ("under_delivery", "knock")),
    "everything_late": (CUT, ("under_delivery",)),
    # Sensors that lie low, high or not at all.
    "sensor_dead": (CUT, ("under_delivery",)),
    "sensor_reads_low": (CUT, ("under_delivery",)),
    "duty_reads_high": (CUT, ("under_delivery",)),
    "flow_reads_high": (PULL, ("over_delivery",)),
    "boost_reads_low": (PULL, ("over_delivery",)),
    "boost_reads_high": (CUT, ("overboost",)),
    "intake_drift": (PULL, ("intake_hot",)),
    # Blind: a cut in boost, or where boost itself is unknown; else a warning.
    "sensor_stuck": (CUT, ("signal_lost",)),
    "boost_wire_open": (CUT, ("signal_lost",)),
    "boost_stuck": (CUT, ("command_disagrees", "boost_contradicted", "unasked_flow")),
    "unplugged": (CUT, ("signal_lost",)),
    "intake_wire_open": (WARN, ("signal_lost",)),
    # The wire itself.
    "messages_disordered": (WARN, ("late_samples",)),
    "clock_step": (WARN, ("clock_step",)),
    "two_senders": (CUT, ("under_delivery",)),
    "stop_on_a_bad_wire": (CUT, ("under_delivery", "knock")),
    # One fault hides the other from the debt; line pressure, knock, heat, or a shift, tells.
    "stuck_hides_fade": (CUT, ("knock", "intake_hot", "signal_lost")),
    "split_reads_right": (PULL, ("under_delivery", "unasked_flow", "knock")),
    # 0.90 of the flow, read at 0.86: no gain of an honest sensor explains that.
    "two_small_ones": (CUT, ("under_delivery",)),
}

# Where pulled timing is just about enough, the spread from cycle to cycle decides what follows.
OR_WORSE: Final = {"split_reads_right"}

# Where spray is lost for long enough to hurt an engine that nobody guards.
SAVED: Final = (
    "pump_stop",
    "empty_tank",
    "controller_silent",
    "retard_ignored",
    "cut_ignored",
    "orders_late",
    "two_senders",
    "silent_and_stuck",
    "stuck_hides_fade",
    "split_reads_right",
)


@lru_cache(maxsize=128)
def scenario(name: str) -> Scenario:
    """Return a shipped scenario."""
    return load_scenario(name)


def names_of(levels: Any) -> list[str]:
    """Return the findings that are up in one decision."""
    return [FINDING_NAMES[i] for i in range(N_FINDINGS) if levels[i] > 0.0]


def first_raised(run: Run) -> int:
    """Return the row of the first decision with a finding; -1 where there is none."""
    raised = (Decision.named(run.decisions)["level"] > 0.0).any(axis=1)
    return int(raised.argmax()) if raised.any() else -1


def test_the_library_is_broad() -> None:
    """Many scenarios, several cars, every kind of fault, and the table forgets none of them."""
    scenarios = [scenario(name) for name in shipped_scenarios()]
    assert len(scenarios) >= 24
    assert len({s.rig.name for s in scenarios}) >= 3
    assert {fault.kind for s in scenarios for fault in s.faults} == set(FaultKind)
    assert QUIET.isdisjoint(REACTION)
    assert QUIET | set(REACTION) == set(shipped_scenarios())
    assert set(SAVED) <= set(REACTION)


@pytest.mark.parametrize("name", shipped_scenarios())
def test_each_is_named_after_its_file_and_teaches_one_thing(name: str) -> None:
    """The name is the file's stem, the lesson is one sentence, and no demo takes all day."""
    shipped = scenario(name)
    assert shipped.name == name
    assert shipped.teaches[0].isupper()
    assert shipped.teaches.endswith(".")
    assert ". " not in shipped.teaches
    assert 10.0 <= shipped.duration_s <= 120.0


@pytest.mark.parametrize("name", sorted(QUIET))
def test_nothing_is_done_without_need(name: str) -> None:
    """No finding is raised, for this seed and two more, so nothing is asked of the engine."""
    shipped = scenario(name)
    for seed in (shipped.seed, 11, 12):
        run = run_whole(shipped, seed)
        assert len(run.decisions) > 100
        row, decided = first_raised(run), Decision.named(run.decisions)
        assert row < 0, (seed, names_of(decided["level"][row]), run.rows[row, 0])
        assert decided["retard_deg"].max() == 0.0
        assert decided["boost_ceiling_kpa"].min() == float("inf")


@pytest.mark.parametrize("name", sorted(REACTION))
def test_what_is_promised_is_done(name: str) -> None:
    """The worst action and the first finding are those of the table, and nothing comes early."""
    shipped = scenario(name)
    worst, first = REACTION[name]
    for seed in (shipped.seed, 11):
        run = run_whole(shipped, seed)
        row, decided = first_raised(run), Decision.named(run.decisions)
        raised = names_of(decided["level"][row])
        assert set(raised) & set(first), (seed, raised)
        taken = Action(int(decided["action"].max()))
        assert taken == worst or (name in OR_WORSE and taken > worst), seed
        if worst >= Action.PULL_TIMING:
            assert decided["retard_deg"].max() > 0.0
        if worst is Action.CUT_BOOST:
            assert decided["boost_ceiling_kpa"].min() == shipped.rig.paid.dry_limit_kpa
        onset_s = min((fault.at_s for fault in shipped.faults), default=0.0)
        if name != "clock_step":  # its rows tell another time
            assert run.rows[row, 0] >= onset_s


@pytest.mark.parametrize("name", SAVED)
def test_the_guard_saves_the_engine(name: str) -> None:
    """Unguarded, knock adds up to harm; guarded, to a small part of it."""
    shipped = scenario(name)
    guarded = run_whole(shipped, shipped.seed, keep=False).report
    alone = run_whole(shipped, shipped.seed, guarded=False, keep=False).report
    assert alone.harm > 100.0
    assert guarded.harm < 0.25 * alone.harm
    assert guarded.heavy_knocks <= alone.heavy_knocks
