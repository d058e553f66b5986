"""Limits by plain examples: knock, boost, intake temperature and injector duty."""

import pytest

from rules.facts import Action, Limit
from rules.step.state import DUTY_HIGH, INTAKE_HOT, KNOCK_HIGH, NO_ACTION, OVERBOOST
from tests.kit.rigs import ESSENTIAL, Drive, rig, terms


@pytest.mark.parametrize("action", [Action.WARN, Action.PULL_TIMING, Action.CUT_BOOST])
@pytest.mark.parametrize(
    ("limit", "channel", "finding"),
    [
        ("boost_kpa", "boost_kpa", OVERBOOST),
        ("knock", "knock", KNOCK_HIGH),
        ("intake_c", "intake_c", INTAKE_HOT),
        ("injector_duty_pct", "injector_duty_pct", DUTY_HIGH),
    ],
)
def test_a_limit_asks_for_its_own_action(
    action: Action, limit: str, channel: str, finding: int
) -> None:
    """A limit exceeded for 0.2 s takes its own action: not sooner, not at the limit itself."""
    optional = ("knock", "intake_c", "injector_duty_pct")
    facts = rig(
        limits={limit: Limit(above=90.0, for_s=0.2, action=action)},
        channels=terms(*ESSENTIAL, *optional),
    )
    calm = {**dict.fromkeys(optional, 50.0), "boost_kpa": 80.0}
    drive = Drive(facts)
    drive.run(2.0, **calm)
    assert drive.run(1.0, **{**calm, channel: 90.0})[-1].action == NO_ACTION
    assert drive.run(0.19, **{**calm, channel: 91.0})[-1].action == NO_ACTION
    decisions = drive.run(0.1, **{**calm, channel: 91.0})
    assert decisions[-1].action == action
    assert decisions[-1].finding == finding
    assert decisions[-1].level[finding] == action
    after = drive.run(2.0, **calm)[-1]
    assert after.action == (NO_ACTION if action is Action.WARN else action)


def test_limit_of_an_unmapped_channel_is_off() -> None:
    """A limit on a channel the rig does not map is not in force."""
    drive = Drive(rig(limits={"intake_c": Limit(above=50.0, action=Action.CUT_BOOST)}))
    assert drive.run(2.0, intake_c=200.0)[-1].action == NO_ACTION
