"""From what a person names on the command line to a source and the rig to judge it with."""

import os
from pathlib import Path

from monitor.recorder.reader import SessionBlocks, is_session
from monitor.sources.base import Source
from monitor.sources.logs.file_kind import SUFFIXES
from monitor.sources.paced import pace_of
from simulator.rig import RigFile, find_rig, load_rig
from simulator.scenario import load_scenario_and_rig
from simulator.strict import BadInput, clean

SIMULATED = "sim:"
BROKERS = ("mqtt://", "mqtts://")


def open_source(
    name: str, rig: str | None, speed: float = 1.0, baud: int | None = None, seed: int | None = None
) -> tuple[RigFile, Source]:
    """Return the rig to decide with and the source a name means.

    Args:
        name: ``sim:SCENARIO``, a session's folder, a log (CSV, Parquet, Arrow IPC), a serial port
            or pyserial URL, or a broker's address (``mqtt://HOST/PREFIX``).
        rig: Rig file or shipped name. Sessions and scenarios bring their own.
        speed: Of logs, sessions and simulated cars; 0 or infinite is as fast as possible.
        baud: Of a serial port; None takes the rig's.
        seed: Of a simulated car; None takes the scenario's.

    Raises:
        BadInput: Nothing that can be read, or no rig.
    """
    pace = pace_of(speed)
    if name.startswith(SIMULATED):
        return _simulated(name.removeprefix(SIMULATED), rig, pace, seed)
    if name.lower().startswith(BROKERS):
        return _broker(name, rig)
    path = Path(name)
    if is_session(path):
        return _session(path, rig, pace)
    if "://" not in name and (path.suffix.lower() in SUFFIXES or _may_be_a_log(path)):
        return _log(path, rig, pace)
    from monitor.sources.serial_line import SerialSource

    rig_file = load_rig(find_rig(_needed(rig, name)))
    return rig_file, SerialSource(name, rig_file, baud=baud)


def _may_be_a_log(path: Path) -> bool:
    """Whether something is there that is no port; whatever else it is, reading it says."""
    try:
        return not path.is_char_device() and os.path.lexists(path)
    except OSError:  # a name too long
        return False


def _broker(name: str, rig: str | None) -> tuple[RigFile, Source]:
    from monitor.broker.address import without_secrets
    from monitor.sources.mqtt import MqttSource

    rig_file = load_rig(find_rig(_needed(rig, without_secrets(name))))
    return rig_file, MqttSource(name, rig_file)


def _simulated(
    scenario_name: str, rig: str | None, pace: float, seed: int | None
) -> tuple[RigFile, Source]:
    from monitor.sources.simulated import SimulatedSource

    scenario, rig_file = load_scenario_and_rig(scenario_name)
    if rig is not None:
        rig_file = load_rig(find_rig(rig))
    return rig_file, SimulatedSource(scenario, seed=seed, speed=pace)


def _session(path: Path, rig: str | None, pace: float) -> tuple[RigFile, Source]:
    from monitor.sources.recorded import RecordedSource

    blocks = SessionBlocks(path)
    rig_file = blocks.rig_file() if rig is None else load_rig(find_rig(rig))
    return rig_file, RecordedSource(path, blocks, speed=pace)


def _log(path: Path, rig: str | None, pace: float) -> tuple[RigFile, Source]:
    from monitor.sources.logs.open import log_blocks, rig_of_log
    from monitor.sources.recorded import RecordedSource

    rig_file = rig_of_log(path, rig)
    blocks = log_blocks(path, rig_file, small=True)
    return rig_file, RecordedSource(path, blocks, speed=pace)


def _needed(rig: str | None, name: str) -> str:
    if rig is None:
        raise BadInput(
            f"{clean(name)}: found no --rig, expected a rig file or a shipped rig's name"
        )
    return rig
