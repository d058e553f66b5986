"""What is refused before a cluster is asked; real ones are in ``tests/live/wires``."""

import socket
import sys
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from tests.kit.proofs import QUICK

WHERE = "expected tcp://HOST:PORT or tls://HOST:PORT"


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("", WHERE),
        ("127.0.0.1:8786", WHERE),
        ("http://127.0.0.1:8786", WHERE),
        ("tcp://127.0.0.1", WHERE),
        ("tcp://:8786", WHERE),
        ("tcp://127.0.0.1:99999", WHERE),
        ("tcp://127.0.0.1:port", WHERE),
        ("tcp://[::1:8786", WHERE),
        ("tcp://x" + "\x1b" * 9000, WHERE),
        ("nobody", "found no scheduler ("),
        ("no certificate", "found no scheduler (no certificates"),
        ("no Dask", 'expected flowdebt with its extra "cluster"'),
    ],
)
def test_no_cluster_is_one_line(
    address: str,
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A bad address, nobody there, no certificates, no Dask: exit code 2, nothing left behind."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "req.toml").write_text(QUICK, encoding="utf-8")
    with socket.socket() as bound:  # and doesn't listen
        bound.bind(("127.0.0.1", 0))
        if address in ("nobody", "no certificate", "no Dask"):
            if address == "no Dask":
                monkeypatch.setitem(sys.modules, "distributed", None)
            scheme = "tls" if address == "no certificate" else "tcp"
            address = f"{scheme}://127.0.0.1:{bound.getsockname()[1]}"
        assert flowdebt(["prove", "req.toml", "--rig", "brindle", "--cluster", address]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert said in err
    assert len(err) < 400
    assert [path.name for path in tmp_path.iterdir()] == ["req.toml"]
