"""The picture of a run: right size, right words, right numbers, the same bytes."""

import struct
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

from monitor.pictures.plotting import SIZE_PX, draw, save_picture
from monitor.pictures.simulating import Run
from rules.channels import DELIVERED, NOT_SENT
from simulator.plant import Do, Fault, FaultKind, Scenario, Step
from simulator.plant.truth import TRUTH_NAMES
from simulator.rig import find_rig, load_rig
from simulator.strict import BadInput

RIG = load_rig(find_rig("brindle")).rig
DRIVE = (Step(Do.CRUISE, 0.5, 3), Step(Do.PULL, 4.0, 3), Step(Do.LIFT, 0.5))
STOP = Fault(FaultKind.PUMP_STOP, 2.2)


def ran(*faults: Fault, guarded: bool = True, name: str = "short") -> Run:
    """Run a short drive with these faults, keeping what a picture needs."""
    scenario = Scenario(name, "Nothing.", RIG, DRIVE, faults, rate_hz=50.0)
    run = Run(scenario, 3, guarded=guarded, compiled=False, keep=True)
    for _ in run.blocks():
        pass
    return run


@pytest.fixture(scope="module")
def stopped() -> Run:
    """A pump that stops under boost, the guard acting."""
    return ran(STOP)


@pytest.fixture(scope="module")
def healthy() -> Run:
    """The same drive with nothing wrong."""
    return ran()


def words(figure: Figure) -> list[str]:
    """Return every text in a figure's panels and legends."""
    texts = []
    for axis in figure.axes:
        legend = axis.get_legend()
        texts += [text.get_text() for text in axis.texts]
        texts += [text.get_text() for text in legend.get_texts()] if legend else []
        texts += [label.get_text() for label in axis.get_yticklabels()]
    return texts


def test_a_picture_has_the_promised_size(stopped: Run, tmp_path: Path) -> None:
    """A PNG of 1200 by 1500 pixels, drawn without the library's global state."""
    path = tmp_path / "a.png"
    save_picture(stopped.outcome, stopped.kept, path)
    head = path.read_bytes()[:24]
    assert head[1:4] == b"PNG"
    assert struct.unpack(">II", head[16:24]) == SIZE_PX == (1200, 1500)
    assert "matplotlib.pyplot" not in sys.modules


@pytest.mark.parametrize("ending", [".png", ".svg"])
def test_the_same_run_gives_the_same_bytes(stopped: Run, tmp_path: Path, ending: str) -> None:
    """Neither date nor chance gets into the file."""
    files = [tmp_path / f"{name}{ending}" for name in "ab"]
    for path in files:
        save_picture(stopped.outcome, stopped.kept, path)
    assert files[0].read_bytes() == files[1].read_bytes()


def test_title_and_axes_name_car_seed_and_units(stopped: Run) -> None:
    """The title has scenario, car and seed; every axis but the strip's has its unit."""
    figure = draw(stopped.outcome, stopped.kept)
    assert figure.get_suptitle() == "short, Brindle 1.8, seed 3"
    labels = [axis.get_ylabel().replace("\n", " ") for axis in figure.axes]
    assert labels[:7] == [
        "",
        "spray flow, mL/min",
        "evidence, debt, of their limits",
        "boost, kPa",
        "timing, deg",
        "intake, °C",
        "knock, deg",
    ]
    assert any(axis.get_xlabel() == "time, s" for axis in figure.axes)
    assert figure.axes[0].get_xlim() == (0.0, 5.0)


def test_nothing_is_cut_off_at_the_edge() -> None:
    """Every label lies within the picture, with harm in thousands and the tank shown."""
    run = ran(Fault(FaultKind.EMPTY_TANK, 0.5), guarded=False)
    run.kept[0].truths[:, TRUTH_NAMES.index("true_harm")] *= 1e4
    figure = draw(run.outcome, run.kept)
    figure.draw_without_rendering()
    inches = figure.get_tightbbox()
    width, height = (px / 120.0 for px in SIZE_PX)
    assert inches.x0 >= 0.0
    assert inches.x1 <= width
    assert inches.y0 >= 0.0
    assert inches.y1 <= height


