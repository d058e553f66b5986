"""Where the limits of the bank and of its ring of commands lie."""

import pytest

from rules.step.arithmetic import kept_share
from rules.step.bank import (
    highest_asked_ml_min,
    is_idle,
    lowest_asked_ml_min,
    move_bank,
    newest_before,
    note_idle,
    remember_command,
    stay_idle,
)
from rules.step.expectation import expect
from rules.step.state import (
    RING_SIZE,
)
from tests.rules.step.test_at_the_limit import DT_S, above, below, in_boost


@pytest.mark.parametrize("back", [0, 1, 2, 3])
def test_an_idle_ring_is_read_behind_its_two_newest_places(back: int) -> None:
    """Where the ring begins anew, too."""
    k, s = in_boost()
    s.bank_most_ml_min = s.expected_ml_min = s.commanded_ml_min = 0.0
    s.idle_s = k.under_way_s
    s.ring_last = float(back)
    note_idle(k, s, DT_S)
    assert is_idle(k, s)
    s.commanded_ml_min = s.more_ml_min = 8.0
    assert not is_idle(k, s)
    note_idle(k, s, DT_S)
    assert s.idle_s == 0.0
    s.commanded_ml_min = s.more_ml_min = 0.0
    k.ring_spacing_s = 0.25
    assert s.ring_read_nominal == s.ring_read[0] == s.ring_read[k.n_delays - 1]
    assert s.ring_read_nominal == (back - 2) % RING_SIZE
    s.ring_time_s[back] = 1.0
    s.clock_s = 1.0 + k.ring_spacing_s
    stay_idle(k, s)
    assert s.ring_time_s[back] == 1.0
    s.clock_s = 1.0 + 2.0 * k.ring_spacing_s
    stay_idle(k, s)
    assert (s.ring_time_s[back], s.ring_time_s[(back - 1) % RING_SIZE]) == (s.clock_s, 1.0)


def test_a_ring_goes_round() -> None:
    """Behind its last place its first follows, written and read."""
    k, s = in_boost()
    s.ring_started, s.ring_last = 1.0, float(RING_SIZE - 1)
    s.ring_low_ml_min[RING_SIZE - 1] = s.ring_high_ml_min[RING_SIZE - 1] = 200.0
    s.clock_s, s.commanded_ml_min = 1.0, 300.0
    remember_command(k, s)
    assert (s.ring_last, s.ring_time_s[0], s.ring_low_ml_min[0]) == (0.0, 1.0, 300.0)
    assert newest_before(s, RING_SIZE - 1, 1.0) == 0
    assert newest_before(s, RING_SIZE - 1, below(1.0)) == RING_SIZE - 1
    assert lowest_asked_ml_min(s, RING_SIZE - 1, 0.5) == 200.0
    assert lowest_asked_ml_min(s, 0, 0.5) == 200.0
    s.ring_low_ml_min[RING_SIZE - 1] = 400.0
    assert lowest_asked_ml_min(s, RING_SIZE - 1, 0.0) == 300.0
    s.ring_read[:] = [float(RING_SIZE - 1)] * len(s.ring_read)
    assert highest_asked_ml_min(k, s, 0.0) == 300.0
    s.ring_high_ml_min[RING_SIZE - 1] = 500.0
    s.ring_time_s[RING_SIZE - 1] = 0.5
    assert highest_asked_ml_min(k, s, 0.3) == 500.0
    k.refresh_s, s.ring_time_s[RING_SIZE - 2] = 0.25, 0.0
    s.ring_high_ml_min[RING_SIZE - 2] = 600.0  # a sensor that holds may still show it
    assert highest_asked_ml_min(k, s, 0.3) == 600.0
    k.refresh_s = 0.0
    # The first place is read as any other, on the way back as well.
    s.ring_last, s.ring_time_s[:3] = 2.0, [0.5, 0.75, 1.0]
    s.ring_low_ml_min[:3], s.ring_high_ml_min[:3] = [100.0, 300.0, 300.0], [900.0, 300.0, 300.0]
    s.ring_read[:] = [1.0] * len(s.ring_read)
    assert lowest_asked_ml_min(s, 1, 0.5) == 100.0
    assert highest_asked_ml_min(k, s, 1.0) == 900.0
    s.ring_time_s[RING_SIZE - 1], s.ring_low_ml_min[RING_SIZE - 1] = 0.25, 50.0
    assert lowest_asked_ml_min(s, 1, below(0.5)) == 50.0
    assert lowest_asked_ml_min(s, 2, 1.0) == 300.0
    s.ring_low_ml_min[2] = 200.0
    assert lowest_asked_ml_min(s, 1, 0.75) == 200.0


