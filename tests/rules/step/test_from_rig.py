"""From a rig's facts to constants: what can't be divided by or looked up is refused."""

from math import inf, log, sqrt
from typing import Any

import numpy as np
import pytest

from rules import channels as ch
from rules.channels import COLUMN_OF, INTAKE
from rules.facts import Action, ChannelTerms, CommandKind, Nozzle, Pump
from rules.step.from_rig import (
    WARNINGS_A_PULL,
    constants_of,
    essential_columns,
    limit_nats,
)
from rules.step.hydraulics import full_flow_ml_min
from rules.step.state import MOST_CARS, N_SIZES
from tests.kit.rigs import ALL_CHANNELS, ESSENTIAL, NAN, of_kind, rig, terms


def test_essential_channels_follow_the_command() -> None:
    """Boost and delivered flow always; beside them what the command is worked out from."""
    extra = {kind: essential_columns(of_kind(kind))[2:] for kind in CommandKind}
    assert extra == {
        CommandKind.LOG_FLOW: (ch.COMMANDED,),
        CommandKind.LOG_PERCENT: (ch.COMMAND_PCT,),
        CommandKind.FIXED: (),
        CommandKind.BOOST: (),
        CommandKind.INJECTOR_DUTY: (ch.INJECTOR_DUTY,),
        CommandKind.MAP: (ch.INJECTOR_DUTY,),
    }


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"channels": terms("boost_kpa", "commanded_ml_min")}, "delivered_ml_min is essential"),
        ({"command": {"kind": CommandKind.MAP}}, "injector_duty_pct is essential"),
        ({"command": {"kind": CommandKind.LOG_PERCENT}}, "command_pct is essential"),
        ({"spray": {"nozzles": ()}}, "nozzle flow"),
        ({"spray": {"pump": Pump(1000.0, 0.0)}}, "pump free flow"),
        ({"spray": {"fluid_kg_m3": 0.0}}, "fluid density"),
        ({"spray": {"nozzles": (Nozzle(500.0, 0.0),)}}, "rated pressure"),
        ({"ladder": {"step_deg": 0.0}}, "timing step"),
        ({"command": {"kind": CommandKind.BOOST, "full_boost_kpa": 50.0}}, "full less start 0"),
        ({"command": {"kind": CommandKind.BOOST, "full_boost_kpa": np.inf}}, "start inf"),
        ({"paid": {"boost_kpa": (), "timing_deg": ()}}, "1 to 32 ascending"),
        ({"paid": {"boost_kpa": (100.0, 100.0)}}, "1 to 32 ascending"),
        ({"paid": {"boost_kpa": (0.0, NAN)}}, "1 to 32 ascending"),
        ({"paid": {"timing_deg": (1.0,)}}, "one value for each boost"),
    ],
)
def test_unsafe_facts_are_refused(changes: dict[str, Any], says: str) -> None:
    """What cannot be divided by or looked up is one clear error, not a guard that never acts."""
    with pytest.raises(ValueError, match=says):
        constants_of(rig(**changes))


@pytest.mark.parametrize(
    ("command", "says"),
    [
        ({"map_boost_kpa": (50.0,), "map_pct": ((0.0, 40.0),)}, "2 to 32 ascending"),
        ({"map_duty_pct": (80.0, 20.0)}, "2 to 32 ascending"),
        ({"map_boost_kpa": tuple(float(i) for i in range(33))}, "2 to 32 ascending"),
        ({"map_pct": ((0.0, 40.0), (30.0, 70.0))}, "found 4 cells"),
    ],
)
def test_unsafe_maps_are_refused(command: dict[str, Any], says: str) -> None:
    """A delivery map needs two ascending axes of 2 to 32 points, and every cell."""
    with pytest.raises(ValueError, match=says):
        constants_of(of_kind(CommandKind.MAP, command=command))


