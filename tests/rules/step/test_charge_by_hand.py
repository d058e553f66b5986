"""What the charge should read, and what it speaks for, worked out by hand."""

from math import exp

import pytest

from rules.channels import (
    BOOST,
    DELIVERED,
    DRY_INTAKE,
    ENGINE_SPEED,
    INTAKE,
)
from rules.step.arithmetic import kept_share
from rules.step.charge import close_charge, follow_due, judge_charge, learn_rise, weigh_charge
from rules.step.constants import Constants
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from rules.step.state import (
    CHARGE_ACCOUNTS,
    State,
)
from rules.step.step import fresh_state
from rules.step.witnesses import weigh_witnesses
from tests.kit.rigs import ESSENTIAL, NAN, rig, terms
from tests.rules.step.test_at_the_limit import above

CHARGE = {
    **{"drop_k": 16.0, "drop_within": 0.25, "rise_k": 32.0, "rise_within": 0.25, "soak_k_s": 5.0},
    **{"lag_s": 0.5, "lag_within_s": 0.25, "noise_k": 1.0, "noise_lasts_s": 0.1},
}


def of_charge(*more: str) -> tuple[Constants, State]:
    """Return constants and state of a rig whose charge is evidence, nothing known yet."""
    k = constants_of(
        rig(
            channels=terms(*ESSENTIAL, "engine_speed_rpm", "intake_c", *more),
            charge_sensor=CHARGE,
        )
    )
    s = fresh_state(k)
    s.usable[:] = [1.0] * len(s.usable)
    return k, s


def test_an_entry_of_the_charge_is_the_mean_of_its_rows() -> None:
    """Command as a share of full flow; boost as one of the highest, less at low engine speed."""
    k, s = of_charge()
    s.full_now_ml_min = full = full_flow_ml_min(k, 75.0)
    s.value[BOOST], s.value[ENGINE_SPEED], s.commanded_ml_min = 75.0, 3500.0, 0.5 * full
    weigh_charge(k, s, 0.0625)
    assert s.charge_entry_s == 0.0625
    assert s.charge_asked_s == pytest.approx(0.5 * 0.0625)
    # Half of the highest boost, at half of the redline: 0.6 + 0.4 / 2 of what that would add.
    assert s.charge_heat_s == pytest.approx(0.5 * 0.8 * 0.0625)
    # Above its redline an engine moves no more air than there.
    s.value[ENGINE_SPEED], s.commanded_ml_min = 9000.0, 2.0 * full
    weigh_charge(k, s, 0.03)
    assert s.charge_asked_s == pytest.approx(0.5 * 0.0625 + 0.03)
    assert s.charge_heat_s == pytest.approx(0.4 * 0.0625 + 0.5 * 0.03)
    s.commanded_ml_min, s.value[BOOST] = 0.0, -50.0
    weigh_charge(k, s, 0.0325)
    assert (s.charge_entry_s, s.charge_asked_s, s.charge_heat_s) == (0.0, 0.0, 0.0)
    asked = (0.5 * 0.0625 + 0.03) / 0.125
    assert s.asked_fast == pytest.approx(asked * (1.0 - kept_share(0.125, 0.25)))
    weigh_charge(k, s, 8.0)  # a gap
    assert s.charge_entry_s == 0.0
    assert s.core_c == pytest.approx(5.0 * (0.4 * 0.0625 + 0.5 * 0.03))


def test_what_the_charge_is_due_follows_behind_the_sensor_s_lags() -> None:
    """The quickest's 250 ms, the slowest's 750 ms, and 2 s for what has lasted."""
    k, s = of_charge()
    follow_due(k, s, 1.0, 0.5, 0.125)
    for lag_s, asked, heat in (
        (0.25, s.asked_fast, s.heat_fast),
        (0.75, s.asked_slow, s.heat_slow),
        (2.0, s.asked_lasting, s.heat_lasting),
    ):
        assert asked == pytest.approx(1.0 - exp(-0.125 / lag_s), abs=2e-4)
        assert heat == pytest.approx(0.5 * (1.0 - exp(-0.125 / lag_s)), abs=2e-4)
    assert s.core_c == pytest.approx(5.0 * 0.5 * 0.125)


