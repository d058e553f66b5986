"""``flowdebt review`` of several logs in real processes: broken off, or one of them killed."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from simulator.logfile import mapped, write_csv
from simulator.plant import run
from simulator.scenario import load_scenario
from tests.kit.patience import PATIENCE_S, until
from tests.kit.recordings import BRINDLE
from tests.live.guards.test_prove import children

pytestmark = pytest.mark.skipif(os.name == "nt", reason="no process groups, no such signals")
MAIN = (
    "import monitor.review.in_processes as m; m.BYTES_WORTH_IT = 0\n"
    "import monitor.commands.coverage as c; c.processors = lambda: 2\n"
    "from monitor.cli import main; main()"
)
LOGS = ("one.csv", "two.csv", "three.csv")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with logs in it."""
    samples = list(run(load_scenario("pump_stop"), 2))
    for name in LOGS:
        write_csv(samples, tmp_path / name, mapped(BRINDLE.rig))
    return tmp_path


def start(folder: Path) -> subprocess.Popen[str]:
    """Begin to review them in two processes, in a group of its own."""
    return subprocess.Popen(
        [sys.executable, "-c", MAIN, "review", *LOGS, "--rig", "brindle", "--json"],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        start_new_session=True,
    )


@pytest.mark.parametrize("whole_group", [True, False])
def test_broken_off_it_ends_at_once_without_a_word(folder: Path, whole_group: bool) -> None:
    """Ctrl-C goes to the group, another's signal to one of it: nobody is left behind."""
    review = start(folder)
    until(lambda: len(children(review.pid)) == 2)
    workers = children(review.pid)
    (os.killpg if whole_group else os.kill)(review.pid, signal.SIGINT)
    _, err = review.communicate(timeout=PATIENCE_S)
    assert (review.returncode, err) == (130, "")
    until(lambda: not any(_is_there(worker) for worker in workers))


def test_a_killed_one_is_told_for_each_log_that_is_left(folder: Path) -> None:
    """A line a log, and exit code 2."""
    review = start(folder)
    until(lambda: len(children(review.pid)) == 2)
    for worker in children(review.pid):
        os.kill(worker, signal.SIGKILL)
    out, err = review.communicate(timeout=PATIENCE_S)
    assert review.returncode == 2
    assert err.count("found the process that read it killed") == err.count("\n") >= 1
    assert "Traceback" not in err
    assert '"not_judged": {"' in out


def _is_there(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True