def test_the_limit_follows_from_the_hours_between_false_pulls() -> None:
    """Each size's sum passes h no oftener than once in exp(h) independent readings (Lorden 1971).

    Noise that lasts 50 ms makes one reading of 100 ms: 100 h are 3.6 million.
    """
    k = constants_of(rig())
    assert np.exp(k.limit_nats) == pytest.approx(N_SIZES * 3.6e6)
    longer = constants_of(rig(debt={"false_pull_every_h": 1000.0}))
    assert longer.limit_nats - k.limit_nats == pytest.approx(np.log(10.0))
    slower = constants_of(rig(flow_sensor={"noise_lasts_s": 0.2}))
    assert k.limit_nats - slower.limit_nats == pytest.approx(np.log(4.0))
    assert 0.0 < k.warn_nats < k.limit_nats
    assert k.limit_nats - k.warn_nats == pytest.approx(np.log(WARNINGS_A_PULL))


@pytest.mark.parametrize(
    ("sensor", "delays", "lags"),
    [
        ({}, [0.04, 0.06, 0.08, 0.1, 0.12], [0.05, 0.05 + 0.1 / 3, 0.15 - 0.1 / 3, 0.15]),
        ({"delay_within_s": 0.0, "lag_within_s": 0.0}, [0.08], [0.1]),
        ({"delay_within_s": 0.01, "lag_within_s": 0.01}, [0.07, 0.09], [0.09, 0.11]),
        ({"delay_within_s": 0.001, "lag_within_s": 0.0}, [0.079, 0.081], [0.1]),
        ({"delay_within_s": 0.08, "lag_within_s": 0.1}, [0.0, 0.04, 0.08, 0.12, 0.16], None),
        (
            {"delay_s": 0.0, "delay_within_s": 0.0, "lag_s": 0.0, "lag_within_s": 0.0},
            [0.0],
            [0.0],
        ),
    ],
)
def test_the_bank_spans_the_tolerances(
    sensor: dict[str, float], delays: list[float], lags: list[float] | None
) -> None:
    """Cars from one end of each tolerance to the other, both ends in it, as few as do."""
    k = constants_of(rig(flow_sensor=sensor))
    assert k.car_delay_s[: k.n_delays] == pytest.approx(delays)
    if lags is not None:
        assert k.car_lag_s[: k.n_lags] == pytest.approx(lags)
    assert k.n_cars == k.n_delays * k.n_lags <= MOST_CARS


@pytest.mark.parametrize(
    "sensor", [{"delay_within_s": 0.081}, {"lag_within_s": 0.11}, {"delay_within_s": -0.01}]
)
def test_tolerances_beyond_the_figure_itself_are_refused(sensor: dict[str, float]) -> None:
    """A delay or a lag below nil is no car."""
    with pytest.raises(ValueError, match="tolerances of delay and lag"):
        constants_of(rig(flow_sensor=sensor))


def test_the_debt_that_cuts_is_the_lesser_of_the_two_ways_to_say_it() -> None:
    """Seconds of full flow at the highest boost paid for, or mL; the boundary is exact."""
    k = constants_of(rig(debt={"cut_s": 0.5}))
    assert k.full_ml_min == full_flow_ml_min(k, 150.0)
    assert k.cut_ml == pytest.approx(0.5 * k.full_ml_min / 60.0)
    assert constants_of(rig(debt={"cut_s": 0.5, "cut_ml": 2.0})).cut_ml == 2.0
    assert constants_of(rig(debt={"cut_s": inf, "cut_ml": 9.0})).cut_ml == 9.0


def test_what_the_sensor_says_of_itself_becomes_bounds() -> None:
    """Variances are squares, the floor lies four deviations up, gains lie either side of one."""
    k = constants_of(rig(flow_sensor={"noise": 0.03, "gain_within": 0.1, "floor_ml_min": 12.0}))
    assert k.noise_sq == pytest.approx(0.0009)
    assert (k.least_noise_sq, k.most_noise_sq) == pytest.approx((0.0009 / 4.0, 0.0009 * 16.0))
    assert k.floor_sq == pytest.approx(9.0)
    assert (k.lowest_gain, k.highest_gain) == pytest.approx((0.9, 1.1))
    assert list(k.size) == sorted(k.size)
    assert 0.0 < k.size[0] < k.size[-1] <= 1.0


