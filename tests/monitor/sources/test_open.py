"""What a person names is the source it looks like, or one clear error."""

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.source_facts import SourceKind
from monitor.sources.fed import FedSource
from monitor.sources.mqtt import MqttSource
from monitor.sources.open import open_source
from monitor.sources.recorded import RecordedSource
from monitor.sources.serial_line import SerialSource
from monitor.sources.simulated import SimulatedSource
from rules.channels import Sample
from simulator.rig import rig_from_text
from simulator.strict import BadInput
from tests.kit.recordings import record
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")


def log(folder: Path) -> str:
    """Write a log; return its path."""
    path = folder / "log.csv"
    path.write_text("time_s,boost_kpa,delivered_ml_min\n1,2,3\n", encoding="ascii")
    return str(path)


def session(folder: Path) -> str:
    """Record a session; return its path."""
    return str(record(folder, [Sample(1.0, boost_kpa=2.0)], RIG))


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        (lambda _: "/dev/ttyUSB7", SerialSource),
        (lambda _: "COM3", SerialSource),
        (lambda _: "usb:0403:6001", SerialSource),
        (lambda _: "socket://127.0.0.1:5000", SerialSource),
        (lambda _: "MQTT://box/cars/one", MqttSource),
        (lambda _: "sim:pump_stop", SimulatedSource),
        (log, RecordedSource),
        (session, RecordedSource),
    ],
)
def test_a_name_is_the_source_it_looks_like(
    tmp_path: Path, name: Callable[[Path], str], kind: type
) -> None:
    """Nothing is opened yet; what is live is live, and the past is the past."""
    rig = tmp_path / "small.toml"
    rig.write_text(SMALL, encoding="utf-8")
    rig_file, source = open_source(name(tmp_path), str(rig), speed=0.0)
    assert type(source) is kind
    assert rig_file.columns
    assert (source.kind is SourceKind.LIVE) == isinstance(source, FedSource)


def test_sessions_and_scenarios_bring_their_own_rig(tmp_path: Path) -> None:
    """Everything else needs one."""
    assert open_source(session(tmp_path), None)[0].rig.name == RIG.rig.name
    assert open_source("sim:pump_stop", None)[0].rig.name
    for name in (log(tmp_path), "/dev/ttyUSB7", "mqtt://box/cars/one"):
        with pytest.raises(BadInput, match="found no --rig"):
            open_source(name, None)
