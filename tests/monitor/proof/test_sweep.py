"""``flowdebt prove --sweep``: told, drawn, written as a rig; one line for whatever is wrong."""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from monitor.cli import run as flowdebt
from monitor.proof.sweep_keys import settings, swept_keys
from monitor.proof.sweep_picture import SIZE_PX, draw
from monitor.proof.sweep_rig import written
from rules.facts import Rig
from rules.step.state import N_FINDINGS
from simulator.proof import proving, sweep
from simulator.proof.false_pulls import Watched
from simulator.proof.outcomes import CHUNK, Cars, Outcome
from simulator.proof.requirements import Requirement
from simulator.rig import rig_from_text
from tests.kit.proofs import QUICK, brindle, ran, requirements

EVERY = "debt.false_pull_every=1 h..1000 h"
CUT = "debt.cut=0.2 s..0.8 s"
GAIN = "flow_sensor.gain_within=2 %..10 %"
RUN = ["prove", "req.toml", "--rig", "brindle", "--jobs", "1", "--runs", "16"]
SWEEP = [*RUN, "--sweep", EVERY, "--points", "4"]


def acted(cars: Cars, guards: Sequence[Rig], row: Requirement, chunk: int) -> list[list[Outcome]]:
    """Return runs nobody drove: who waits longer acts later, and too late in the end."""
    return [
        [ran(i, 0.1 * (1.0 + np.log10(rig.debt.false_pull_every_h)), worst=1) for i in range(CHUNK)]
        for rig in guards
    ]


def drives(guarded: Sequence[Cars], chunk: int) -> list[list[Watched]]:
    """Return drives nobody drove, in which nothing was said."""
    none = np.zeros((N_FINDINGS, 3), dtype=int)
    said = Watched(400.0, 200.0, none[0], none, np.array([3.0]))
    return [[said] * len(guarded)] * CHUNK


@pytest.fixture
def quick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A requirements file in the current folder, whose runs are made up."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "req.toml").write_text(QUICK, encoding="utf-8")
    monkeypatch.setattr(sweep, "first_actions", acted)
    monkeypatch.setattr(sweep, "with_actions", acted)
    monkeypatch.setattr(sweep, "watch_chunk", drives)
    monkeypatch.setattr(
        proving, "run_chunk", lambda cars, row, chunk: acted(cars, [cars.guard], row, chunk)[0]
    )
    return tmp_path


def swept(texts: Sequence[str], points: int | None = None) -> tuple[Any, Any, Any]:
    """Return a sweep of these keys, its keys and its points."""
    keys = swept_keys(texts)
    found, _ = settings(brindle(), keys, points)
    rig = brindle().rig
    cars = Cars(rig, rig, requirements().population)
    points_of = [(one.place, one.rig_file.rig) for one in found]
    return sweep.sweep(requirements(), cars, points_of, CHUNK), keys, found