def test_what_follows_from_a_rig_worked_out_by_hand() -> None:
    """Bounds, times and shares of full flow, from figures that are exact in binary."""
    facts = rig(
        flow_sensor={
            **{"delay_s": 0.125, "delay_within_s": 0.0625, "lag_s": 0.25, "lag_within_s": 0.125},
            **{"refresh_s": 0.5, "noise": 0.0625, "gain_within": 0.125, "floor_ml_min": 16.0},
        },
        charge_sensor={"drop_k": 16.0, "noise_k": 2.0, "lag_s": 0.5, "lag_within_s": 0.25},
        watch={"disagree_share": 0.25, "contradicted_share": 0.5, "confirm_within_s": 0.5},
        ladder={"on_blind": Action.NO_ACTION},
    )
    k = constants_of(facts)
    full, run_down_s = k.full_ml_min, facts.spray.pump.run_down_s
    by_hand = {
        "under_way_s": 0.125 + 0.0625 + 0.5 + 0.5,
        "ring_spacing_s": 1.1875 / 400.0,
        "run_down_lag_s": 0.375 + run_down_s,
        "floor_sq": 16.0,
        "lowest_gain": 0.875,
        "highest_gain": 1.125,
        "least_doubt": 0.0375,
        "noise_sq": 0.0625**2,
        "least_noise_sq": 0.03125**2,
        "most_noise_sq": 0.25**2,
        "warn_nats": k.limit_nats - log(10.0),
        "line_settles_lag_s": facts.line_sensor.lag_s + run_down_s,
        "line_confirmed_s": 0.125 + 0.0625 + 2.0 * 0.375 + 0.5,
        "charge_fast_s": 0.25,
        "charge_slow_s": 0.75,
        "charge_noise_sq": 0.125**2,
        "nil_ml_min": 0.001 * full,
        "least_scale_ml_min": 0.13 * full,
        "lively_ml_min": 0.2 * full,
        "disagree_ml_min": 0.25 * full,
        "contradicted_by": 1.5,
        "confirm_within_s": facts.fault_intervals.reaction_s + 0.5,
        "spraying_ml_min": 64.0,
        "nil_command": 16.0,
        "on_blind": 1.0,
        "top_boost_kpa": 150.0,
        "paid_top_deg": 10.0,
        "conductance_sq_slope": k.conductance_sq * 1600.0 / 8000.0,
        "middle_car": k.n_cars // 2,
    }
    assert {name: getattr(k, name) for name in by_hand} == pytest.approx(by_hand)
    # Petrol of a millisecond (g), times 14.7 of air, to the air that 1 kPa of charge holds.
    injectors, engine = facts.injectors, facts.engine
    petrol_g = 4 * 650.0 * sqrt(injectors.fuel_kpa / injectors.rated_kpa) * 0.745 / 60_000.0
    air_g_kpa = 2.0 * engine.volumetric_efficiency / (0.287 * 310.0)
    assert k.air_kpa_a_ms == pytest.approx(petrol_g * 14.7 / air_g_kpa)


def test_a_flow_is_lively_above_spray_at_least() -> None:
    """Where the floor is high, four times it counts; without a logged flow, nil is 3 %."""
    k = constants_of(rig(flow_sensor={"floor_ml_min": 100.0}))
    assert k.lively_ml_min == 400.0
    names = ("boost_kpa", "delivered_ml_min", "command_pct")
    k = constants_of(rig(command={"kind": CommandKind.LOG_PERCENT}, channels=terms(*names)))
    assert k.nil_command == 3.0
    assert k.charge_noise_sq == 0.0


