"""``prove --device``: ``watch`` as a process of its own is the device, by cable or by broker.

How soon it answers is its own affair and the machine's, so what is asked of it here is little.
"""

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.attach.client import start_guard
from monitor.cli import run as flowdebt
from monitor.guard.process import Order
from rules.facts import Action
from tests.kit.brokers import amqtt_broker
from tests.kit.pty_pair import PtyPair

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals and signals")
# One run that is answered at all decides it.
NEED = """
name = "Bench"
[population]
rate = "50 Hz"

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


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder with requirements, and one for the guard."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.chdir(tmp_path)
    Path("need.toml").write_text(NEED, encoding="utf-8")


def proven(
    order: Order, device: str, listen: str, capsys: pytest.CaptureFixture[str], *more: str
) -> Any:
    """Prove a guard that is a device; the same command then plays nothing anew."""
    proves = ["prove", "need.toml", "--rig", "brindle", "--device", device, "--listen", listen]
    process, _ = start_guard(order)
    try:
        assert flowdebt([*proves, "--json", *more]) == 3
    finally:
        process.kill()
        process.wait()
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert flowdebt([*proves, "--json"]) == 3
    assert json.loads(capsys.readouterr().out) == told
    (row,), (calm,) = told["requirements"], told["calm"]
    assert row["verdict"] == "pass"
    assert 0.0 < row["outcomes"]["pull_s"][-1] < 10.0
    assert row["outcomes"]["harm"][-1] is None
    if "not counted among healthy drives" not in err:  # of a machine too busy to send in time
        assert 0.0 < calm["hours"] < calm["count"] + 1.0
        assert "of spraying decide nothing" in calm["reason"]
    return told


def test_our_own_guard_is_the_device(capsys: pytest.CaptureFixture[str]) -> None:
    """Samples on one cable, beats on the other."""
    with PtyPair() as cable, PtyPair() as wire:
        order = Order(cable.right, rig="brindle", outputs=[f"beat:{wire.left}"], arm=True)
        told = proven(order, cable.left, f"beat:{wire.right}", capsys, "--report", "proof.html")
    assert told["device"].startswith(f"fed at {cable.left}, its output heartbeat on ")
    page = Path("proof.html").read_text(encoding="utf-8")
    assert "hears nothing of what the device does" in page
    assert "by limit" not in page


def test_our_own_guard_through_a_broker(capsys: pytest.CaptureFixture[str]) -> None:
    """Samples and actions over one broker; what it says tells a warning from a pull."""
    with amqtt_broker() as broker:
        car = f"mqtt://127.0.0.1:{broker.port}/cars/one"
        device = f"{car}?form=senml"
        order = Order(device, rig="brindle", publish=f"{car}/guard")
        told = proven(order, device, f"{car}/guard?form=state", capsys)
    (row,) = told["requirements"]
    assert told["device"].endswith(f"state at cars/one/guard/state of 127.0.0.1:{broker.port}")
    assert row["outcomes"]["warn_s"][-1] <= row["outcomes"]["pull_s"][-1]
    assert row["outcomes"]["worst"][-1] >= Action.PULL_TIMING