def test_a_point_is_recommended_with_reasons(
    quick: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its rows, its neighbours, the rig as it is, and what other cars say of it."""
    assert flowdebt(SWEEP) == 0
    text = capsys.readouterr().out
    assert "4 points (debt.false_pull_every from 1 h to 1000 h), each on the same 16 cars" in text
    assert "debt.false_pull_every = 100 h: 4 of 4 points on the front meet all rows" in text
    assert "95 % are acted on within 300 ms (400 allowed)" in text
    assert "Its neighbour debt.false_pull_every = 10 h has 0 false pulls in 100 h" in text
    assert "Its neighbour debt.false_pull_every = 1000 h has 0 false pulls in 100 h" in text
    assert "The rig as it is has" in text
    assert "judged again on cars that had no part in that, and there the verdict is pass" in text
    assert "nothing is written: --to new.toml writes the rig" in text
    assert "\nPASS\n" in text
    assert [path.name for path in quick.iterdir()] == ["req.toml"]


def test_it_is_written_as_a_rig(quick: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The old text but for the value, its origin behind it, why at the head; never over a file."""
    files = ["--to", "new.toml", "--report", "a.svg", "--report", "a.png", "--report", "a.json"]
    assert flowdebt([*SWEEP, *files, "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == "wrote a.svg\nwrote a.png\nwrote a.json\nwrote new.toml\n"
    assert (quick / "a.json").read_text(encoding="utf-8") == out
    told = json.loads(out)
    assert told["recommended"] == {"debt.false_pull_every": "100 h"}
    assert [point["recommended"] for point in told["points"]] == [False, False, True, False]
    assert told["judged_again"]["verdict"] == "pass"
    text = (quick / "new.toml").read_text(encoding="utf-8")
    assert text.startswith("# Values from a sweep (20")
    assert 'false_pull_every = "100 h"  # sweep 20' in text
    assert " of Quick, 1 h to 1000 h\n" in text
    assert brindle().text.splitlines()[0] in text
    assert flowdebt([*SWEEP, "--to", "new.toml"]) == 2
    assert "nothing is overwritten" in capsys.readouterr().err


def test_a_fail_is_exit_code_1(
    quick: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where other cars fail what these passed, that counts."""
    late = [ran(i, 0.5, worst=1) for i in range(CHUNK)]
    monkeypatch.setattr(proving, "run_chunk", lambda cars, row, chunk: late)
    monkeypatch.setattr("monitor.commands.sweeping.explained", lambda proof, cars: proof)
    assert flowdebt(SWEEP) == 1
    assert "there the verdict is fail" in capsys.readouterr().out


def test_where_no_point_meets_all_the_least_lacking_is_told(
    quick: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And what it lacks."""
    (quick / "req.toml").write_text(QUICK.replace("400 ms", "50 ms"), encoding="utf-8")
    assert flowdebt([*SWEEP, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["reasons"][0].startswith("No point on the front meets all rows. debt.false_pull")
    assert told["reasons"][0].endswith("it does not meet pump stop.")


def test_broken_off_nothing_is_written(
    quick: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit code 130, and that is said."""

    def broken_off(*_: object) -> list[list[Outcome]]:
        raise KeyboardInterrupt

    monkeypatch.setattr(sweep, "with_actions", broken_off)
    assert flowdebt([*SWEEP, "--to", "new.toml"]) == 130
    assert "nothing is kept of a sweep" in capsys.readouterr().err
    assert [path.name for path in quick.iterdir()] == ["req.toml"]


BAD = {
    "key": (["--sweep", "debt.cutt=1 s..2 s"], "debt.cutt: found an unknown key"),
    "ends": (["--sweep", "debt.cut=2 s..1 s"], "expected LOW below HIGH"),
    "unit": (["--sweep", "debt.cut=0.3..1"], "expected text with a time unit"),
    "points": ([*SWEEP[-4:-1], "1"], "--points"),
    "device": ([*SWEEP[-4:], "--device", "loop://"], "--sweep: found --device beside it"),
    "replay": ([*SWEEP[-4:], "--replay", "1:2"], "--sweep: found --replay beside it"),
    "rig": ([*SWEEP[-4:], "--to", "new.json"], "new.json: found .json, expected .toml"),
    "report": ([*SWEEP[-4:], "--report", "a.html"], "found .html, expected .svg or .png or .json"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_one_line(quick: Path, case: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2, nothing run, nothing left behind."""
    arguments, said = BAD[case]
    assert flowdebt([*RUN, *arguments]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert said in err
    assert [path.name for path in quick.iterdir()] == ["req.toml"]


@pytest.mark.parametrize(
    ("keys", "panels"), [([EVERY], 6), ([EVERY, CUT], 6), ([EVERY, CUT, GAIN], 4)]
)
def test_the_picture_has_a_panel_for_each_cost(quick: Path, keys: list[str], panels: int) -> None:
    """One key: curves; two: heat maps; more: delay by each key. The front is always there."""
    found, of, _ = swept(keys, 9)
    figure = draw(found, of)
    titles = [axis.get_title("left") for axis in figure.axes]
    assert len(titles) == panels
    assert titles[0] == "delay against false pulls"
    assert tuple(figure.get_size_inches() * 120.0) == SIZE_PX


def test_nothing_known_is_drawn_as_nothing(quick: Path) -> None:
    """No rate, no delay that ever came, a point left out: still a picture."""
    found, of, _ = swept([EVERY, CUT], 4)
    never = [
        replace(row, outcomes=tuple(ran(i, np.inf) for i in range(CHUNK)))
        for row in found.points[0].rows
    ]
    points = (replace(found.points[0], rows=tuple(never), acted=False), *found.points[1:3])
    one = replace(found, points=points, front=(0, 1), best=(1,), recommended=1)
    texts = [text.get_text() for axis in draw(one, of).axes for text in axis.texts]
    assert "never" in texts
    assert "★" in texts


def test_a_second_sweep_takes_the_place_of_the_first() -> None:
    """Of a number's origin the latest is told; what a person wrote stays."""
    keys = swept_keys([EVERY])
    found, _ = settings(brindle(), keys, 4)
    text = brindle().text.replace('_every = "100 h"', '_every = "100 h"  # mine')
    rig = rig_from_text(text, "mine.toml")
    once = written(rig, keys, found[0], "Need", "2026-01-31", ["It is so."])
    twice = written(once, keys, found[3], "Other", "2026-02-01", ["It is otherwise."])
    assert 'false_pull_every = "1 h"  # mine; sweep 2026-01-31 of Need, 1 h to 1000 h' in once.text
    line = 'false_pull_every = "1000 h"  # mine; sweep 2026-02-01 of Other, 1 h to 1000 h'
    assert line in twice.text
    assert twice.rig == found[3].rig_file.rig


def test_pictures_are_the_same_bytes(quick: Path) -> None:
    """Twice the same sweep, twice the same file; and a PNG is of the size it says."""
    for name in ("a", "b"):
        assert flowdebt([*SWEEP, "--report", f"{name}.svg", "--report", f"{name}.png"]) == 0
    assert (quick / "a.svg").read_bytes() == (quick / "b.svg").read_bytes()
    with Image.open(quick / "a.png") as picture:
        assert picture.size == SIZE_PX
