"""Whether the flow falls with boost as the rig says."""

import pytest

from simulator.identify import Series, identify
from simulator.rig import find_rig, load_rig
from tests.kit.rigs import rig
from tests.simulator.identify.logs import known_log
from tests.simulator.identify.test_command_law import healthy

RIG = load_rig(find_rig("brindle")).rig
LOG = healthy(RIG)


def test_flow_that_falls_more_than_the_rig_says_is_told() -> None:
    """By 8 % more over 100 kPa of boost; as the rig says it is nought."""
    boost = LOG.column("boost_kpa")
    more = LOG.column("delivered_ml_min") * (1.0 - 0.08 * (boost - 100.0) / 100.0)
    falls = identify([Series(LOG.t_s, {**LOG.columns, "delivered_ml_min": more})], RIG).numbers
    assert falls["spray.delivery_over_boost"].value == pytest.approx(-8.0, abs=3.0)
    assert identify([LOG], RIG).numbers["spray.delivery_over_boost"].value == pytest.approx(
        0, abs=1
    )


def test_narrow_span_of_boost_is_refused() -> None:
    """Boost that is the same in every pull tells nothing of it."""
    number = identify([known_log(5)], rig()).numbers["spray.delivery_over_boost"]
    assert "don't tell how the flow falls with boost" in number.why_not
