"""The picture of a fit: right size, right words, right bars."""

import struct
from pathlib import Path

import numpy as np
import pytest
from matplotlib.patches import Rectangle

from monitor.commission.fitting import Fitted, fit_logs
from monitor.commission.rig_logs import read_rig_logs
from monitor.pictures.fit_picture import SIZE_PX, draw, save_fit
from simulator.logfile import mapped, write_csv
from simulator.plant import Do, Scenario, Step, run
from simulator.rig import find_rig, load_rig
from simulator.strict import BadInput

BRINDLE = load_rig(find_rig("brindle"))
PULL = (Step(Do.CRUISE, 3.0, 3), Step(Do.PULL, 4.0, 3), Step(Do.LIFT, 2.5))


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> Fitted:
    """A fit of three pulls."""
    log = tmp_path_factory.mktemp("picture") / "a$1.csv"
    samples = run(Scenario("drive", "Nothing.", BRINDLE.rig, PULL * 3), 3)
    write_csv(samples, log, mapped(BRINDLE.rig))
    return fit_logs(*read_rig_logs([log], "brindle"), "2026-03-04")


def test_picture_shows_pull_rest_and_doubt(fitted: Fitted) -> None:
    """The fit goes through the readings, and each interval has its bar beside the rig's."""
    figure = draw(fitted)
    pull, rest, *doubts = figure.axes
    lines = {str(line.get_label()): line for line in pull.get_lines()}
    assert set(lines) == {"commanded", "flow as read", "the fit", "rig as it was"}
    read, fit = (np.asarray(lines[name].get_ydata()) for name in ("flow as read", "the fit"))
    assert np.corrcoef(read, fit)[0, 1] > 0.98
    assert abs(float(np.median(np.asarray(rest.get_lines()[0].get_ydata())))) < 2.0
    assert [axis.get_xlabel() for axis in doubts] == ["delay, ms", "lag, ms", "gain"]
    for axis, key, per in zip(
        doubts, ("transport_delay", "lag", "gain"), (1e3, 1e3, 1.0), strict=True
    ):
        found = fitted.identified.numbers[f"flow_sensor.{key}"]
        assert found.low is not None
        assert found.high is not None
        bar = axis.patches[-1]
        assert isinstance(bar, Rectangle)
        assert bar.get_x() == pytest.approx(per * found.low)
        assert bar.get_width() == pytest.approx(per * (found.high - found.low))


def test_picture_is_written_once(fitted: Fitted, tmp_path: Path) -> None:
    """Its size is the promised one; another of that name is left alone."""
    path = tmp_path / "fit.png"
    save_fit(fitted, path)
    assert struct.unpack(">II", path.read_bytes()[16:24]) == SIZE_PX
    with pytest.raises(BadInput, match=r"fit\.png"):
        save_fit(fitted, path)
