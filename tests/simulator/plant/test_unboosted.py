"""An engine that nothing boosts: what its manifold, its intake, its knock and its spray do."""

from functools import cache
from typing import Any, Final

import numpy as np
import pytest

from rules.step.state import FINDING_NAMES, Decision
from simulator.logfile import TRUTH_COLUMNS
from simulator.plant import Do, Fault, FaultKind, Scenario, Step
from simulator.plant.engine import full_load_share
from simulator.plant.sizing import size
from simulator.plant.tuning import tune
from simulator.rig import find_rig, load_rig
from tests.kit.batch import Run, run_whole

RIG: Final = load_rig(find_rig("quarrick")).rig
AMBIENT_C: Final = 24.0
PULL: Final = (Step(Do.IDLE, 3.0), Step(Do.CRUISE, 2.0, 4), Step(Do.PULL, 8.0, 4))
DRIVE: Final = (*PULL, Step(Do.LIFT, 3.0))
FULL: Final = slice(550, 1300)  # full throttle, samples at 100 Hz
STOPPED_AT: Final = 700
STOP: Final = Fault(FaultKind.PUMP_STOP, 0.01 * STOPPED_AT)


@cache
def drive(*faults: Fault, guarded: bool = True, ambient_c: float = AMBIENT_C) -> Run:
    """Drive it: idle, a pull in fourth, a lift."""
    what = Scenario("test", "", RIG, DRIVE, faults, ambient_c=ambient_c)
    return run_whole(what, 5, guarded=guarded, truth=True)


def true(run: Run, name: str) -> Any:
    """Return a column of the truth."""
    return run.truths[:, TRUTH_COLUMNS.index(f"true_{name}")]


def test_a_healthy_drive_looks_like_one() -> None:
    """Vacuum at idle and more on the overrun, next to none at full throttle; 9 to 14 bar.

    Bounds are common practice, no source: idle at 30 to 60 kPa absolute, the overrun below; 1 to
    9 kPa lost in filter and throttle; intake 5 to 25 K above the air outside before spray.
    """
    run = drive()
    boost = true(run, "boost_kpa")
    assert -72.0 < boost[100:300].min() < boost[100:300].max() < -40.0
    assert boost[1350:].min() < -70.0
    assert -9.0 < boost[FULL].min() < boost[FULL].max() < -0.5
    pascals = true(run, "torque_nm").max() * 4.0 * np.pi / (1e-3 * RIG.engine.displacement_l)
    assert 9e5 < pascals < 14e5
    assert 5.0 < true(run, "charge_c")[:300].min() - AMBIENT_C < 25.0
    assert run.report.harm == 0.0
    assert Decision.named(run.decisions)["level"].max() == 0.0


@pytest.mark.parametrize("ambient_c", [-10.0, AMBIENT_C, 40.0])
def test_the_manifold_warms_the_air_and_the_air_cools_it(ambient_c: float) -> None:
    """Between the head and the air outside, whichever the weather; the air less so in a pull."""
    run = drive(STOP, guarded=False, ambient_c=ambient_c)  # no spray from there on
    above = true(run, "charge_c") - ambient_c
    idle, late = above[:300], above[STOPPED_AT + 300 : 1290]
    assert 0.05 * (90.0 - ambient_c) < late.min() < late.max() < idle.min()
    assert idle.max() < 0.5 * (90.0 - ambient_c)


def test_petrol_is_enriched_over_the_last_of_the_throttle() -> None:
    """From none in cruise to all of it at full throttle; a boosted engine's begins at 0 kPa."""
    k = size(RIG, Scenario("test", "", RIG, PULL), 1)
    top_kpa = RIG.paid.boost_kpa[-1]
    shares = [full_load_share(k, kpa) for kpa in (-60.0, top_kpa - 20.0, top_kpa - 10.0, top_kpa)]
    assert shares == pytest.approx([0.0, 0.0, 0.5, 1.0])
    brindle = load_rig(find_rig("brindle")).rig
    k = size(brindle, Scenario("test", "", brindle, PULL), 1)
    assert [full_load_share(k, kpa) for kpa in (-60.0, 0.0, 85.0, 170.0)] == [0.0, 0.0, 0.5, 1.0]


def test_the_spray_pays_in_timing() -> None:
    """What the rig claims can be bought, a few degrees, and the tune spends it at full throttle."""
    found = tune(RIG, None)
    assert found.overdrawn is None
    assert [one.claimed_deg for one in found.spent] == [5.0]
    assert 5.0 <= found.spent[0].bought_deg < 8.0
    assert found.boost_kpa[0] < -50.0
    assert found.boost_kpa[-1] == 0.0


def test_without_spray_it_knocks_and_is_saved() -> None:
    """Left alone a stopped pump knocks on a hot day; guarded, timing, then load, end it."""
    alone = drive(STOP, guarded=False, ambient_c=34.0)
    saved = drive(STOP, ambient_c=34.0)
    assert alone.report.harm > 2.0
    assert saved.report.harm < 0.2 * alone.report.harm


def test_cut_boost_holds_the_manifold_at_the_dry_limit() -> None:
    """There is none to cut: the throttle closes until the manifold stands at the dry limit."""
    run = drive(STOP)
    decided = Decision.named(run.decisions)
    ceiling = decided["boost_ceiling_kpa"]
    cut = int(np.isfinite(ceiling).argmax())
    assert ceiling[cut] == RIG.paid.dry_limit_kpa < 0.0
    held = true(run, "boost_kpa")[cut + 50 : 1300]
    assert RIG.paid.dry_limit_kpa - 8.0 < held.min() < held.max() < RIG.paid.dry_limit_kpa + 1.0
    # It stays until vacuum says that the foot is off the pedal.
    assert np.isfinite(ceiling[cut:1300]).all()
    assert not np.isfinite(ceiling[-1])


def test_vacuum_draws_at_idle_and_is_told_within_a_second() -> None:
    """A worn valve of a third of the nozzles' opening, at idle: flow nobody asked for."""
    run = drive(Fault(FaultKind.SIPHON, 1.0, magnitude=0.35))
    level = Decision.named(run.decisions)["level"][:, FINDING_NAMES.index("unasked_flow")]
    told_s = float(run.rows[int((level > 0.0).argmax()), 0])
    assert 1.0 < told_s < 2.0
    assert true(run, "flow_ml_min")[100:300].max() > 20.0
