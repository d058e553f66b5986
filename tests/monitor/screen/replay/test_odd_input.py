"""The replay screen under odd input: hostile text, a log that breaks off, a small terminal."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import strategies as some

from monitor.cli import run
from monitor.commands.replay import replay
from monitor.review.decide_log import decide
from monitor.review.marks import add_mark, marks_path
from monitor.screen.replay.app import ReplayDashboard
from rules.channels import TIME
from simulator.strict import BadInput
from tests.kit.replay_script import brindled, drive, log_file, replaying
from tests.kit.replays import log_of
from tests.monitor.screen.test_app import HOSTILE

TEXT = some.text(max_size=60)


@pytest.mark.asyncio
async def test_hostile_notes_and_names_are_only_text(tmp_path: Path) -> None:
    """Whatever a mark holds, and whoever set it, is shown and obeyed by nobody."""
    path = log_file(tmp_path, "[b]drive.parquet")
    log = brindled(path)
    for i, text in enumerate(HOSTILE):
        add_mark(log, float(i), text, text)
    with marks_path(log).open("ab") as file:
        file.write(b'not json\n{"kind": "mark", "time_s": null}\n\xff\xfe\n')
        file.write(
            json.dumps({"kind": "mark", "time_s": 9.0, "text": "\x1b[2J", "who": []}).encode()
        )
    async with replaying(log, who=HOSTILE[2]) as hand:
        text = await hand.look()
        assert "4 marks can't be read" in text
        shown = [text, await hand.press("l"), await hand.press("pagedown", "c")]
        shown.append(await hand.press("escape", "home", "m"))
        shown.append(await hand.type("[@click=app.quit]x[/]"))
        assert hand.app.is_running
    for text in shown:
        assert all(char.isprintable() or char == "\n" for char in text)
    assert "[@click=app.quit]x[/]" in shown[1]
    assert "[b]drive.parquet" in shown[2]
    assert "line" in shown[2]


@pytest.mark.asyncio
async def test_a_log_that_breaks_off_while_read_is_one_line(tmp_path: Path) -> None:
    """What only reading can find ends the screen with that line."""
    log = brindled(log_file(tmp_path))
    log.path.write_bytes(b"PAR1" + bytes(64))
    log.reader = None

    def refuse(*_: object, **__: object) -> None:
        raise BadInput("log: found nothing, expected rows")

    log.read = refuse  # type: ignore[method-assign]
    async with replaying(log) as hand:
        assert str(hand.app.fault) == "log: found nothing, expected rows"
        assert hand.room.shown is None


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["nowhere.csv", "--rig", "brindle"], "found no such file"),
        (["{log}"], "found no --rig"),
        (["{log}", "--rig", "brindle", "--at", "soon"], "--at: found soon, expected seconds"),
        (["{log}", "--rig", "brindle", "--at", "a"], "--at: found a, expected seconds"),
        (["{log}", "--rig", "brindle"], "found no terminal, expected one"),
    ],
)
def test_bad_input_is_one_line_before_any_screen(
    arguments: list[str],
    told: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Exit code 2, and nothing is drawn."""
    monkeypatch.chdir(tmp_path)
    log = str(log_file(tmp_path))
    assert run(["replay", *(one.replace("{log}", log) for one in arguments)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert told in err
    assert err.count("\n") == 1


def test_an_hour_s_plot_is_made_of_little(tmp_path: Path) -> None:
    """Whatever the span, what a plot draws stays small."""
    rows = np.concatenate([drive()] * 20)
    rows[:, TIME] = np.arange(len(rows)) / 50.0
    decided = decide(brindled(log_of(rows, tmp_path / "long.parquet")))
    assert len(decided.trace(decided.from_s, decided.to_s, 40)) <= 2 * len(rows) / 60 + 4


@pytest.mark.parametrize(("given", "name"), [(None, "operator"), ("", "operator"), ("Bo", "Bo")])
def test_marks_are_an_operator_s_unless_one_is_named(
    given: str | None, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No name is taken from the system: a folder handed on tells nobody's login."""
    told = []

    def begin(self: ReplayDashboard) -> None:
        told.append(self.room.who)

    monkeypatch.setattr(ReplayDashboard, "run", begin)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert replay(str(log_file(tmp_path)), rig="brindle", operator=given) == 0
    assert told == [name]


@pytest.mark.asyncio
async def test_figures_are_shown_in_us_units(tmp_path: Path) -> None:
    """Deltas too: a difference of temperatures has no offset; debt is no volume."""
    async with replaying(brindled(log_file(tmp_path))) as hand:
        await hand.press("u", "g")
        await hand.type("20")
        await hand.press("a", "g")
        await hand.type("57")
        text = " ".join((await hand.press("d")).split())
        assert "boost 21.8 -8.7 -30.5 psi" in text
        assert "intake temperature 100 86 -14 °F" in text
        assert "debt, at full flow 0.00 0.00 0.00 s" in text
        assert "gal/h" in text


@pytest.mark.asyncio
async def test_a_small_terminal_is_told_of(tmp_path: Path) -> None:
    """With what is needed; and nothing of a guard, since there is none."""
    async with replaying(brindled(log_file(tmp_path)), (70, 20)) as hand:
        text = await hand.look()
        assert "This terminal is 70x20; a replay needs at least 80x24. q quits." in text
        assert "guard" not in text
