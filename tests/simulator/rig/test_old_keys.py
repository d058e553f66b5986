"""Keys of older days: told to whoever writes one, be it in a file or as a change."""

import re

import pytest

from monitor.review.edit import edit
from simulator.rig import rig_from_text, shipped_rigs
from simulator.rig.old_keys import OLD_KEYS, OldKey, old_keys_of
from simulator.strict import BadInput, Document, key_of
from tests.kit.recordings import BRINDLE
from tests.kit.rig_text import SMALL, complaint

IN_SPRAY = '[spray]\nKEY = "1 mL"'
RENEWS = " (flowdebt renew car.toml rewrites it)"
SURE = "none: evidence judges now, and debt.false_pull_every says how sure it must be"
GONE = "found a key that is gone, expected "
NAMED = "found an old name, expected "
SAID = {
    "spray.transport_delay": f"{NAMED}flow_sensor.transport_delay",
    "spray.lag": f"{NAMED}flow_sensor.lag",
    "debt.timing": f"{NAMED}flow_sensor.transport_delay_within",
    "debt.delay_tolerance": f"{NAMED}flow_sensor.transport_delay_within",
    "debt.share": f"{NAMED}flow_sensor.gain_within",
    "debt.floor": f"{NAMED}flow_sensor.floor",
    "debt.cut": 'found "1 mL", expected seconds of full flow such as "0.4 s", or debt.cut_volume',
    **{
        f"debt.{name}": GONE + SURE for name in ("warn", "pull", "arrears", "arrears_share", "lead")
    },
    "watch.no_delivery_for": f"{GONE}none: evidence finds a flow that is gone",
    "watch.unasked_above": f"{GONE}none: flow nobody asked for is found by evidence now",
    "watch.unasked_for": f"{GONE}none: flow nobody asked for is found by evidence now",
    **{
        f"watch.{name}": f"{GONE}none: evidence judges now, by what [charge_sensor] says of cooling"
        for name in ("least_drop_k", "most_rise_k", "cooling_for", "cooling_action")
    },
    "fault_timing": f"{NAMED}fault_intervals",
}


@pytest.mark.parametrize("old", OLD_KEYS, ids=lambda old: key_of(old.path))
def test_a_rig_with_an_old_key_says_what_to_write(old: OldKey) -> None:
    """One line: file, line, key, what to write instead, and the command that does it."""
    key = key_of(old.path)
    at_top = old.path[0] != "spray"  # SMALL has a table [spray], which takes no dotted keys
    text = f'{key} = "1 mL"\n{SMALL}' if at_top else SMALL.replace("[spray]\n", f"{IN_SPRAY}\n", 1)
    text = text.replace("KEY", str(old.path[-1]))
    line = text[: text.index('"1 mL"')].count("\n") + 1
    assert complaint(text) == f"car.toml:{line}: {key}: {SAID[key]}{RENEWS}"


def test_the_first_one_in_the_file_is_told_and_the_others_counted() -> None:
    """In the file's order, not the table's."""
    text = SMALL + '[watch]\nunasked_for = "1 s"\n[debt]\n"warn" = "1 mL"\nshare = "9 %"\n'
    told = complaint(text)
    line = SMALL.count("\n") + 2
    assert told.startswith(f"car.toml:{line}: watch.unasked_for: ")
    assert told.endswith("(flowdebt renew car.toml rewrites it and 2 more)")


@pytest.mark.parametrize("name", shipped_rigs())
def test_what_ships_has_none(name: str) -> None:
    """Nor is a cut in seconds an old key, or the new key of a volume."""
    text = shipped_rigs()[name].read_text(encoding="utf-8")
    assert old_keys_of(Document.parse(text, name)) == []
    more = '[debt]\ncut = "0.3 s"\ncut_volume = "2 mL"\n'
    debt = rig_from_text(SMALL + more, "car.toml").rig.debt
    assert (debt.cut_s, debt.cut_ml) == (0.3, 2.0)


@pytest.mark.parametrize("value", ['"soon"', "5", "true", "[1]", '"5 kPa"'])
def test_a_cut_that_is_no_volume_is_no_old_one(value: str) -> None:
    """What it wants today is said, and no command."""
    told = complaint(f"{SMALL}[debt]\ncut = {value}\n")
    assert re.match(r"car\.toml:\d+: debt\.cut: found .* expected text with a time unit", told)
    assert "renew" not in told


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ("debt.pull = 1 mL", f"debt.pull: {GONE}{SURE}"),
        ("debt.share = 9 %", f"debt.share: {NAMED}flow_sensor.gain_within"),
        ("spray.lag = 9 ms", f"spray.lag: {NAMED}flow_sensor.lag"),
        ("debt.cut = 1 mL", f"debt.cut: {SAID['debt.cut']}"),
    ],
)
def test_an_old_key_typed_as_a_change(change: str, message: str) -> None:
    """The same words; no file is to be rewritten."""
    with pytest.raises(BadInput) as caught:
        edit(BRINDLE, change)
    assert str(caught.value) == message
