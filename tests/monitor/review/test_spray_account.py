"""What was sprayed in a log: each number against rows that were made for it."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.review.judge import OF_EVERY_ROW
from monitor.review.spray_account import SprayAccount
from monitor.review.window import Floats
from rules.channels import INTAKE, LINE
from rules.step.from_rig import constants_of
from tests.kit.rigs import rig

K = constants_of(rig())
PERIOD_S = 0.01


def rows(seconds: float, **columns: float) -> dict[str, Floats]:
    """Return rows at 100 a second: healthy, 400 mL/min due and read at 120 kPa, or as told."""
    n = round(seconds / PERIOD_S)
    usual = {"all_healthy": 1.0, "boost_kpa": 120.0, "line_due_kpa": np.nan, "charge_due_c": np.nan}
    flows = dict.fromkeys(("commanded_ml_min", "expected_ml_min", "delivered_ml_min"), 400.0)
    numbers = dict.fromkeys(OF_EVERY_ROW, 0.0) | usual | flows | columns
    return {name: np.full(n, value) for name, value in numbers.items()}


def joined(*parts: dict[str, Floats]) -> dict[str, Floats]:
    """Return rows one behind the other; the clock begins at 1 s, the car's at 101 s."""
    whole = {name: np.concatenate([part[name] for part in parts]) for name in OF_EVERY_ROW}
    whole["clock_s"] = 1.0 + PERIOD_S * np.arange(len(whole["clock_s"]))
    whole["time_s"] = whole["clock_s"] + 100.0
    return whole


def account(every: dict[str, Floats], size: int = 10**6, k: object = K) -> SprayAccount:
    """Return what rows come to, taken in blocks of a size."""
    made = SprayAccount()
    for at in range(0, len(every["clock_s"]), size):
        block = {name: column[at : at + size] for name, column in every.items()}
        judged = (block["all_healthy"] != 0.0) & (block["late"] == 0.0)
        made.take(k, block, judged)  # type: ignore[arg-type]
    made.finish()
    return made


def idle(seconds: float, **columns: float) -> dict[str, Floats]:
    """Return rows in which no spray is asked for, off boost."""
    none = dict.fromkeys(("commanded_ml_min", "expected_ml_min", "delivered_ml_min"), 0.0)
    return rows(seconds, **({"boost_kpa": 20.0} | none | columns))


def test_volumes_and_times() -> None:
    """6 s at 400 mL/min are 40 mL; a flow that nobody asked for isn't what arrived of it."""
    found = account(
        joined(
            idle(5.0, delivered_ml_min=3.0),
            rows(3.0, boost_kpa=100.0),
            rows(3.0, delivered_ml_min=300.0),
            idle(2.0, boost_kpa=130.0),
        )
    )
    assert found.sprayed_s == pytest.approx(6.0)
    assert (found.low_kpa, found.high_kpa, found.most_kpa) == (100.0, 120.0, 130.0)
    assert found.commanded_ml == pytest.approx(40.0)
    assert found.delivered_ml == pytest.approx(35.0)
    assert found.unjudged_s == 0.0
    assert found.evidence == (0.0, K.limit_nats, None)


def test_what_still_arrives_behind_the_command_counts() -> None:
    """Fluid under way, as the rig expects it, belongs to what was commanded before."""
    late = rows(0.3, commanded_ml_min=0.0, delivered_ml_min=200.0)
    found = account(joined(rows(1.0), late, idle(1.0)))
    assert found.sprayed_s == pytest.approx(1.0, abs=0.011)
    assert found.delivered_ml == pytest.approx(400.0 / 60.0 + 1.0, rel=0.02)


def test_the_worst_half_second_and_the_one_at_the_highest_boost() -> None:
    """Each says what was due and read, and when; half a second of it, not one odd reading."""
    every = joined(
        rows(2.0),
        rows(1.0, delivered_ml_min=360.0, boost_kpa=110.0),
        rows(2.0),
        rows(1.0, boost_kpa=150.0, expected_ml_min=390.0, delivered_ml_min=385.0),
        rows(2.0),
    )
    every["delivered_ml_min"][120] = 0.0
    found = account(every)
    assert found.worst is not None
    assert found.worst == pytest.approx((103.0, 110.0, 400.0, 360.0))
    assert found.top == pytest.approx((106.0, 150.0, 390.0, 385.0))