def test_a_charge_s_core_is_known_once_seen_without_boost_and_spray() -> None:
    """Not before; then what boost adds at once stands on it."""
    k, s = of_charge()
    s.value[INTAKE] = 40.0
    for name in ("asked_fast", "heat_fast"):
        setattr(s, name, 0.25)
        s.asked_slow = s.asked_fast
        judge_charge(k, s, False, 1.0, 0.125)
        assert s.core_known == 0.0
        setattr(s, name, 0.0)
    s.asked_slow = 0.0
    judge_charge(k, s, False, 1.0, 0.125)
    assert (s.core_known, s.core_c) == (1.0, 40.0)
    s.asked_fast = s.asked_slow = s.asked_lasting = 1.0
    s.heat_fast, s.heat_slow, s.heat_lasting = 1.0, 0.5, 1.0
    s.core_c, s.value[INTAKE] = 40.0, 56.0
    judge_charge(k, s, False, 1.0, 0.125)
    assert s.charge_due_c == pytest.approx(40.0 + 32.0 - 16.0)
    assert s.charge_residual == pytest.approx(0.0)


def test_without_a_dry_reading_new_boost_may_add_more_than_the_rig_says() -> None:
    """A quarter of its rise more, as long as it is new; and new spray may cool less."""
    k, s = of_charge()
    k.limit_nats = 1e9
    s.core_known = 1.0
    s.asked_fast = s.asked_slow = 1.0
    s.heat_fast = s.heat_slow = 1.0
    s.asked_lasting, s.heat_lasting = 0.5, 0.25
    s.core_c, s.value[INTAKE] = 40.0, 58.0
    s.charge_residual = -2.0 / 16.0
    kept = 0.1 / 0.225
    fresh = 1.0 - kept
    honest = 0.25 * 0.5 + 0.25 * 32.0 * 0.75 / 16.0
    off = -0.125 + kept * 0.125 + honest * fresh
    variance = k.charge_noise_sq * (1.0 - kept * kept)
    s.account[CHARGE_ACCOUNTS] = 500.0
    judge_charge(k, s, False, 1.0, 0.125)
    shift = k.size[0] * fresh
    moved = s.account[CHARGE_ACCOUNTS] - 500.0
    assert moved == pytest.approx(-shift * (off + 0.5 * shift) / variance)


def test_a_dry_reading_tells_the_core() -> None:
    """Less what boost adds, behind the sensor's lag: so that it may get lost later."""
    k, s = of_charge("dry_intake_c")
    s.value[DRY_INTAKE] = s.dry_slow_c = 70.0
    s.value[INTAKE] = 70.0
    s.heat_fast, s.heat_slow = 1.0, 0.5
    judge_charge(k, s, True, 1.0, 0.125)
    assert (s.core_known, s.dry_slow_c) == (1.0, 70.0)
    # Both readings agree, no spray is due: the core comes half a second behind.
    assert s.core_c == pytest.approx(46.0 + (70.0 - 46.0 - 24.0) * 0.2)
    s.value[DRY_INTAKE] = 80.0
    judge_charge(k, s, True, 1.0, 0.125)
    assert s.dry_slow_c == pytest.approx(80.0 - 10.0 * kept_share(0.125, 0.75))


def test_a_calm_charge_is_followed_down_at_once_and_up_slowly() -> None:
    """In 1 s where it is colder, or spray is new; in 6 s where it is hotter; and 8 % a second."""
    for read_c, lasting, lag_s in ((53.0, 1.0, 1.0), (54.5, 1.0, 6.0), (54.5, 0.75, 1.0)):
        k, s = of_charge("dry_intake_c")
        s.asked_fast = s.asked_slow = 1.0
        s.asked_lasting = lasting
        s.value[DRY_INTAKE] = s.dry_slow_c = 70.0
        s.value[INTAKE] = read_c
        judge_charge(k, s, True, 1.0, 0.125)
        followed = (54.0 - read_c) / 16.0 * 0.125 / (0.125 + lag_s)
        assert s.charge_off == pytest.approx(-followed + 0.08 * 0.125)
        assert s.charge_evidence < 1.0