def test_every_channel_is_looked_at_where_it_is_mapped() -> None:
    """And only there; what one cross-check needs both of, it needs both of."""
    where = {
        **{"tank_column": "tank_ml", "switch_column": "tank_switch", "line_column": "line_kpa"},
        "confirmed_retard_column": "confirmed_retard_deg",
        "confirmed_ceiling_column": "confirmed_ceiling_kpa",
        **{"dry_column": "dry_intake_c", "duty_column": "injector_duty_pct"},
        **{"cooled_column": "intake_c", "law_column": "commanded_ml_min"},
    }
    facts = of_kind(
        CommandKind.FIXED,
        channels=terms(*ALL_CHANNELS),
        charge_sensor={"drop_k": 16.0},
        watch={},
    )
    k = constants_of(facts)
    assert {name: getattr(k, name) for name in where} == {
        name: COLUMN_OF[channel] for name, channel in where.items()
    }
    bare = constants_of(of_kind(CommandKind.FIXED, channels=terms(*ESSENTIAL[:2]), watch={}))
    assert {getattr(bare, name) for name in where} == {0}
    logged = of_kind(CommandKind.LOG_FLOW, channels=terms(*ALL_CHANNELS), watch={})
    assert constants_of(logged).law_column == 0  # the log itself is the command
    assert constants_of(rig(ladder={"step_deg": 0.25})).step_deg == 0.25


@pytest.mark.parametrize("line", [False, True])
def test_a_lone_intake_temperature_may_stand_still_for_two_seconds(line: bool) -> None:
    """Frozen, it would hide all there is; beside another witness it may stand for longer."""
    names = ("boost_kpa", "commanded_ml_min", "intake_c", *(("line_kpa",) if line else ()))
    for own_s, stuck_s in ((inf, 2.0), (1.0, 1.0)):
        facts = rig(
            channels=terms(*names, stuck_after_s=own_s),
            charge_sensor={"drop_k": 16.0, "rise_k": 32.0},
        )
        k = constants_of(facts)
        assert k.stuck_after_s[INTAKE] == (own_s if line else stuck_s)
        assert (k.witness_column == INTAKE) is not line


def test_what_may_jump_stick_or_switch_is_looked_at_closer() -> None:
    """All others are taken as they are where they are plausible."""
    for terms_of, low in (
        (ChannelTerms("knock", 1.0, 50.0, 1.0, inf, inf), 1.0),
        (ChannelTerms("knock", 1.0, 50.0, 1.0, 2.0, inf), inf),
        (ChannelTerms("knock", 1.0, 50.0, 1.0, inf, 2.0), inf),
        (ChannelTerms("tank_switch", 0.0, 1.0, 1.0, inf, inf), inf),
    ):
        k = constants_of(rig(channels=(*terms(*ESSENTIAL), terms_of)))
        assert k.pass_low[COLUMN_OF[terms_of.name]] == low


def test_evidence_s_limit_counts_its_sums_and_independent_readings() -> None:
    """Noise of 50 ms makes 36 000 readings an hour; four sums a witness, eight for a line."""
    for names, charge, sums in (
        (ESSENTIAL, {}, 4),
        ((*ESSENTIAL, "line_kpa"), {}, 12),
        ((*ESSENTIAL, "intake_c"), {"drop_k": 16.0}, 4),
        ((*ESSENTIAL, "intake_c"), {"drop_k": 16.0, "rise_k": 9.0}, 8),
        ((*ESSENTIAL, "intake_c", "dry_intake_c"), {"drop_k": 16.0}, 8),
        ((*ESSENTIAL, "intake_c", "dry_intake_c"), {}, 4),
    ):
        facts = rig(
            channels=terms(*names),
            charge_sensor=charge,
            flow_sensor={"noise_lasts_s": 0.05},
            debt={"false_pull_every_h": 100.0},
        )
        assert limit_nats(facts) == pytest.approx(log(sums * 100.0 * 36_000.0))
