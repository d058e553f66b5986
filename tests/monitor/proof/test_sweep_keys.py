"""What is swept: keys and ends as they are written, the points between."""

import pytest

from monitor.proof.sweep_keys import POINTS, SweptKey, settings, swept_keys
from simulator.strict import BadInput
from tests.kit.proofs import brindle

CUT = "debt.cut=300 ms..0.9e3 ms"
EVERY = "debt.false_pull_every = 1 h .. 10000 h"
GAIN = "flow_sensor.gain_within=2 %..10 %"
BAD = {
    "no ends": ("debt.cut", 'found "debt.cut", expected KEY=LOW..HIGH, such as'),
    "one end": ("debt.cut=1 s", 'found "debt.cut=1 s", expected KEY=LOW..HIGH'),
    "no key": ("=1 s..2 s", "expected KEY=LOW..HIGH"),
    "no number": ("debt.cut=x..2 s", "expected KEY=LOW..HIGH"),
    "nan": ("debt.cut=nan s..2 s", "expected KEY=LOW..HIGH"),
    "three dots": ("debt.cut=1 s...2 s", "expected KEY=LOW..HIGH"),
    "terminal": ("debt.cut=1 s..2 s\x1b[2J", "expected KEY=LOW..HIGH"),
    "upside down": ("debt.cut=2 s..1 s", "expected LOW below HIGH"),
    "one value": ("debt.cut=1 s..1 s", "expected LOW below HIGH"),
    "unit of one": ("debt.cut=0.3..1 s", "each with the same unit"),
    "other units": ("debt.cut=300 ms..1 s", "each with the same unit"),
    "no unit": ("debt.cut=0.3..1", 'debt.cut: found "0.3", expected text with a time unit'),
    "wrong unit": ("debt.cut=1 kPa..2 kPa", 'found "1 kPa" (a pressure unit)'),
    "no such key": ("debt.cutt=1 s..2 s", "debt.cutt: found an unknown key, expected debt.cut"),
    "no table": ("debt=1 s..2 s", "debt: found a table"),
    "of the car": (
        "vehicle.mass_kg=900..1000",
        "a key that can't change here, since it",
    ),
    "of the rows": ("time.period=10 ms..20 ms", "a key that can't change here, since"),
    "beyond": ("debt.cut=1000 s..2000 s", 'debt.cut: found "1000 s", expected'),
}


@pytest.mark.parametrize("case", BAD)
def test_what_can_not_be_swept_is_one_line(case: str) -> None:
    """Which option, what was found, what was expected; no file is blamed for it."""
    text, said = BAD[case]
    with pytest.raises(BadInput) as raised:
        settings(brindle(), swept_keys([text]), None)
    assert str(raised.value).startswith("--sweep: ")
    assert said in str(raised.value)
    assert "\n" not in str(raised.value)


def test_too_many_keys_and_one_twice() -> None:
    """Each key once, and eight of them at most."""
    with pytest.raises(BadInput, match=r"debt\.cut twice"):
        swept_keys([CUT, "debt.cut = 1 s..2 s"])
    with pytest.raises(BadInput, match="found 9 keys, expected at most 8"):
        swept_keys([f"k{i}=1..2" for i in range(9)])


def test_one_key_goes_from_end_to_end() -> None:
    """By sums; by factors where the ends are ten times apart; both ends are points."""
    found, left_out = settings(brindle(), swept_keys([CUT]), 4)
    assert [one.values for one in found] == [("300 ms",), ("500 ms",), ("700 ms",), ("900 ms",)]
    cut_s = [one.rig_file.rig.debt.cut_s for one in found]
    assert cut_s == pytest.approx([0.3, 0.5, 0.7, 0.9])
    assert left_out == ""
    found, _ = settings(brindle(), swept_keys([EVERY]), 5)
    assert [one.values[0] for one in found] == ["1 h", "10 h", "100 h", "1000 h", "10000 h"]
    assert [one.place for one in found] == [(0.0,), (0.25,), (0.5,), (0.75,), (1.0,)]
    assert len(settings(brindle(), swept_keys([EVERY]), None)[0]) == POINTS[0]


def test_two_keys_are_a_grid() -> None:
    """As many steps of each as there is room for."""
    found, _ = settings(brindle(), swept_keys([EVERY, GAIN]), 10)
    assert len(found) == 9
    assert {one.values for one in found} >= {("1 h", "2 %"), ("10000 h", "10 %"), ("100 h", "6 %")}
    at = next(one for one in found if one.values == ("100 h", "10 %"))
    assert at.rig_file.rig.flow_sensor.gain_within == 0.1
    assert at.rig_file.rig.debt.false_pull_every_h == 100.0
    assert len(settings(brindle(), swept_keys([EVERY, GAIN]), None)[0]) == POINTS[1]


def test_three_keys_are_sobol_points() -> None:
    """As many as are asked for, the same every time, evenly: half of them in each half of a key."""
    keys = swept_keys([EVERY, GAIN, CUT])
    places = [one.place for one in settings(brindle(), keys, 16)[0]]
    assert places == [one.place for one in settings(brindle(), keys, 16)[0]]
    assert len(set(places)) == 16
    for key in range(3):
        assert sum(place[key] < 0.5 for place in places) == 8
        assert all(0.0 < place[key] < 1.0 for place in places)
    assert len(settings(brindle(), keys, 5)[0]) == 5
    assert len(settings(brindle(), keys, None)[0]) == POINTS[2]


def test_points_that_contradict_the_rig_are_left_out() -> None:
    """How many, and why of one of them."""
    found, left_out = settings(brindle(), swept_keys(["flow_sensor.lag=10 ms..200 ms"]), 20)
    assert 0 < len(found) < 20
    assert found[-1].values == ("200 ms",)
    assert left_out.startswith(f"{20 - len(found)} of 20 points left out; --sweep: flow_sensor.lag")


def test_values_are_told_apart() -> None:
    """Three digits, or as many as it takes."""
    key = SweptKey("debt.cut", 1.0, 1.001, "s")
    assert list(key.written((0.0, 0.5, 1.0)).values()) == ["1 s", "1.0005 s", "1.001 s"]
    assert key.ends == "1 s to 1.001 s"
