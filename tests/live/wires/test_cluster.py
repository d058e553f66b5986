"""``flowdebt prove --cluster``: real scheduler, real workers; one is killed, one has other code."""

import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from monitor.proof import cluster
from monitor.proof.store import Store
from simulator.proof.proving import Came, Job
from tests.kit.dask_cluster import dask_cluster
from tests.kit.proofs import QUICK

SURE = QUICK.replace('"70 %"', '"90 %"').replace('"60 %"', '"90 %"')  # a few jobs a row
RUN = ["prove", "req.toml", "--rig", "brindle", "--json"]


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder with requirements in it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "req.toml").write_text(SURE, encoding="utf-8")


def on_first_kept(monkeypatch: pytest.MonkeyPatch, what: Callable[[], object]) -> None:
    """Let something happen in mid-run: as soon as the first job is kept."""
    keep = Store.keep
    came_before: list[Job] = []

    def keep_and(store: Store, job: Job, came: Came) -> None:
        keep(store, job, came)
        if not came_before:
            came_before.append(job)
            what()

    monkeypatch.setattr(Store, "keep", keep_and)


def test_a_killed_worker_loses_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two workers, one of them killed with jobs in its hands: the same bytes as here."""
    assert flowdebt([*RUN, "--jobs", "1", "--to", "here"]) == 0
    here = capsys.readouterr().out
    with dask_cluster(tmp_path, 2) as (address, (_, victim, _)):

        def kill() -> None:
            victim.kill()
            victim.wait()

        on_first_kept(monkeypatch, kill)
        assert flowdebt([*RUN, "--cluster", address, "--to", "there"]) == 0
        assert victim.poll() is not None
    assert capsys.readouterr().out == here
    kept = {path.name: path.read_bytes() for path in Path("here").iterdir()}
    there = {path.name: path.read_bytes() for path in Path("there").iterdir()}
    assert len(kept) > 4
    assert {name: there.get(name) for name in kept} == kept


def test_what_is_wrong_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Other code, other sums, ctrl+c, a scheduler that is lost: nothing wrong is kept, all else."""
    with dask_cluster(tmp_path, 1) as (address, (scheduler, _)):
        prove = [*RUN, "--cluster", address]
        refused = {
            "this_code": ("flowdebt 9 (code 0)", "expected flowdebt 9 (code 0), as here"),
            "trial": ("0", "found a trial drive that ends otherwise than here"),
            "_RUN_ORDER": ("__import__('nobody')", "found ModuleNotFoundError: No module named"),
        }
        for name, (value, said) in refused.items():
            with monkeypatch.context() as patched:
                function = name != "_RUN_ORDER"
                patched.setattr(cluster, name, (lambda *_, v=value: v) if function else value)
                assert flowdebt(prove) == 2
            out, err = capsys.readouterr()
            assert (out, err.count("\n")) == ("", 1)
            assert said in err
            assert list(Path("req.proof").glob("*-*.json")) == []

        with monkeypatch.context() as patched:
            on_first_kept(patched, lambda: signal.raise_signal(signal.SIGINT))
            assert flowdebt(prove) == 130
        assert "the same command goes on from there" in capsys.readouterr().err
        (first,) = Path("req.proof").glob("*-*.json")

        with monkeypatch.context() as patched:
            on_first_kept(patched, scheduler.kill)
            assert flowdebt(prove) == 2
        out, err = capsys.readouterr()
        assert (out, err.count("\n")) == ("", 1)
        assert "found its scheduler gone" in err
        assert len(list(Path("req.proof").glob("*-*.json"))) > 1
        assert first.exists()
