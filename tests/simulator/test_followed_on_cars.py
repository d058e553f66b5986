"""The simulated car does what was decided and confirms it: nothing is found against it."""

from dataclasses import replace

from rules.channels import CONFIRMED_RETARD, Sample
from rules.facts import Action
from rules.guard import Guard
from rules.step.state import NOT_FOLLOWED, Decision
from simulator.rig import find_rig, rig_from_text
from simulator.scenario import load_scenario
from tests.kit.plants import run_deciding


def test_a_drive_of_its_own_plant_is_followed() -> None:
    """The simulated car confirms what it does, a reaction time later: no finding in a pump stop."""
    text = find_rig("brindle").read_text(encoding="utf-8")
    confirming = text + "\n[channels.confirmed_retard_deg]\n[channels.confirmed_ceiling_kpa]\n"
    rig_file = rig_from_text(confirming, "confirming.toml")
    scenario = replace(load_scenario("pump_stop"), rig=rig_file.rig)
    guard = Guard(rig_file.rig)
    decisions: list[Decision] = []

    def decide(sample: Sample) -> tuple[float, float]:
        decisions.append(guard.step(sample))
        return decisions[-1].retard_deg, decisions[-1].boost_ceiling_kpa

    for _ in run_deciding(scenario, 3, decide):
        pass
    assert max(d.action for d in decisions) == Action.CUT_BOOST
    assert max(d.level[NOT_FOLLOWED] for d in decisions) == 0.0
    assert max(d.value[CONFIRMED_RETARD] for d in decisions) > 2.0
