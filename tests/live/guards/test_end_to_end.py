"""Over a real tty: a fault fed at real speed, watched headless, recorded, and read back."""

import json
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from monitor.review.review import review
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

    live = [line["event"] for line in lines if line["kind"] == "event" and line["turn"] != "raised"]
    actions = [event["action"] for event in live if event["finding"] == "under_delivery"]
    assert actions[:2] == ["pull_timing", "cut_boost"]

    (session,) = (tmp_path / "sessions").iterdir()
    recorded = review(session, None)
    assert recorded.reproduced is True
    assert recorded.cut is None

    log = tmp_path / "log.csv"
    subprocess.run(
        [*FLOWDEBT, "feed", str(scenario), "--to", str(log)], check=True, timeout=PATIENCE_S
    )
    assert decided(recorded.as_json()) == decided(review(log, "brindle").as_json())


ENDS = {"until_s", "lasted_s"}


def decided(result: dict[str, Any]) -> list[dict[str, Any]]:
    """Return a review's events up to where silence after the last sample plays a part."""
    kept = []
    for event in result["events"]:
        if event["finding"] == "signal_lost" and event["time_s"] > 9.0:
            continue
        kept.append({name: event[name] for name in event if name not in ENDS})
    return kept