def test_bands_say_in_words_what_colours_show(stopped: Run, healthy: Run) -> None:
    """Fault and action stand in the strip as words, in their order; thresholds have names."""
    figure = draw(stopped.outcome, stopped.kept)
    strip = [text.get_text() for text in figure.axes[0].texts]
    assert strip[0] == "pump stop"
    assert strip[1] == "no action"
    assert strip[-1] == "cut boost"
    said = words(figure)
    assert {"evidence", "debt", "limit: evidence pulls timing, debt cuts boost"} <= set(said)
    assert {"plausible: any car the rig allows for", "expected"} <= set(said)
    assert {"dry limit 100", "ceiling asked for", "retard the guard asked for"} <= set(said)
    calm = draw(healthy.outcome, healthy.kept)
    assert [text.get_text().strip() for text in calm.axes[0].texts] == ["none", "no action"]
    assert "ceiling asked for" not in words(calm)


def test_lines_are_the_runs_own_numbers(stopped: Run) -> None:
    """Delivered flow and harm are drawn as they were; what was not sent leaves a gap."""
    figure = draw(stopped.outcome, stopped.kept)
    by_label = {line.get_label(): line for axis in figure.axes for line in axis.lines}
    rows = np.concatenate([block.rows for block in stopped.kept])
    drawn = by_label["delivered, as the sensor reads"].get_ydata()
    assert np.array_equal(drawn, rows[:, DELIVERED])
    noisy = ran(Fault(FaultKind.WIRE_NOISE, 0.5, magnitude=0.9), guarded=False)
    figure = draw(noisy.outcome, noisy.kept)
    by_label = {line.get_label(): line for axis in figure.axes for line in axis.lines}
    rows = np.concatenate([block.rows for block in noisy.kept])
    gaps = np.isnan(np.asarray(by_label["delivered, as the sensor reads"].get_ydata(), float))
    assert np.array_equal(gaps, (rows[:, DELIVERED] == NOT_SENT) | np.isnan(rows[:, DELIVERED]))
    assert gaps.any()


def test_a_watching_guard_changes_nothing_and_the_picture_says_so(stopped: Run) -> None:
    """Without the guard's hand its ceiling and its retard are drawn as not done."""
    watched = ran(STOP, guarded=False)
    said = words(draw(watched.outcome, watched.kept))
    assert "ceiling asked for, not done" in said
    assert "where the retard asked for would put it" in said
    assert "retard the guard asked for" not in said


def test_the_tank_is_shown_where_it_matters(healthy: Run) -> None:
    """A tank that runs out has its panel; a full one only takes room."""
    empty = ran(Fault(FaultKind.EMPTY_TANK, 0.5))
    labels = [axis.get_ylabel() for axis in draw(empty.outcome, empty.kept).axes]
    assert "tank, mL" in labels
    assert "tank, mL" not in [
        axis.get_ylabel() for axis in draw(healthy.outcome, healthy.kept).axes
    ]


@pytest.mark.parametrize("name", ["a $b_{c}$ 5 $", "10 % \\alpha", "名"])
def test_any_name_is_drawn_as_it_stands(healthy: Run, tmp_path: Path, name: str) -> None:
    """A dollar sign begins no mathematics, and a script without glyphs is no warning."""
    outcome = replace(healthy.outcome, scenario=replace(healthy.outcome.scenario, name=name))
    save_picture(outcome, healthy.kept, tmp_path / "a.png")
    assert (tmp_path / "a.png").stat().st_size > 10_000


def test_faults_of_every_kind_can_be_drawn() -> None:
    """Silence, a log that is cut, a clock that steps, two faults at once, one that never began."""
    for fault in (
        Fault(FaultKind.UNPLUGGED, 1.0),
        Fault(FaultKind.LOG_CUT, 1.0),
        Fault(FaultKind.CLOCK_STEP, 1.0, magnitude=-0.1),
        Fault(FaultKind.SENSOR_OPEN, 1.0, channel="boost_kpa"),
    ):
        run = ran(fault, replace(STOP, above_boost_kpa=900.0), guarded=False)
        figure = draw(run.outcome, run.kept)
        assert sum(text.get_text().startswith(fault.kind.word.replace("_", " "))
                   for text in figure.axes[0].texts) <= 1  # fmt: skip
        assert "pump stop" not in words(figure)


def test_a_picture_that_cannot_be_written_is_one_line(healthy: Run, tmp_path: Path) -> None:
    """The error names the file and what was expected."""
    with pytest.raises(BadInput, match=r"gone.*a\.png: found no such file"):
        save_picture(healthy.outcome, healthy.kept, tmp_path / "gone" / "a.png")