def test_what_is_not_steady_is_not_compared() -> None:
    """At an onset what is due has yet to come up to the command; so has a pull of 0.4 s."""
    found = account(joined(rows(2.0, expected_ml_min=350.0, delivered_ml_min=100.0), idle(1.0)))
    assert (found.worst, found.top) == (None, None)
    assert found.delivered_ml > 0.0
    assert account(joined(idle(2.0), rows(0.4), idle(2.0))).worst is None


def test_rows_that_were_not_judged_do_not_count() -> None:
    """Blind or late, they are only told of as time."""
    blind = rows(1.5, all_healthy=0.0, delivered_ml_min=np.nan)
    found = account(joined(rows(1.0), blind, rows(1.0)))
    assert found.sprayed_s == pytest.approx(2.0, abs=0.011)
    assert found.unjudged_s == pytest.approx(1.5)
    assert found.commanded_ml == pytest.approx(800.0 / 60.0, rel=0.01)
    assert found.as_json()["worst"]["reads"] == pytest.approx(400.0)


@pytest.mark.parametrize("size", [1, 7, 333])
def test_blocks_of_any_size_come_to_the_same(size: int) -> None:
    """Where a log is cut into blocks decides nothing."""
    every = joined(idle(1.0), rows(2.3), rows(0.8, delivered_ml_min=350.0), rows(2.0), idle(1.0))
    every["boost_kpa"] -= 0.1 * every["clock_s"]
    every["evidence"][300] = 5.0
    every["debt_ml"][310] = 0.3
    whole, parts = account(every).as_json(), account(every, size).as_json()
    assert parts.pop("worst") == pytest.approx(whole.pop("worst"))
    assert parts.pop("at_highest_boost") == pytest.approx(whole.pop("at_highest_boost"))
    for name in ("sprayed_s", "not_judged_s", "commanded_ml", "expected_ml", "delivered_ml"):
        assert parts.pop(name) == pytest.approx(whole.pop(name))
    assert parts == whole


def test_peaks_are_those_nearest_to_the_limit_of_their_time() -> None:
    """Where a running guard's limit was changed, 6 of 10 is nearer than 7 of 20."""
    made = SprayAccount()
    for limit, evidence, debt_ml in ((10.0, 6.0, 0.5), (20.0, 7.0, 0.7)):
        every = joined(rows(1.0))
        every["evidence"][40], every["debt_ml"][60] = evidence, debt_ml
        made.take(replace(K, limit_nats=limit, cut_ml=2.0), every, every["late"] == 0.0)
    assert made.evidence == pytest.approx((6.0, 10.0, 101.4))
    assert made.debt_ml == pytest.approx((0.7, 2.0, 101.6))
    told = made.as_json()["peak_debt"]
    assert told["limit_s"] == pytest.approx(2.0 / (K.full_ml_min / 60.0))
    assert told["s"] / told["limit_s"] == pytest.approx(0.35)


@pytest.mark.parametrize(
    ("witness", "due", "reads", "usual", "worst"),
    [
        (LINE, "line_due_kpa", "value_line_kpa", 900.0, 800.0),
        (LINE, "line_due_kpa", "value_line_kpa", 900.0, 1000.0),  # a clog raises it
        (INTAKE, "charge_due_c", "value_intake_c", 40.0, 46.0),
    ],
)
def test_a_car_without_a_flow_sensor_is_told_of_by_its_witness(
    witness: int, due: str, reads: str, usual: float, worst: float
) -> None:
    """Line pressure off to either side, an intake that is too warm; mL that arrived: unknown."""
    every = joined(
        rows(2.0, delivered_ml_min=np.nan, **{due: usual, reads: usual}),
        rows(1.0, delivered_ml_min=np.nan, **{due: usual, reads: worst}),
        rows(1.0, delivered_ml_min=np.nan, **{reads: 0.0}),  # where the witness says nothing
    )
    found = account(every, k=replace(K, witness_column=witness))
    assert found.worst == pytest.approx((103.0, 120.0, usual, worst))
    told = found.as_json()
    assert told["delivered_ml"] is None
    assert told["commanded_ml"] == pytest.approx(1600.0 / 60.0, rel=0.01)
