"""Scores are fair: who does nothing, always cuts or calls at random is beaten over all lessons."""

from statistics import fmean

import pytest

from simulator.drill.calls import CALL_WORDS, NOTHING_WRONG
from simulator.drill.lesson import load_lesson, shipped_lessons
from simulator.drill.players import ATTENTIVE, GUARD, NOBODY, PLAYERS, play, scores
from simulator.drill.ride import Ride
from simulator.drill.words import Act, Failsafe
from tests.kit.rides import bits

CLEARLY = 20.0  # points of 100, as a mean over all lessons
WEAK = (NOBODY, "always cuts", "calls at random", "says nothing is wrong")


@pytest.fixture(scope="module")
def means() -> dict[str, float]:
    """Return each player's mean points over all lessons, each with a seed of its own.

    ``python -m tests.bench drill`` has more seeds, and all of the players.
    """
    found = []
    for name in shipped_lessons():
        lesson = load_lesson(name)
        players = (*WEAK, GUARD, ATTENTIVE)
        found.append(scores(lesson, 100 * lesson.number, players, compiled=True))
    return {name: fmean(one[name].points for one in found) for name in found[0]}


@pytest.mark.parametrize("strong", [GUARD, ATTENTIVE])
@pytest.mark.parametrize("weak", WEAK)
def test_no_shortcut_pays(means: dict[str, float], weak: str, strong: str) -> None:
    """Guard and attentive rule of thumb score clearly more than each of them."""
    assert means[strong] > means[weak] + CLEARLY


def test_who_always_cuts_does_so_from_the_first_moment() -> None:
    """One act, and no call."""
    ride, case = play(load_lesson("same_road"), 3, "always cuts", compiled=True)
    assert [(answer.kind, answer.what) for answer in ride.answers] == [("act", Act.CUT_BOOST)]
    assert ride.answers[0].time_s < 0.1
    assert case.call in CALL_WORDS


def test_the_guard_rides_with_its_failsafe_and_names_what_it_found() -> None:
    """In a lesson without failsafe, too; and a pump that stops is called the pump."""
    lesson = load_lesson("same_road")
    seed = next(s for s in range(20) if lesson.ride_plan(s)[1].call == "pump")
    ride, _ = play(lesson, seed, GUARD, compiled=True)
    assert ride.failsafe is Failsafe.ON
    assert [answer.what for answer in ride.answers] == ["pump"]


def test_an_attentive_trainee_leaves_a_healthy_car_alone() -> None:
    """It only says so, in the end."""
    lesson = load_lesson("same_road")
    seed = next(s for s in range(20) if not lesson.ride_plan(s)[1].faults)
    ride, _ = play(lesson, seed, ATTENTIVE, compiled=True)
    assert [answer.what for answer in ride.answers] == [NOTHING_WRONG]
    assert ride.answers[0].time_s > lesson.scenario.duration_s - 1.5


@pytest.mark.parametrize("name", PLAYERS)
def test_whoever_is_not_due_misses_nothing(name: str) -> None:
    """Driven on at once until it is due, a player does what it does looking at each sample."""
    lesson = load_lesson("first_pulls")
    ride, _ = play(lesson, 4, name, compiled=True)
    plan, _ = lesson.ride_plan(4)
    failsafe = Failsafe.ON if name == GUARD else lesson.failsafe
    looked_at = Ride(plan, 4, failsafe=failsafe, late_by_s=lesson.late_by_s, compiled=True)
    player = PLAYERS[name](lesson, 4)
    while not looked_at.finished:
        player.look(looked_at, looked_at.step())
    assert ride.answers == looked_at.answers
    assert bits(ride) == bits(looked_at)


def test_players_do_the_same_again_with_the_same_seed() -> None:
    """A random caller calls as its seed says."""
    lesson = load_lesson("first_pulls")
    first, again, other = (
        play(lesson, seed, "calls at random", compiled=True)[0].answers for seed in (5, 5, 6)
    )
    assert first == again != other
    assert set(PLAYERS) >= set(WEAK)
