"""``flowdebt review`` of several logs, and with thresholds changed: what comes out otherwise."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from monitor.cli import run as flowdebt
from monitor.recorder import layout
from monitor.review.edit import edit
from simulator.logfile import mapped, write_csv
from simulator.rig import find_rig, load_rig
from tests.kit.drives import Driven
from tests.kit.recordings import BRINDLE, record
from tests.kit.replays import session_of

CUT = '--set=debt.cut="0.2 s"'
STOP = Driven("pump_stop", 2)
CALM = Driven("part_throttle", 1)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a pump stop, a calm log, and a folder of sessions: the same pump stop."""
    folder = tmp_path_factory.mktemp("logs")
    write_csv(STOP, folder / "stop.csv", mapped(BRINDLE.rig))
    write_csv(CALM[:600], folder / "calm.csv", mapped(BRINDLE.rig))
    (folder / "drives").mkdir()
    shutil.move(record(folder, STOP), folder / "drives" / "one")
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of that, as the current folder."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def told(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> list[Any]:
    """Return the lines of JSON that a review writes."""
    assert flowdebt(["review", *arguments, "--json"]) == code
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


@pytest.mark.usefixtures("folder")
def test_several_logs_are_told_one_by_one_and_the_worst_first(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Each as it would be alone, and a last line that ranks them; the same in JSON."""
    alone = []
    for log in ("calm.csv", "stop.csv"):
        assert flowdebt(["review", log, "--rig", "brindle"]) == 0
        alone += [*capsys.readouterr().out.splitlines(), ""]
    assert flowdebt(["review", "calm.csv", "stop.csv", "--rig", "brindle"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[: len(alone)] == alone
    last, *moments = said[len(alone) :]
    assert last.startswith("worst first: stop.csv cut boost at 13.")
    assert "; calm.csv no action (evidence " in last
    *facts, ranked = told(capsys, "calm.csv", "stop.csv", "--rig", "brindle")
    assert [one["source"] for one in facts] == ["calm.csv", "stop.csv"]
    assert told(capsys, "stop.csv", "--rig", "brindle") == facts[1:]  # one log has no last line
    assert [one["source"] for one in ranked["worst_first"]] == ["stop.csv", "calm.csv"]
    assert ranked["not_judged"] == {}
    worst = ranked["worst_moments"]
    assert [one["action"] for one in worst[:2]] == ["cut_boost", "cut_boost"]
    assert worst[0]["what"].startswith("under-delivery, ")
    assert worst[0]["command"] == "flowdebt replay stop.csv --rig brindle --at 0:13.05"
    assert [one["share_of_limit"] for one in worst[2:]] == sorted(
        (one["share_of_limit"] for one in worst[2:]), reverse=True
    )
    assert moments[0] == f"worst moments of all, {len(worst)} of {len(worst)}:"
    assert moments[1].startswith("   1. stop.csv at 0:13.05: under-delivery, ")
    assert moments[2].strip() == worst[0]["command"]


@pytest.mark.usefixtures("folder")
def test_a_folder_stands_for_the_logs_in_it(capsys: pytest.CaptureFixture[str]) -> None:
    """Sessions and logs by name, each once, and none that lies deeper."""
    Path("notes.md").write_text("not a log", encoding="utf-8")
    *facts, _ = told(capsys, ".", "stop.csv", "drives", "--rig", "brindle")
    assert [one["source"] for one in facts] == ["calm.csv", "stop.csv", "one"]
    Path("more").mkdir()
    shutil.copy("stop.csv", "more/stop.csv")
    *facts, _ = told(capsys, "more", "stop.csv", "--rig", "brindle")
    assert [one["source"] for one in facts] == [str(Path("more/stop.csv")), "stop.csv"]


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("more", [(), (CUT,)])
def test_a_log_that_cannot_be_read_holds_up_no_other(
    more: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    """One line for it, the rest is told, and the exit code says so."""
    Path("odd.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    logs = ["gone.csv", "odd.csv", "stop.csv"]
    assert flowdebt(["review", *logs, "--rig", "brindle", *more]) == 2
    out, err = capsys.readouterr()
    assert [line.partition(": found")[0] for line in err.splitlines()] == [
        "flowdebt: gone.csv",
        "flowdebt: odd.csv:1",
    ]
    assert out.startswith("stop.csv: 2400 rows")
    assert ("in all, 1 of 3 logs" if more else "1 of 3 logs read; worst first: stop") in out
    _, last = told(capsys, *logs, "--rig", "brindle", *more, code=2)
    assert list(last["not_judged"]) == ["gone.csv", "odd.csv"]


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("log", ["stop.csv", "drives"])
def test_a_lower_limit_cuts_sooner(log: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The cut moves by the difference of both decidings; pulls stay where they are."""
    (one,) = told(capsys, log, "--rig", "brindle", CUT)
    assert one["changes"] == [{"key": "debt.cut", "before": "0.4 s", "after": "0.2 s"}]
    cuts = [
        next(
            step["time_s"]
            for event in one[side]["events"]
            for step in event["steps"]
            if step["action"] == "cut_boost"
        )
        for side in ("before", "after")
    ]
    (first, *_) = one["differences"]
    assert (first["kind"], first["action"], first["unit"]) == ("earlier", "cut_boost", "s")
    assert first["by"] == pytest.approx(cuts[0] - cuts[1])
    assert one["actions"]["cut_boost"]["moved_s"][0] == pytest.approx(cuts[1] - cuts[0])
    assert one["actions"]["pull_timing"]["moved_s"] == []
    assert flowdebt(["review", log, "--rig", "brindle", CUT]) == 0
    out = capsys.readouterr().out
    assert "what if: debt.cut 0.4 -> 0.2 s" in out
    assert f"cut boost of under-delivery: {first['by']:.2f} s earlier" in out
    assert out.endswith(
        "Readings stay as recorded: how the car would have answered is not known.\n"
    )


@pytest.mark.usefixtures("folder")
def test_what_vanishes_is_added_up_over_all_logs(capsys: pytest.CaptureFixture[str]) -> None:
    """A limit out of reach: the cuts of the shortfall are gone; their events, and knock, are not.

    With --fail-on it is what would have been that counts.
    """
    never = ("--set=debt.cut=600 s", "--set=ladder.shortfall_outlasts=600 s")
    *each, last = told(capsys, "stop.csv", "drives", "calm.csv", "--rig", "brindle", *never)
    gone = [one for facts in each for one in facts["differences"] if one["kind"] == "vanishes"]
    assert {one["action"] for one in gone} == {"cut_boost"}
    cut = last["actions"]["cut_boost"]
    assert cut["vanishes"] == len(gone) == cut["before"] - cut["after"]
    assert last["logs"] == 3
    for action, tally in last["actions"].items():
        parts = [facts["actions"][action] for facts in each]
        for count in ("before", "after", "appears", "vanishes"):
            assert tally[count] == sum(part[count] for part in parts)
    watched = (*never, "--set=watch.knock_persists_for=600 s", "--fail-on", "cut_boost")
    assert flowdebt(["review", "stop.csv", "--rig", "brindle", "--fail-on", "cut_boost"]) == 1
    assert flowdebt(["review", "stop.csv", "--rig", "brindle", *watched]) == 0


def test_a_session_that_is_not_whole_or_was_changed_says_so(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Cut off, and with other thresholds in its second half: the changes count throughout."""
    changed = edit(BRINDLE, "debt.cut = 0.3 s")
    session = session_of(folder, other=changed)
    events = session / layout.EVENTS
    *lines, _ = events.read_bytes().splitlines(keepends=True)
    events.write_bytes(b"".join(lines))
    assert flowdebt(["review", str(session), CUT]) == 0
    out = capsys.readouterr().out
    assert "  the recording is not whole: no end record" in out
    assert "what if they had been these throughout" in out
    assert "what if: debt.cut 0.4 -> 0.2 s" in out  # from what the session began with


@pytest.mark.usefixtures("folder")
def test_nothing_differs(capsys: pytest.CaptureFixture[str]) -> None:
    """The value that is there already changes nothing, and that is said."""
    assert flowdebt(["review", "stop.csv", "--rig", "brindle", "--set=debt.cut=400 ms"]) == 0
    out = capsys.readouterr().out
    assert "what if: nothing is changed: the rig says so already" in out
    assert "nothing comes out otherwise" in out


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("debt.cutt=0.2 s", "--set: debt.cutt: found an unknown key, expected debt.cut"),
        ("debt.cut=soon", '--set: debt.cut: found "soon", expected'),
        ("debt.cut", "expected a change such as debt.cut = 0.5 s"),
        ("time.unit=ms", "--set: time.unit: found a key that can't change here"),
    ],
)
def test_a_wrong_change_is_one_line_before_anything_is_read(
    change: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """However many logs there are."""
    assert flowdebt(["review", "stop.csv", "drives", "--rig", "brindle", "--set", change]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert said in err


@pytest.mark.usefixtures("folder")
def test_a_wrong_rig_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    """And not one a log."""
    assert flowdebt(["review", "stop.csv", "calm.csv", "--rig", "nemo"]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert err.startswith('flowdebt: found rig "nemo"')


def test_a_change_that_suits_one_rig_alone(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where sessions have rigs of their own, the one it doesn't suit is told, the other tried."""
    orrinby = load_rig(find_rig("orrinby"))
    shutil.move(record(folder / "drives", STOP[:300], orrinby), folder / "drives" / "two")
    change = ("--set", "channels.delivered_ml_min.max_age=0.2 s")
    assert flowdebt(["review", "drives", *change]) == 2
    out, err = capsys.readouterr()
    assert "one: 2400 rows" in out
    assert "in all, 1 of 2 logs:" in out
    assert err.startswith("flowdebt: two: --set: channels.delivered_ml_min.max_age: found a key")
    assert err.count("\n") == 1