def test_how_far_boost_warms_a_charge_is_learned() -> None:
    """The more the less was learned before; outliers count as three deviations; half the doubt."""
    k, s = of_charge()
    learn_rise(k, s, 0.125, 2.0)
    assert s.charge_learned_s == 2.0
    assert s.charge_rise == pytest.approx(1.0 - 2.0 / 12.0 * 0.125 * 0.5)
    assert s.charge_doubt == pytest.approx(0.4 + 0.6 * 10.0 / 12.0)
    s.charge_rise, s.charge_learned_s = 1.0, 98.0
    learn_rise(k, s, -9.0, 2.0)
    assert s.charge_rise == pytest.approx(1.0 + 2.0 / 60.0 * 3.0 / 16.0 * 0.5)
    s.charge_learned_s = 48.0
    s.charge_rise = 1.0
    learn_rise(k, s, -9.0, 2.0)
    assert s.charge_rise == pytest.approx(1.0 + 2.0 / 60.0 * 3.0 / 16.0 * 0.5)
    s.charge_rise, s.flow_evidence = 1.0, 4.0
    learn_rise(k, s, 0.125, 2.0)
    assert s.charge_rise < 1.0
    s.charge_rise, s.flow_evidence = 1.0, above(4.0)
    learn_rise(k, s, 0.125, 2.0)
    assert s.charge_rise == 1.0
    s.flow_evidence, s.charge_rise = 0.0, 1.25
    learn_rise(k, s, -0.125, 2.0)
    assert s.charge_rise == 1.25


def test_a_charge_alone_says_which_share_is_missing() -> None:
    """8 of the 16 K that are due are missing: half of what is commanded is owed."""
    k = constants_of(
        rig(channels=terms("boost_kpa", "commanded_ml_min", "intake_c"), charge_sensor=CHARGE)
    )
    assert k.witness_column == INTAKE
    for read_c, missing in ((64.0, 0.5), (90.0, 1.0), (NAN, 0.0)):
        s = fresh_state(k)
        s.usable[:] = [1.0] * len(s.usable)
        s.usable[ENGINE_SPEED] = 0.0  # as at the redline
        s.usable[INTAKE] = 0.0 if read_c != read_c else 1.0
        s.value[BOOST], s.value[INTAKE] = 150.0, read_c if read_c == read_c else 64.0
        s.commanded_ml_min = full_flow_ml_min(k, 150.0)
        s.asked_fast = s.asked_slow = s.asked_lasting = 1.0
        s.heat_fast = s.heat_slow = s.heat_lasting = 1.0
        s.core_known, s.core_c = 1.0, 40.0 - 0.125 * 5.0  # it soaks up heat till then
        weigh_charge(k, s, 0.125)
        assert s.missing_share == pytest.approx(missing)
        owed = missing if s.charge_evidence > 0.0 else 0.0
        assert s.debt_ml == pytest.approx(owed * s.commanded_ml_min * 0.125 / 60.0)
        assert (s.charge_evidence > 0.0) is (missing == 0.5)  # all and more isn't believed


def test_what_is_honest_is_no_reason_not_to_believe() -> None:
    """Hotter by what new boost may add beside the rig's figure: that is no broken sensor."""
    for lasting, wrong in ((0.0, 0.0), (1.0, 1.0)):
        k, s = of_charge()
        s.core_known, s.core_c = 1.0, 40.0
        s.asked_fast = s.asked_slow = s.asked_lasting = 1.0
        s.heat_fast = s.heat_slow = 1.0
        s.heat_lasting = lasting
        # Without any spray 72 degC, 76 with the widest drop, three deviations more: 83.
        s.value[INTAKE] = 85.0
        s.charge_residual = -1.8
        judge_charge(k, s, False, 1.0, 0.125)
        assert s.charge_wrong == wrong


