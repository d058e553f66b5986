"""``flowdebt check --done``: a step noted in the rig, seen in a log, never at the rig's cost."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from simulator.logfile import mapped, write_csv
from simulator.plant import Do, Step, run
from simulator.rig import done_in, find_rig, load_rig
from simulator.scenario import load_scenario
from tests.kit.recordings import record

CRUISE, PULL = Step(Do.CRUISE, 2.0, 3), Step(Do.PULL, 3.0, 3)
HEALTHY = replace(load_scenario("healthy_pulls"), drive=(CRUISE, PULL))
STOP = load_scenario("pump_stop")


@pytest.fixture
def car(tmp_path: Path) -> Path:
    """Brindle's rig as somebody's own."""
    path = tmp_path / "car.toml"
    path.write_bytes(find_rig("brindle").read_bytes())
    return path


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A log of a healthy pull, and one of a pump that stops."""
    folder = tmp_path_factory.mktemp("logs")
    for name, scenario in (("healthy", HEALTHY), ("stop", STOP)):
        write_csv(run(scenario, 2), folder / f"{name}.csv", mapped(scenario.rig))
    return {name: folder / f"{name}.csv" for name in ("healthy", "stop")}


def check(car: Path, *more: str) -> int:
    """Run the command; return its exit code."""
    return flowdebt(["check", str(car), *more])


def test_a_confirmed_trip_is_noted(
    car: Path, logs: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """By whom, with the log's hash, in the log's own words; what stood there stays."""
    before = car.read_text(encoding="utf-8")
    assert check(car, "--done", "trip", "--by", "Wren", "--log", str(logs["stop"])) == 0
    said = capsys.readouterr().out
    (done,) = done_in(load_rig(car))
    assert (done.step, done.by, done.changed_since) == ("trip", "Wren", False)
    assert done.log_sha256 == hashlib.sha256(logs["stop"].read_bytes()).hexdigest()
    assert done.result.startswith("cut boost at 13.")
    assert f"done: trip by Wren on {done.on}, cut boost at 13." in said
    assert car.read_text(encoding="utf-8").startswith(before)
    assert [path.name for path in car.parent.iterdir()] == ["car.toml"]
    car.write_text(
        car.read_text(encoding="utf-8").replace('cut = "0.4 s"', 'cut = "0.5 s"'), encoding="utf-8"
    )
    assert check(car) == 0
    assert "BUT the rig has changed since" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(("step", "key"), [("dry_limit", "dry_limit"), ("jug", "rated_flow")])
def test_a_step_that_leaves_a_guess_in_the_rig_is_not_noted(
    step: str, key: str, car: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was found stands in the rig, and its mark is gone, before the step counts."""
    good = car.read_text(encoding="utf-8")
    at = good.rindex(f"\n{key} = ")  # rated_flow: the nozzles' own, not the injectors'
    marked = f"{good[:at]}\n# TO DO: prove it.{good[at:]}"
    assert marked != good
    car.write_text(marked, encoding="utf-8")
    given = ["--done", step, "--by", "Wren", "--result", "as told"]
    assert check(car, *given) == 2
    assert f"{key} still marked TO DO, expected what was found" in capsys.readouterr().err
    assert car.read_text(encoding="utf-8") == marked
    car.write_text(good, encoding="utf-8")
    assert check(car, *given) == 0


def test_json_has_the_steps_and_the_next(car: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What was noted with words alone has no hash."""
    given = ["--done", "jug", "--by", "Wren", "--result", "402 mL in 60 s", "--on", "2026-01-31"]
    assert check(car, *given, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["commissioned"] == [
        {
            "step": "jug",
            "by": "Wren",
            "on": "2026-01-31",
            "result": "402 mL in 60 s",
            "log_sha256": "",
            "changed_since": False,
        }
    ]
    assert list(told["next_step"]) == ["step", "words", "command", "now_s", "then_s"]


def test_a_session_is_as_good_as_a_log(car: Path, tmp_path: Path) -> None:
    """Its samples are hashed, so that marks set later change nothing."""
    session = record(tmp_path / "sessions", list(run(HEALTHY, 2)))
    given = ["--done", "fit", "--by", "Wren", "--log", str(session)]
    assert check(car, *given) == 0
    (first,) = done_in(load_rig(car))
    assert first.result.startswith("no action; ")
    (session / "marks.jsonl").write_text("{}\n", encoding="utf-8")
    assert check(car, *given) == 0
    assert done_in(load_rig(car))[0].log_sha256 == first.log_sha256 != ""


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["--done", "trip", "--by", "Wren", "--log", "healthy"], "found no timing pulled"),
        (["--done", "trip", "--log", "stop"], "found --done without --by"),
        (["--done", "trip", "--by", "Wren"], "found --done without --log or --result"),
        (["--done", "trip", "--by", "W\x1bren", "--log", "stop"], "commissioned.trip.by"),
        (["--done", "jug", "--by", "Wren", "--result", "x", "--on", "now"], "expected a day"),
        (["--done", "jug", "--by", "Wren", "--log", "none.csv"], "none.csv: found no such file"),
        (["--by", "Wren"], "expected --done with it"),
        (["--done", "washed", "--by", "Wren"], "washed"),
    ],
)
def test_what_cannot_be_noted_is_one_line_and_leaves_the_rig(
    car: Path,
    logs: dict[str, Path],
    capsys: pytest.CaptureFixture[str],
    given: list[str],
    said: str,
) -> None:
    """Exit code 2, and not a byte of the file changed."""
    before = car.read_bytes()
    assert check(car, *(str(logs.get(word, word)) for word in given)) == 2
    err = capsys.readouterr().err
    assert said in err
    assert len(err.splitlines()) == 1
    assert car.read_bytes() == before


def test_a_shipped_rig_is_nobodys_own(capsys: pytest.CaptureFixture[str]) -> None:
    """It is never written."""
    before = find_rig("brindle").read_bytes()
    given = ["check", "brindle", "--done", "jug", "--by", "Wren", "--result", "x"]
    assert flowdebt(given) == 2
    assert "found a shipped rig, expected a rig file of your own" in capsys.readouterr().err
    assert find_rig("brindle").read_bytes() == before
