"""Over a real tty: a fault fed at real speed, watched headless, recorded, and read back."""

import json
import signal
import subprocess
import sys
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.recorder.reader import SessionBlocks
from monitor.recorder.span import readings_of
from monitor.review.review import review
from monitor.sources.logs.open import log_blocks
from rules.channels import N_CHANNELS, TIME
from simulator.rig import find_rig, load_rig
from tests.kit.guards import short_pump_stop
from tests.kit.patience import PATIENCE_S

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")

FLOWDEBT = [sys.executable, "-c", "from monitor.cli import main; main()"]


def test_a_pump_stop_over_a_tty_is_acted_on_and_reads_back_the_same(tmp_path: Path) -> None:
    """Serial at real speed, the recorded session, and the CSV of the same run agree exactly."""
    from tests.kit.pty_pair import PtyPair

    scenario = short_pump_stop(tmp_path)
    with PtyPair() as pair:
        watch = subprocess.Popen(
            [
                *FLOWDEBT,
                "watch",
                pair.right,
                "--rig",
                "brindle",
                "--headless",
                "--json",
                "--record",
                str(tmp_path / "sessions"),
            ],
            stdout=subprocess.PIPE,
            text=True,
        )
        timer = threading.Timer(PATIENCE_S, watch.kill)  # so that a hang fails instead of hanging
        timer.start()
        assert watch.stdout is not None
        connected = json.loads(watch.stdout.readline())
        assert connected["kind"] == "notice"
        fed = subprocess.run(
            [*FLOWDEBT, "feed", str(scenario), "--to", pair.left],
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )
        assert fed.returncode == 0, fed.stderr
        assert "sent 900 samples" in fed.stderr
        watch.send_signal(signal.SIGINT)
        lines = [json.loads(line) for line in watch.stdout]
        assert watch.wait(PATIENCE_S) == 0
        timer.cancel()
        watch.stdout.close()

    bye = lines[-1]
    assert bye["kind"] == "bye"
    facts = bye["statistics"]
    assert facts["decoded"] == 900
    assert facts["received"] == facts["decoded"] + facts["headers"]
    assert facts["rejected"] == {}
    assert facts["latency"]["count"] == 900

    # Where the machine itself is late the guard is blind meanwhile; that cuts boost as well.
    live = [line["event"] for line in lines if line["kind"] == "event" and line["turn"] != "raised"]
    assert "cut_boost" in {event["action"] for event in live}

    (session,) = (tmp_path / "sessions").iterdir()
    recorded = review(session, None)
    assert recorded.reproduced is True
    assert recorded.cut is None

    log = tmp_path / "log.csv"
    subprocess.run(
        [*FLOWDEBT, "feed", str(scenario), "--to", str(log)], check=True, timeout=PATIENCE_S
    )
    of_log = log_blocks(log, load_rig(find_rig("brindle")))
    (recorded_s, before_s), values = readings(SessionBlocks(session))
    (fed_s, _), fed_values = readings(of_log)
    assert np.array_equal(values, fed_values, equal_nan=True)
    # Behind ticks for silence, where the machine was late, a row takes the newest one's time.
    behind = recorded_s != fed_s
    assert (fed_s[behind] < recorded_s[behind]).all()
    assert np.array_equal(recorded_s[behind], before_s[behind])
    found = review(log, "brindle").as_json()["events"]
    assert ("under_delivery", "cut_boost") in {(e["finding"], e["action"]) for e in found}


def readings(blocks: Iterable[Any]) -> tuple[Any, Any]:
    """Return what came over the line: times, with that of the row before, and channels."""
    rows = np.concatenate([np.asarray(block) for block in blocks])
    came = readings_of(rows)
    times = rows[:, TIME]
    before = np.concatenate((times[:1], times[:-1]))
    return (times[came], before[came]), rows[came, TIME + 1 : N_CHANNELS + 1]
