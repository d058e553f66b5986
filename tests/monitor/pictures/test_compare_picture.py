"""The picture of a comparison: right size, both groups, the gain and its interval."""

import struct
from pathlib import Path

import numpy as np
import pytest

from monitor.pictures.compare_picture import SIZE_PX, draw, save_comparison
from monitor.words.units import METRIC, US
from simulator.strict import BadInput
from tests.kit.dyno_runs import Drawn
from tests.monitor.dyno.test_comparing import SPRAYED, compared


def test_picture_shows_both_groups_and_the_gain(tmp_path: Path) -> None:
    """Curves in the units asked for, told apart by style, too; what wasn't read isn't drawn."""
    found = compared(tmp_path, [Drawn()] * 3, [SPRAYED] * 3)
    figure = draw(found, "Small", US)
    power, torque, gained, *beside = figure.axes
    dry, spray = power.get_lines()
    assert [line.get_label() for line in (dry, spray)] == ["dry", "spray"]
    assert dry.get_linestyle() != spray.get_linestyle()
    assert (power.get_ylabel(), torque.get_ylabel()) == ("power, hp", "torque, lb ft")
    middle = np.asarray(torque.get_lines()[0].get_ydata())[len(found.speed_rpm) // 2]
    assert middle == pytest.approx(300.0 * 0.73756, rel=0.02)
    gain = np.asarray(gained.get_lines()[1].get_ydata(), float)
    assert gain[0] == pytest.approx(1.34102 * found.power_gain[0].value, rel=1e-5)
    assert len(gained.collections) == 1
    assert [axis.get_title(loc="left") for axis in beside] == [
        "boost, psi", "intake, °F", "flow, gal/h"
    ]  # fmt: skip


def test_without_an_interval_none_is_drawn(tmp_path: Path) -> None:
    """Of single runs: neither a band of runs nor of the gain."""
    found = compared(tmp_path, [Drawn()], [SPRAYED])
    gained = draw(found, "Small", METRIC).axes[2]
    assert not gained.collections


def test_where_boost_differs_no_gain_is_drawn(tmp_path: Path) -> None:
    """Crosses stand there instead."""
    found = compared(tmp_path, [Drawn()] * 2, [SPRAYED] * 2)
    found.boost_differs[-4:] = True
    crosses = draw(found, "Small", METRIC).axes[2].get_lines()[-1]
    assert crosses.get_label() == "boost differs: not told"
    assert len(np.asarray(crosses.get_xdata())) == 4


def test_a_picture_is_written_once(tmp_path: Path) -> None:
    """As PNG of its size, and as SVG; never over another."""
    found = compared(tmp_path, [Drawn()], [SPRAYED])
    save_comparison(found, "Small $x$", METRIC, tmp_path / "a.png")
    head = (tmp_path / "a.png").read_bytes()[:24]
    assert struct.unpack(">II", head[16:]) == SIZE_PX
    save_comparison(found, "Small", METRIC, tmp_path / "a.svg")
    assert (tmp_path / "a.svg").read_bytes().startswith(b"<?xml")
    with pytest.raises(BadInput):
        save_comparison(found, "Small", METRIC, tmp_path / "a.png")
