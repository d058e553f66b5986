"""``prove --device``: ``watch`` as a process of its own is the device, and passes or fails.

How soon it answers is its own affair and the machine's, so what is asked of it here is little.
"""

import json
import sys
from pathlib import Path

import pytest

from monitor.attach.client import start_guard
from monitor.cli import run as flowdebt
from monitor.guard.process import Order
from tests.kit.pty_pair import PtyPair

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals and signals")
# One run that is answered at all decides it.
NEED = """
name = "Bench"

[[requirements]]
name = "pump stop"
at = "low"
faults = [{ kind = "pump_stop" }]
action_at_least = "pull_timing"
within = "10 s"
share = "2 %"
confidence = "60 %"

[[calm]]
name = "let be"
action = "pull_timing"
at_most_per_100_h = 0.01
"""


def test_our_own_guard_is_the_device(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Samples on one cable, beats on the other; the same command then plays nothing anew."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.chdir(tmp_path)
    Path("need.toml").write_text(NEED, encoding="utf-8")
    with PtyPair() as cable, PtyPair() as wire:
        order = Order(cable.right, rig="brindle", outputs=[f"beat:{wire.left}"], arm=True)
        ends = ["--device", cable.left, "--listen", f"beat:{wire.right}"]
        proves = ["prove", "need.toml", "--rig", "brindle", *ends]
        process, _ = start_guard(order)
        try:
            assert flowdebt([*proves, "--report", "proof.html", "--json"]) == 3
        finally:
            process.kill()
            process.wait()
        told = json.loads(capsys.readouterr().out)
        assert flowdebt([*proves, "--json"]) == 3
        assert json.loads(capsys.readouterr().out) == told
    (row,), (calm,) = told["requirements"], told["calm"]
    assert row["verdict"] == "pass"
    passed = row["outcomes"]["pull_s"][-1]
    assert 0.0 < passed < 10.0
    assert row["outcomes"]["harm"][-1] is None
    assert told["device"].startswith(f"fed at {cable.left}, its output heartbeat on ")
    assert 0.0 < calm["hours"] < calm["count"] + 1.0
    assert "of spraying decide nothing" in calm["reason"]
    page = Path("proof.html").read_text(encoding="utf-8")
    assert "hears nothing of what the device does" in page
    assert "by limit" not in page
