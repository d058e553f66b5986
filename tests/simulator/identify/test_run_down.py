"""How fast the spray runs down: from a pump that stopped under spray, else why it isn't told."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules.channels import COLUMN_OF
from simulator.identify import Series, identify
from simulator.identify.run_down import run_down
from simulator.identify.spraying import spraying
from simulator.plant import Do, Fault, FaultKind, Scenario, Step
from simulator.rig import find_rig, load_rig
from simulator.runs import Drive
from tests.kit.rigs import rig
from tests.simulator.identify.logs import known_log

RIG = rig()
STOPS_S = 36.5
PULLS = (
    *(Step(Do.CRUISE, 3.0, 3), Step(Do.PULL, 5.0, 3), Step(Do.LIFT, 2.0)) * 3,
    *(Step(Do.CRUISE, 3.0, 4), Step(Do.PULL, 6.0, 4), Step(Do.LIFT, 2.0)),
)


def stopped(run_down_s: float, **truth: Any) -> Series:
    """Return a log of three long pulls of a known car whose pump stops in the last."""
    pull = np.concatenate((np.zeros(3000), np.full(6000, 400.0)))
    share = np.ones(3 * len(pull))
    since_s = 0.001 * (np.arange(len(share)) - 2 * len(pull) - 6000)
    share -= np.clip(since_s / run_down_s, 0.0, 1.0)
    asked = np.concatenate((pull, pull, pull))
    flow = known_log(5, asked=np.concatenate((asked * share, np.zeros(3000))), **truth)
    command = known_log(5, asked=np.concatenate((asked, np.zeros(3000))), **truth)
    columns = {**command.columns, "delivered_ml_min": flow.column("delivered_ml_min")}
    return Series(flow.t_s, columns)


@pytest.mark.parametrize("run_down_s", [0.1, 0.3])
def test_a_stop_under_spray_tells_it(run_down_s: float) -> None:
    """Behind a sensor's delay and lag, in a pull that is left out for it."""
    log = stopped(run_down_s, gain=0.97)
    found = identify([log], RIG)
    told = found.numbers["spray.pump.run_down"]
    assert [bool(pull.left_out) for pull in found.pulls] == [False, False, True]
    assert told.value == pytest.approx(run_down_s, rel=0.25)
    assert told.low is not None
    assert told.high is not None
    assert told.low < run_down_s < told.high
    assert "taken for a pump that stopped, at" in told.from_


def test_a_lift_does_not_tell_it() -> None:
    """The valve shuts first: said, with what to log."""
    told = identify([known_log(5)], RIG).numbers["spray.pump.run_down"]
    assert told.value is None
    assert "in a lift a valve shuts" in told.why_not


def test_slow_rows_do_not_tell_it() -> None:
    """Ten rows a second."""
    log = stopped(0.2, rate_hz=10.0)
    told = run_down([log], RIG, spraying([log], RIG).pulls, 0.1)
    assert told.value is None
    assert "rows come too seldom" in told.why_not


@pytest.mark.parametrize(
    "spoilt",
    [
        pytest.param({"part": 0.5}, id="only a part is missing"),
        pytest.param({"back_s": 0.2}, id="it comes back at once"),
    ],
)
def test_what_is_no_stop_is_not_taken_for_one(spoilt: dict[str, float]) -> None:
    """A weak pump, a hiccup."""
    log = stopped(0.1)
    whole = stopped(1e9).column("delivered_ml_min")
    reading = np.maximum(log.column("delivered_ml_min"), spoilt.get("part", 0.0) * whole)
    down_s = float(log.t_s[np.flatnonzero(reading > 50.0)[-1]])
    if "back_s" in spoilt:
        reading = np.where(log.t_s > down_s + spoilt["back_s"], whole, reading)
    log = Series(log.t_s, {**log.columns, "delivered_ml_min": reading})
    assert run_down([log], RIG, spraying([log], RIG).pulls, 0.12).value is None


@pytest.mark.parametrize(("name", "lag_s"), [("orrinby", None), ("brindle", 0.09)])
def test_the_plants_stop_by_line_or_by_flow(name: str, lag_s: float | None) -> None:
    """Against what truly left the nozzles; by a flow sensor, with this car's lag."""
    car = load_rig(find_rig(name)).rig
    stop = (Fault(FaultKind.PUMP_STOP, STOPS_S),)
    blocks = list(
        Drive(Scenario("stop", "Nothing.", car, PULLS, stop), 3, guarded=False, compiled=True)
    )
    rows, truths = (np.concatenate(parts) for parts in zip(*map(_both, blocks), strict=True))
    log = Series(rows[:, 0], {n: rows[:, c] for n, c in COLUMN_OF.items()})
    clean = {n: np.where(np.isfinite(c), c, np.nan) for n, c in log.columns.items()}
    log = replace(log, columns=clean)
    told = run_down([log], car, spraying([log], car).pulls, lag_s)
    about = (log.t_s > STOPS_S - 0.5) & (log.t_s < STOPS_S + 1.0)
    flow = truths[about, 1] / np.median(truths[(log.t_s > STOPS_S - 0.5) & (log.t_s < STOPS_S), 1])
    falls_s = np.interp([0.2, 0.8], flow[::-1], log.t_s[about][::-1])
    assert told.value == pytest.approx((falls_s[0] - falls_s[1]) / 0.6, rel=0.3)


def _both(block: Any) -> tuple[Any, Any]:
    return block.rows, block.row_truths
