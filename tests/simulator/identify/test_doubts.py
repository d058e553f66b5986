"""Wrong units, wrong or late columns are noticed, a sentence each; a right log is not doubted."""

import re
from typing import Any

import numpy as np
import pytest

from rules.facts import Rig
from simulator.identify import Series, identify
from simulator.rig import find_rig, load_rig
from tests.kit.rigs import rig
from tests.simulator.identify.logs import known_log
from tests.simulator.identify.test_command_law import healthy

RIG: Rig = load_rig(find_rig("brindle")).rig
LOG = healthy(RIG)


def doubts(**columns: Any) -> tuple[str, ...]:
    """Return what is doubted of a log with other columns."""
    return identify([Series(LOG.t_s, {**LOG.columns, **columns})], RIG).doubts


def late(name: str, by_s: float) -> Any:
    """Return a column that comes late."""
    return np.interp(LOG.t_s - by_s, LOG.t_s, LOG.column(name))


def test_right_log_is_not_doubted() -> None:
    """All columns, as they are."""
    assert doubts() == ()


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (1.0 / 63.09, "flow reads 1/63 of what is due in every pull: check its unit (gal/h read"),
        (1.0 / 16.67, "flow reads 1/17 of what is due in every pull: check its unit (L/h read as"),
        (16.67, "flow reads 17 times what is due in every pull: check its unit (mL/min read as"),
        (0.6, "measure into a jug"),
    ],
)
def test_flow_in_another_unit(factor: float, words: str) -> None:
    """By its gain, where that is a unit's factor."""
    found = doubts(delivered_ml_min=factor * LOG.column("delivered_ml_min"))
    assert any(words in one for one in found), found


@pytest.mark.parametrize(
    ("offset", "factor", "words"),
    [
        (101.3, 1.0, "is absolute pressure read as gauge"),
        (-101.3, 1.0, "is gauge read as absolute?"),
        (0.0, 1.0 / 6.895, "is psi read as kPa?"),
        (0.0, 0.01, "is bar read as kPa?"),
    ],
)
def test_boost_in_another_unit(offset: float, factor: float, words: str) -> None:
    """By where an engine rests, and by the most that this rig knows."""
    found = doubts(boost_kpa=offset + factor * LOG.column("boost_kpa"))
    assert any(words in one for one in found), found


@pytest.mark.parametrize(
    ("name", "factor", "words"),
    [
        ("injector_duty_pct", 0.01, "is a share of one for percent?"),
        ("engine_speed_rpm", 0.001, "is thousands for rpm?"),
    ],
)
def test_share_and_thousands(name: str, factor: float, words: str) -> None:
    """A hundredth, a thousandth."""
    assert any(words in one for one in doubts(**{name: factor * LOG.column(name)}))


def test_intake_in_fahrenheit() -> None:
    """A car that never cools down."""
    warm = 1.8 * (LOG.column("intake_c") + 15.0) + 32.0
    assert any("is degF read as degC?" in one for one in doubts(intake_c=warm))


@pytest.mark.parametrize("by_s", [-0.2, 0.2])
def test_late_flow(by_s: float) -> None:
    """Behind or ahead of its command."""
    found = doubts(delivered_ml_min=late("delivered_ml_min", by_s))
    words = "behind its command" if by_s > 0.0 else "ahead of its command"
    assert any(words in one for one in found), found


@pytest.mark.parametrize("by_s", [-0.2, 0.2])
@pytest.mark.parametrize("refresh_s", [0.0, 0.1])
def test_late_command(refresh_s: float, by_s: float) -> None:
    """Of a logged command, read by another rig."""
    log = known_log(4, pulls=3, refresh_s=refresh_s)
    assert identify([log], rig()).doubts == ()
    moved = np.interp(log.t_s - by_s, log.t_s, log.column("commanded_ml_min"))
    found = identify([Series(log.t_s, {**log.columns, "commanded_ml_min": moved})], rig()).doubts
    words = "ahead of its command" if by_s > 0.0 else "behind its command"
    assert len([one for one in found if words in one]) == 1, found


@pytest.mark.parametrize("by_s", [-0.2, 0.2])
def test_late_boost(by_s: float) -> None:
    """Against injector duty."""
    found = doubts(boost_kpa=late("boost_kpa", by_s))
    first, second = ("boost", "injector duty") if by_s > 0.0 else ("injector duty", "boost")
    told = [re.match(rf"{first} comes (\d+) ms behind {second}", one) for one in found]
    assert [int(match[1]) for match in told if match] == [pytest.approx(200, abs=50)], found


def test_held_readings_between_slow_rows_are_no_late_column() -> None:
    """At 10 rows a second a hold of 0.1 s isn't seen, and the flow seems so much later."""
    log = known_log(3, pulls=3, delay_s=0.15, refresh_s=0.1, rate_hz=10.0)
    found = identify([log], rig())
    assert not any("its command" in one for one in found.doubts), found.doubts


def test_late_duty() -> None:
    """Against boost."""
    found = doubts(injector_duty_pct=late("injector_duty_pct", 0.3))
    told = [re.search(r"injector duty comes (\d+) ms behind boost", one) for one in found]
    assert [int(match[1]) for match in told if match] == [pytest.approx(300, abs=50)], found


def test_another_column_for_the_flow() -> None:
    """It doesn't follow."""
    found = doubts(delivered_ml_min=200.0 + 0.02 * LOG.column("engine_speed_rpm"))
    assert any("the flow doesn't follow the command" in one for one in found), found


def test_another_column_for_the_duty() -> None:
    """It doesn't go with boost."""
    rng = np.random.default_rng(1)
    found = doubts(injector_duty_pct=rng.uniform(5.0, 80.0, len(LOG.t_s)))
    assert any("boost and injector duty don't go together" in one for one in found), found
