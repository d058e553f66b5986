"""A real pump loop: commissioned from each file's first 400 rows, then judged by the real guard.

Readings of a laboratory water loop whose inlet valve was closed somewhat: Katser, I. D., Kozitsin,
V. O., Skoltech Anomaly Benchmark (SKAB), 2020, doi:10.34740/kaggle/dsv/1693952. The data stays
beside the project. Rows are read as 20 a second, and the flow scaled to that of a spray system.

Four of the sixteen files lose less, 1 to 3 %, than what a flow sensor's gain may drift by from one
day to the next and half of the least shortfall that the guard looks for: no limit finds these.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rules.facts import Action
from rules.guard import Guard
from rules.handling import least_found_share
from rules.step.from_rig import constants_of
from rules.step.state import UNDER_DELIVERY, Decision
from simulator.identify import Identified, Series, identify, rig_with
from tests.kit.paths import ROOT
from tests.kit.rigs import rig

DATA = ROOT.parent / "shared" / "data" / "waterloop"
pytestmark = pytest.mark.skipif(
    not DATA.is_dir(), reason=f"the water loop's data doesn't lie beside the project, at {DATA}"
)
ROWS_HZ = 20.0
ML_MIN_A_LITRE = 10.0  # as if a litre a minute were so many millilitres
LEARNT = 400  # rows
FACTS = rig()
NOZZLE = replace(FACTS.spray.nozzles[0], rated_ml_min=3000.0)  # so that nothing caps the command
FACTS = replace(FACTS, spray=replace(FACTS.spray, nozzles=(NOZZLE,)))


def read(path: Path) -> tuple[Any, Any]:
    """Return flow (mL/min) and where it isn't healthy, (n,) each."""
    lines = path.read_text(encoding="utf-8").splitlines()
    names = lines[0].split(";")
    rows = [line.split(";") for line in lines[1:]]
    flow = np.array([float(row[names.index("Volume Flow RateRMS")]) for row in rows])
    wrong = np.zeros(len(flow), bool)
    if "anomaly" in names:
        wrong = np.array([float(row[names.index("anomaly")]) > 0.0 for row in rows])
    return ML_MIN_A_LITRE * flow, wrong


def judged(flow: Any) -> tuple[Identified, float, Any]:
    """Return what was identified, the least share found, and what is asked for missing flow."""
    log = Series(
        np.arange(len(flow)) / ROWS_HZ,
        {
            "boost_kpa": np.full(len(flow), 150.0),
            "commanded_ml_min": np.full(len(flow), flow[:LEARNT].mean()),
            "delivered_ml_min": flow,
        },
    )
    found = identify([log.between(0, LEARNT)], FACTS)
    fitted = rig_with(FACTS, found.numbers)
    decided = Decision.named(np.ascontiguousarray(Guard(fitted).run_rows(log.rows())))
    return found, least_found_share(constants_of(fitted)), decided["level"][:, UNDER_DELIVERY]


def test_valve_that_closes_is_found_and_nothing_before() -> None:
    """Nothing is said falsely in 16 files, 12 are found, and what isn't lacks too little."""
    told = 0
    for number in range(16):
        flow, wrong = read(DATA / "valve1" / f"{number}.csv")
        found, least, level = judged(flow)
        onset = int(np.flatnonzero(wrong)[0])
        assert found.left_out == ()
        assert not level[:onset].any(), number
        if level[wrong].max() >= Action.WARN:
            told += 1
        else:
            assert 1.0 - flow[wrong].mean() / flow[:LEARNT].mean() < least
    assert told >= 12


def test_healthy_run_is_left_alone() -> None:
    """In 9405 rows no flow is said to be missing."""
    flow, _ = read(DATA / "anomaly-free" / "anomaly-free.csv")
    assert not judged(flow)[2].any()


def test_command_that_stands_still_tells_no_delay() -> None:
    """Gain and noise can be told, delay and lag can't, and that is said."""
    numbers = judged(read(DATA / "valve1" / "0.csv")[0])[0].numbers
    assert numbers["flow_sensor.gain"].value == pytest.approx(1.0, abs=0.01)
    assert numbers["flow_sensor.lag"].value is None
    assert "the command never moves" in numbers["flow_sensor.lag"].why_not
