"""``flowdebt prove`` in real processes: broken off, or a worker of it killed, it goes on."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from tests.kit.patience import PATIENCE_S, until
from tests.kit.proofs import QUICK

MAIN = "from monitor.cli import main; main()"
SURE = QUICK.replace('"70 %"', '"95 %"').replace('"60 %"', '"95 %"')  # some 80 runs a row
RUN = ["prove", "req.toml", "--rig", "brindle", "--json", "--jobs"]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with requirements in it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "req.toml").write_text(SURE, encoding="utf-8")
    return tmp_path


def start() -> subprocess.Popen[str]:
    """Begin a proof of two processes, in a group of its own."""
    return subprocess.Popen(
        [sys.executable, "-c", MAIN, *RUN, "2"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        start_new_session=True,
    )


def finished(folder: Path) -> int:
    """Return how many jobs are kept."""
    return len(list((folder / "req.proof").glob("*-*.json")))


@pytest.mark.skipif(os.name == "nt", reason="no process groups, no such signals")
def test_broken_off_by_ctrl_c_or_a_killed_worker_it_goes_on(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C goes to the whole group; what was kept is used, and the result is the same bytes."""
    assert flowdebt([*RUN, "1", "--to", "whole"]) == 0
    whole = capsys.readouterr().out

    proof = start()
    until(lambda: finished(folder) >= 1)
    os.killpg(proof.pid, signal.SIGINT)
    out, err = proof.communicate(timeout=PATIENCE_S)
    assert (proof.returncode, "Traceback" in err) == (130, False)
    assert '"unfinished": true' in out
    assert "the same command goes on from there" in err
    kept = finished(folder)

    proof = start()
    until(lambda: len(children(proof.pid)) == 2)
    workers = children(proof.pid)  # looked up first: on a busy machine that takes a while
    until(lambda: finished(folder) > kept)
    for worker in workers:
        os.kill(worker, signal.SIGKILL)
    out, err = proof.communicate(timeout=PATIENCE_S)
    assert (proof.returncode, out) == (2, "")
    assert "found a process of the proof killed" in err
    assert "Traceback" not in err

    assert flowdebt([*RUN, "1"]) == 0
    assert capsys.readouterr().out == whole


def children(of: int) -> list[int]:
    """Return a process's own that were spawned to work."""
    table = subprocess.run(
        ["ps", "-A", "-ww", "-o", "pid=,ppid=,args="], capture_output=True, text=True, check=True
    ).stdout
    rows = [line.split(maxsplit=2) for line in table.splitlines()]
    return [int(pid) for pid, parent, what in rows if int(parent) == of and "spawn_main" in what]