def test_a_slot_of_the_ring_holds_the_extremes_of_its_time() -> None:
    """Within its spacing, which counts to it; from there on the next begins."""
    k, s = in_boost()
    for at_s, commanded in ((1.0, 300.0), (1.0, 200.0), (1.0 + 0.5 * k.ring_spacing_s, 400.0)):
        s.clock_s, s.commanded_ml_min = at_s, commanded
        s.less_ml_min, s.more_ml_min = 10.0, 20.0
        remember_command(k, s)
    assert (s.ring_last, s.ring_low_ml_min[0], s.ring_high_ml_min[0]) == (0.0, 190.0, 420.0)
    k.ring_spacing_s = 0.25
    s.clock_s = 1.25
    remember_command(k, s)
    assert s.ring_last == 0.0
    s.clock_s = above(1.25)
    remember_command(k, s)
    assert (s.ring_last, s.ring_low_ml_min[1]) == (1.0, 390.0)


def test_what_is_expected_ends_in_exactly_nothing() -> None:
    """Once nothing flows and what is left changes no bit of any flow; not before."""
    k, s = in_boost()
    s.ring_started, s.clock_s, s.commanded_ml_min = 1.0, 1.0, 0.0
    for expected, delayed, nil in ((1e-21, 0.0, True), (1e-19, 0.0, False), (1e-21, 1e-20, False)):
        s.expected_ml_min, s.delayed_ml_min = expected, delayed
        expect(k, s, 1e-9)
        assert (s.expected_ml_min == 0.0) is nil


def test_the_bank_moves_each_car_by_its_delay_and_lag() -> None:
    """The least by the gain learned and its doubt, the most likewise; never beyond the rig's."""
    k, s = in_boost()
    for clock_s, commanded in ((0.0, 0.0), (1.0, 0.0), (1.5, 400.0), (1.75, 400.0)):
        s.clock_s, s.commanded_ml_min = clock_s, commanded
        s.less_ml_min = s.more_ml_min = 0.0
        before = list(s.car_ml_min)
        most = s.bank_most_ml_min
        move_bank(k, s, 0.25)
    asked = 400.0 if 1.75 - k.car_delay_s[0] - 0.25 >= 1.5 else 0.0
    assert s.car_ml_min[0] == pytest.approx(
        asked + (before[0] - asked) * kept_share(0.25, k.car_lag_s[0])
    )
    kept = kept_share(0.25, k.car_lag_s[0])
    assert s.bank_most_ml_min == pytest.approx(400.0 + (most - 400.0) * kept)
    s.clock_s, s.commanded_ml_min = 8.0, 400.0
    for _ in range(40):
        s.clock_s += 0.25
        move_bank(k, s, 0.25)
    for gain, doubt, least, most in (
        (1.0, 0.02, 392.0, 408.0),
        (1.0, 0.5, 400.0 * k.lowest_gain, 400.0 * k.highest_gain),
    ):
        s.gain, s.doubt, s.clock_s = gain, doubt, s.clock_s + 0.25
        move_bank(k, s, 0.25)
        assert s.least_ml_min == pytest.approx(least)
        assert s.most_ml_min == pytest.approx(most + k.floor_ml_min)
    # A falling command: the most runs down as slowly as the rig's slowest.
    s.commanded_ml_min, s.clock_s = 0.0, s.clock_s + 8.0
    move_bank(k, s, 0.25)
    s.clock_s, before_most = s.clock_s + 8.0, s.bank_most_ml_min
    move_bank(k, s, 0.25)
    assert s.bank_most_ml_min == pytest.approx(before_most * kept_share(0.25, k.run_down_lag_s))
    s.bank_most_ml_min, s.clock_s = k.nil_ml_min, s.clock_s + 1.0
    move_bank(k, s, 0.25)
    assert (s.bank_most_ml_min, s.least_ml_min, s.most_ml_min) == (0.0, 0.0, k.floor_ml_min)
    assert set(s.car_ml_min[: k.n_cars]) == {0.0}
