"""Run every hostile act and print what is lost, what is released and when, and what is said."""

import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from tests.bench.hostile import files, over_mqtt
from tests.bench.hostile.live import CLOCKS, DISKS, LINES, PLUGS, PROCESSES, Act
from tests.bench.hostile.stage import Outcome, stage
from tests.bench.table import note, show
from tests.kit.brokers import mosquitto_path

SLACK_S = 0.15  # for two cores and the bench's own threads
HEAD = ("act", "lost", "output", "after s", "promised s", "MB", "said", "as it must")
GROUPS: dict[str, tuple[Act, ...]] = {
    "processes": PROCESSES,
    "plugs": PLUGS,
    "lines": LINES,
    "clocks": CLOCKS,
    "disks": DISKS,
}


def judged(
    name: str, wanted: str, within_s: float, outcome: Outcome | BaseException
) -> tuple[object, ...]:
    """Return a row of the table."""
    if isinstance(outcome, BaseException):
        return (name, *[""] * 5, f"{type(outcome).__name__}: {outcome}"[:90], "**NO**")
    good = outcome.output == wanted or not wanted
    if good and within_s and outcome.after_s is not None:
        good = outcome.after_s <= within_s + SLACK_S
    after = "-" if outcome.after_s is None else f"{outcome.after_s:.2f}"
    said = files.ascii_only(outcome.said).replace("|", "/")
    promised = f"{within_s:.2f}" if within_s else "-"
    figures = (after, promised, f"{outcome.most_mb:.0f}" if outcome.most_mb else "-")
    return (name, outcome.lost, outcome.output, *figures, said, "yes" if good else "**NO**")


def act_out(act: Act) -> tuple[object, ...]:
    """Do an act to a guard on a tty."""
    folder = Path(tempfile.mkdtemp(prefix="hostile"))
    outcome: Outcome | BaseException
    try:
        with stage(folder) as made:
            at_s = time.monotonic()
            act.do(made)
            outcome = made.outcome(at_s)
    except Exception as error:  # noqa: BLE001  # an act that can't be done is a row, too
        outcome = error
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return judged(act.name, act.wanted, act.within_s, outcome)


def mqtt_row(
    name: str, wanted: str, within_s: float, act: Callable[[Path], Outcome]
) -> tuple[object, ...]:
    """Do an act over MQTT in a folder of its own."""
    folder = Path(tempfile.mkdtemp(prefix="hostile"))
    outcome: Outcome | BaseException
    try:
        outcome = act(folder)
    except Exception as error:  # noqa: BLE001  # as above
        outcome = error
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return judged(name, wanted, within_s, outcome)


def mqtt_rows() -> list[tuple[object, ...]]:
    """Do every act over MQTT."""
    rows = [
        mqtt_row(act.name, act.wanted, act.within_s, partial(over_mqtt.act_out, act))
        for act in over_mqtt.ACTS
    ]
    retained = "retained healthy readings, nothing else"
    rows.append(mqtt_row(retained, "released", 0.0, over_mqtt.retained_lies))
    flood = "SIGTERM in 20,000 messages/s"
    rows.append(mqtt_row(flood, "ended", over_mqtt.ENDS_S, over_mqtt.terminated_in_floods))
    return rows


def main(names: tuple[str, ...] = ()) -> None:
    """Do everything, or the groups named."""
    if sys.platform != "linux":
        note("hostile: uses /proc and pseudo-terminals, which are not here")
        return
    for name, acts in GROUPS.items():
        if not names or name in names:
            show(f"Hostile acts: {name}", HEAD, [act_out(act) for act in acts])
    if not names or "mqtt" in names:
        if mosquitto_path() is None:
            note("hostile: no mosquitto here")
        else:
            show("Hostile acts: MQTT", HEAD, mqtt_rows())
    if not names or "files" in names:
        head = ("act", "exit", "s", "MB", "said last", "as it must")
        show("Hostile files", head, files.run())


if __name__ == "__main__":
    main(tuple(sys.argv[1:]))
