"""One guard: what it refuses, rows from columns, its fingerprint, and what it is commanded."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules import channels as ch
from rules.channels import OPERATOR, ROW_WIDTH, Sample, tick
from rules.facts import Action, CommandKind, Nozzle, Pump
from rules.guard import Guard, rows_of
from rules.step import compiled
from rules.step.arithmetic import clamp, larger, round_up, smaller
from rules.step.command import commanded_flow_ml_min
from rules.step.constants import constants_of, essential_columns
from rules.step.hydraulics import full_flow_ml_min
from tests.kit.rigs import ALL_CHANNELS, NAN, Drive, first, healthy, of_kind, rig, terms


def commanded(kind: CommandKind, boost_kpa: float, duty: float, **command: float) -> float:
    """Return the commanded flow as a share of full flow; the log says 100 mL/min and 25 %."""
    k = constants_of(of_kind(kind, command=command))
    full = full_flow_ml_min(k, boost_kpa)
    return commanded_flow_ml_min(k, boost_kpa, duty, 100.0, 25.0) / full


@pytest.mark.parametrize(
    ("kind", "boost_kpa", "duty", "share"),
    [
        (CommandKind.LOG_PERCENT, 20.0, 0.0, 0.25),  # the log is believed below the onset too
        (CommandKind.FIXED, 49.9, 50.0, 0.0),
        (CommandKind.FIXED, 50.0, 50.0, 1.0),
        (CommandKind.BOOST, 49.0, 50.0, 0.0),
        (CommandKind.BOOST, 75.0, 50.0, 0.25),
        (CommandKind.BOOST, 150.0, 50.0, 1.0),
        (CommandKind.BOOST, 200.0, 50.0, 1.0),
        (CommandKind.INJECTOR_DUTY, 49.0, 80.0, 0.0),
        (CommandKind.INJECTOR_DUTY, 60.0, 10.0, 0.0),
        (CommandKind.INJECTOR_DUTY, 60.0, 65.0, 0.75),
        (CommandKind.INJECTOR_DUTY, 60.0, 95.0, 1.0),
        (CommandKind.MAP, 49.0, 80.0, 0.0),
        (CommandKind.MAP, 75.0, 50.0, 0.35),
        (CommandKind.MAP, 150.0, 80.0, 0.85),
        (CommandKind.MAP, 300.0, 95.0, 1.0),
    ],
)
def test_each_kind_of_command(
    kind: CommandKind, boost_kpa: float, duty: float, share: float
) -> None:
    """Every kind of spray control asks for its share of what the hydraulics give at this boost."""
    assert commanded(kind, boost_kpa, duty) == pytest.approx(share, abs=1e-12)


def test_flows_in_ml_min_are_capped_by_the_hydraulics() -> None:
    """A logged or fixed flow counts as it is, up to full flow."""
    k = constants_of(of_kind(CommandKind.LOG_FLOW))
    assert commanded_flow_ml_min(k, 100.0, 0.0, 123.0, 0.0) == 123.0
    assert commanded_flow_ml_min(k, 100.0, 0.0, 5000.0, 0.0) == full_flow_ml_min(k, 100.0)
    fixed = constants_of(of_kind(CommandKind.FIXED, command={"rate_ml_min": 222.0}))
    assert commanded_flow_ml_min(fixed, 100.0, 0.0, 0.0, 0.0) == 222.0


@pytest.mark.parametrize("kind", list(CommandKind))
def test_pump_stop_is_seen_with_every_kind(kind: CommandKind) -> None:
    """Whatever commands the spray, a stopped pump at full boost is pulled within 0.4 s."""
    everything = dict.fromkeys(ALL_CHANNELS, 50.0)
    drive = Drive(of_kind(kind))
    readings = {**everything, "boost_kpa": 150.0, "commanded_ml_min": 500.0, "lambda_ratio": 0.8}
    del readings["delivered_ml_min"]
    assert {d.action for d in drive.run(3.0, **readings)} == {0.0}
    assert 0 < first(drive.run(1.0, share=0.0, **readings), Action.PULL_TIMING) <= 40


def test_essential_channels_follow_the_command() -> None:
    """Boost and delivered flow always; beside them what the command is worked out from."""
    extra = {kind: essential_columns(of_kind(kind))[2:] for kind in CommandKind}
    assert extra == {
        CommandKind.LOG_FLOW: (ch.COMMANDED,),
        CommandKind.LOG_PERCENT: (ch.COMMAND_PCT,),
        CommandKind.FIXED: (),
        CommandKind.BOOST: (),
        CommandKind.INJECTOR_DUTY: (ch.INJECTOR_DUTY,),
        CommandKind.MAP: (ch.INJECTOR_DUTY,),
    }


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"channels": terms("boost_kpa", "commanded_ml_min")}, "delivered_ml_min is essential"),
        ({"command": {"kind": CommandKind.MAP}}, "injector_duty_pct is essential"),
        ({"command": {"kind": CommandKind.LOG_PERCENT}}, "command_pct is essential"),
        ({"spray": {"nozzles": ()}}, "nozzle flow"),
        ({"spray": {"pump": Pump(1000.0, 0.0)}}, "pump free flow"),
        ({"spray": {"fluid_kg_m3": 0.0}}, "fluid density"),
        ({"spray": {"nozzles": (Nozzle(500.0, 0.0),)}}, "rated pressure"),
        ({"ladder": {"step_deg": 0.0}}, "timing step"),
        ({"command": {"kind": CommandKind.BOOST, "full_boost_kpa": 50.0}}, "full less start 0"),
        ({"command": {"kind": CommandKind.BOOST, "full_boost_kpa": np.inf}}, "start inf"),
        ({"paid": {"boost_kpa": (), "timing_deg": ()}}, "1 to 32 ascending"),
        ({"paid": {"boost_kpa": (100.0, 100.0)}}, "1 to 32 ascending"),
        ({"paid": {"boost_kpa": (0.0, NAN)}}, "1 to 32 ascending"),
        ({"paid": {"timing_deg": (1.0,)}}, "one value for each boost"),
    ],
)
def test_unsafe_facts_are_refused(changes: dict[str, Any], says: str) -> None:
    """What cannot be divided by or looked up is one clear error, not a guard that never acts."""
    with pytest.raises(ValueError, match=says):
        constants_of(rig(**changes))


@pytest.mark.parametrize(
    ("command", "says"),
    [
        ({"map_boost_kpa": (50.0,), "map_pct": ((0.0, 40.0),)}, "2 to 32 ascending"),
        ({"map_duty_pct": (80.0, 20.0)}, "2 to 32 ascending"),
        ({"map_boost_kpa": tuple(float(i) for i in range(33))}, "2 to 32 ascending"),
        ({"map_pct": ((0.0, 40.0), (30.0, 70.0))}, "found 4 cells"),
    ],
)
def test_unsafe_maps_are_refused(command: dict[str, Any], says: str) -> None:
    """A delivery map needs two ascending axes of 2 to 32 points, and every cell."""
    with pytest.raises(ValueError, match=says):
        constants_of(of_kind(CommandKind.MAP, command=command))


def test_small_arithmetic() -> None:
    """Smaller, larger, clamp, and rounding up that leaves exact multiples alone."""
    assert (smaller(1.0, 2.0), smaller(2.0, 1.0)) == (1.0, 1.0)
    assert (larger(1.0, 2.0), larger(2.0, 1.0)) == (2.0, 2.0)
    assert [clamp(x, 0.0, 1.0) for x in (-1.0, 0.5, 2.0)] == [0.0, 0.5, 1.0]
    rounded = [round_up(x, 0.5) for x in (-1.0, 0.0, 0.01, 0.5, 0.51, 4.8, 5.0)]
    assert rounded == [0.0, 0.0, 0.5, 0.5, 1.0, 5.0, 5.0]
    assert all(round_up(i * 0.1, 0.1) == i * 0.1 for i in range(100))


def test_columns_become_rows() -> None:
    """Columns left out are not sent; the operator column is nothing unless it is given."""
    rows = rows_of({"time_s": np.array([0.0, 1.0]), "boost_kpa": np.array([5.0, 6.0])})
    assert rows.shape == (2, ROW_WIDTH)
    assert rows[1].tolist() == list(Sample(1.0, boost_kpa=6.0))
    assert rows[0, OPERATOR] == 0.0
    assert tick(2.0, operator=1.0)[OPERATOR] == 1.0


@pytest.mark.parametrize(
    "columns",
    [
        {"boost_kpa": np.zeros(2)},
        {"time_s": np.zeros(2), "boots_kpa": np.zeros(2)},
        {"time_s": np.zeros(2), "boost_kpa": np.zeros(3)},
        {"time_s": np.zeros(2), "boost_kpa": np.zeros(1)},
    ],
)
def test_wrong_columns_are_refused(columns: dict[str, Any]) -> None:
    """No time, an unknown column, or another length: an error that names the column."""
    with pytest.raises(ValueError, match="column"):
        Guard(rig()).run(columns)


def test_wrong_shape_is_refused() -> None:
    """A matrix that is not ROW_WIDTH wide is refused before anything is decided."""
    with pytest.raises(ValueError, match="samples: found shape"):
        Guard(rig()).run_rows(np.zeros((3, ROW_WIDTH - 1)))


def test_fingerprint_sees_names_and_constants(monkeypatch: pytest.MonkeyPatch) -> None:
    """The compiled code's cache key changes with a called name and with a module's constant."""
    plain = compiled.fingerprint()
    assert compiled.fingerprint() == plain
    monkeypatch.setattr("rules.step.debt.MIN_PER_S", 1.0)
    changed = compiled.fingerprint()
    assert changed != plain
    monkeypatch.undo()
    code = commanded_flow_ml_min.__code__
    names = tuple("larger" if name == "smaller" else name for name in code.co_names)
    monkeypatch.setattr(commanded_flow_ml_min, "__code__", code.replace(co_names=names))
    assert compiled.fingerprint() not in (plain, changed)


def test_rig_changes_do_not_leak_between_guards() -> None:
    """Two guards share nothing: one's shortfall leaves the other at no action."""
    facts = rig()
    broken, fine = healthy(facts), healthy(replace(facts))
    assert broken.run(1.0, share=0.0)[-1].action == 3.0
    assert fine.run(1.0)[-1].action == 0.0