def test_closing_a_charge_forgets_its_evidence() -> None:
    """All sums of it, and only these."""
    _, s = of_charge()
    s.account[:] = [1.0] * len(s.account)
    s.charge_evidence = s.charge_short_s = 1.0
    close_charge(s)
    assert (s.charge_evidence, s.charge_short_s) == (0.0, 0.0)
    assert s.account == [1.0] * CHARGE_ACCOUNTS + [0.0] * (len(s.account) - CHARGE_ACCOUNTS)


def test_the_charge_adds_no_more_than_the_others_say() -> None:
    """Weather and traffic may lead it astray for long."""
    k, s = of_charge()
    s.age_s[DELIVERED], s.value[BOOST] = 1.0, -50.0
    for flow, charge, joined in ((3.0, 5.0, 6.0), (5.0, 3.0, 8.0), (0.0, 5.0, 0.0)):
        s.flow_evidence, s.charge_evidence = flow, charge
        weigh_witnesses(k, s, 0.0)
        assert s.evidence == joined


def test_the_farther_spray_cools_little_air_the_more_of_that_is_lost_to_more_air() -> None:
    """12 K colder than due is followed as cooling; a fifth of all goes with a quarter more air."""
    k, s = of_charge()
    s.core_known = 1.0
    s.asked_fast = s.asked_slow = s.asked_lasting = 1.0
    s.heat_fast = s.heat_slow = s.heat_lasting = 1.0
    s.core_c = 40.0  # dry 72 degC, due 56
    s.value[INTAKE] = 44.0
    judge_charge(k, s, False, 0.25, 0.125)
    followed = 12.0 / 16.0 * 0.125 / 0.625
    assert s.charge_cooled == pytest.approx(1.0 + followed)
    assert s.core_c == 40.0  # within what so little air leaves open, it is no colder core
    s.charge_cooled, s.charge_rise, s.value[INTAKE] = 1.5, 1.0, 72.0 - 24.0
    judge_charge(k, s, False, 0.25, 0.125)
    assert s.charge_due_c == pytest.approx(48.0)
    s.charge_rise, s.value[INTAKE] = 1.0, 72.0 - 1.2 * 16.0
    judge_charge(k, s, False, 0.3125, 0.125)
    assert s.charge_due_c == pytest.approx(72.0 - 1.2 * 16.0)
    s.charge_rise = 1.0
    s.core_c, s.value[INTAKE] = 40.0, 56.0
    judge_charge(k, s, False, 1.0, 0.125)
    assert s.charge_due_c == pytest.approx(56.0)  # never less than the rig says
    s.value[INTAKE] = 44.0
    judge_charge(k, s, False, 1.0, 0.125)
    assert s.charge_cooled == pytest.approx(1.0)
    assert s.core_c == pytest.approx(40.0 - 12.0 * 0.125 / 0.625)  # in all its air it is the core


def test_a_core_is_known_anew_between_pulls() -> None:
    """Once the quickest sensor has all but forgotten the spray; the middle one's rest counts."""
    k, s = of_charge()
    s.core_known, s.core_c, s.value[INTAKE] = 1.0, 40.0, 50.0
    s.asked_fast, s.asked_slow = 0.04, 0.36
    judge_charge(k, s, False, 1.0, 0.125)
    warm = (40.0 - 10.0) / 40.0
    assert s.core_c == pytest.approx(40.0 + 0.2 * (10.0 + 0.5 * warm * 16.0 * 0.4))
    s.core_c, s.asked_fast = 40.0, above(0.05)
    judge_charge(k, s, False, 1.0, 0.125)
    assert s.core_c == 40.0


def test_a_charge_that_comes_back_from_colder_has_not_jumped() -> None:
    """What boost was to add and didn't is taken off again at once: no sensor does wrong in that."""
    for before, wrong in ((2.0, 0.0), (0.125, 0.0), (-1.0, 0.0)):
        k, s = of_charge()
        s.core_known, s.core_c, s.value[INTAKE] = 1.0, 40.0, 56.0
        s.asked_fast = s.asked_slow = s.asked_lasting = 1.0
        s.heat_fast = s.heat_slow = s.heat_lasting = 1.0
        s.charge_residual = before
        judge_charge(k, s, False, 1.0, 0.125)
        assert s.charge_wrong == wrong
