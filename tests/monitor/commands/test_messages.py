"""Messages of the commands: they name what was asked, what it came to, and what else there is."""

import asyncio
import json
import os
import signal
import sys
from pathlib import Path

import msgspec
import pytest

from monitor.attach.message_parts import OutputState
from monitor.attach.protocol import AlarmTurn, EventTurn, GuardMessage
from monitor.cli import run as flowdebt
from monitor.commands import watching
from monitor.guard.process import Order
from monitor.words.lines import in_words as line_in_words
from monitor.words.status import as_json_line, in_words
from rules.alarms.alarm import LONGEST_SHELF_S, AlarmState, Mover, Priority
from rules.causes.known import CAUSES
from rules.events import Turn
from rules.findings import FINDINGS, label_of, name_of
from simulator.coverage.cases import CASES
from simulator.scenario import shipped_scenarios
from simulator.strict.text import NEAREST, nearest
from tests.kit.guards import guard, until_bye
from tests.kit.screen_messages import alarm, event, output
from tests.kit.screen_script import frame, hello, rows

posix = pytest.mark.skipif(sys.platform == "win32", reason="POSIX sockets")


def test_channels_are_called_by_their_labels() -> None:
    """In ``flowdebt status`` and in lines; all of one health are said at once."""
    ill = {"commanded_ml_min": "stale", "line_kpa": "not a number"}
    seen = frame("No action.", rows(0.0, 1.0), 20, ill=ill)
    assert "  commanded flow stale, line pressure not a number" in in_words(hello(), seen)
    assert line_in_words(seen).endswith(" | commanded flow stale | line pressure not a number")
    silent = msgspec.structs.replace(seen, health=dict.fromkeys(seen.health, "stale"))
    assert "  every channel stale" in in_words(hello(), silent)
    assert "  every channel healthy" in in_words(hello(), frame("No action.", rows(0.0, 1.0), 20))


def test_text_or_json_lines_not_both(capsys: pytest.CaptureFixture[str]) -> None:
    """Two forms at once are refused before anything is started."""
    for command in ("demo", "watch sim:pump_stop"):
        assert flowdebt([*command.split(), "--text", "--json"]) == 2
        assert "--text: found --json too, expected text or JSON" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("outputs", "said"),
    [
        ([], ["no output is driven"]),
        ([output()], ["output RTS of /dev/x: ARMED, held (all is well)"]),
        (
            [output(held=False, why="no delivery"), output(armed=False)],
            [
                "output RTS of /dev/x: ARMED, released (no delivery)",
                "output RTS of /dev/x: dry run, would be held (all is well)",
            ],
        ),
        (
            [output(held=False, fault="/dev/x: gone\x1b[2J")],
            ["output RTS of /dev/x: ARMED, released (all is well); FAULT: /dev/x: gone[2J"],
        ),
    ],
)
def test_status_says_how_the_outputs_stand(outputs: list[OutputState], said: list[str]) -> None:
    """Held, armed, why and what is wrong, each output in a line of its own; JSON has it all."""
    seen = msgspec.structs.replace(frame("No action.", rows(0.0, 1.0), 20), outputs=outputs)
    lines = [line.strip() for line in in_words(hello(), seen)]
    assert [line for line in lines if "output" in line] == said
    assert json.loads(as_json_line(hello(), seen))["outputs"] == msgspec.to_builtins(outputs)


@pytest.mark.parametrize("minutes", ["-3", "0", "nan", "inf"])
def test_a_shelf_wants_a_time(minutes: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What is no time is bad input, before any guard is asked."""
    assert flowdebt(["alarms", "shelve", "knock", "--minutes", minutes]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert f"--minutes: found {minutes}, expected more than 0 and at most 15" in err
    assert flowdebt(["alarms", "shelve"]) == 2
    assert "found no alarm's name" in capsys.readouterr().err


@posix
@pytest.mark.asyncio
async def test_a_long_shelf_says_how_long_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """No shelf is longer than the longest; whoever asks for more is told. Stop says who stopped."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    with guard(Order("sim:healthy_pulls")) as (pid, link):
        async with link:
            await anext(link.messages())
            asked = ("alarms", "shelve", "knock", "--minutes", "90", "--json", "--pid", str(pid))
            assert await asyncio.to_thread(flowdebt, asked) == 0
            out, err = capsys.readouterr()
            assert await asyncio.to_thread(flowdebt, ("stop", "--pid", str(pid))) == 0
            _, _, bye = await until_bye(link)
    assert err == "shelved for 15 min, the most there is, not for 90\n"
    (knock,) = json.loads(out)["alarms"]
    assert 0.9 * LONGEST_SHELF_S < knock["shelf_left_s"] <= 900.0
    assert bye is not None
    assert bye.why == "stopped by flowdebt stop"
    assert capsys.readouterr().err == f"guard {pid}: stopped by flowdebt stop\n"


@posix
def test_a_guard_that_hangs_is_not_waited_for_without_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Stop gives up, says what state it is in and what can be done; the exit code is 2."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    monkeypatch.setattr(watching, "STOP_S", 0.2)
    with guard(Order("sim:healthy_pulls")) as (pid, _):
        os.kill(pid, signal.SIGSTOP)
        assert flowdebt(["stop", "--pid", str(pid)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert f"guard {pid}: found no end within 0.2 s (it says nothing: it hangs), expected" in line
    assert f"kill process {pid}: outputs are let go then" in line


@pytest.mark.parametrize("command", ["status", "alarms", "reload", "stop", "watch --attach"])
def test_without_a_guard_the_command_is_named(
    command: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One line that says which command or option found no guard."""
    monkeypatch.setenv("FLOWDEBT_RUNTIME_DIR", str(tmp_path / "run"))
    assert flowdebt(command.split()) == 2
    named = command.rsplit(maxsplit=1)[-1]
    assert capsys.readouterr().err.startswith(f"flowdebt: {named}: found no running guard")


def test_of_many_names_the_nearest_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    """Three, the likeliest first, and the command that lists them all; that command does."""
    assert flowdebt(["simulate", "pump_stpo"]) == 2
    err = capsys.readouterr().err
    assert "such as pump_stop, " in err
    assert err.partition("such as ")[2].count(", ") == NEAREST - 1
    assert f"(flowdebt simulate --list lists all {len(shipped_scenarios())})" in err
    assert len(err) < 250
    assert nearest("x" * 10**6, ["one", "two"], "w") == "one, two (w lists all 2)"
    assert flowdebt(["coverage", "--list"]) == 0
    assert "pump stop" in capsys.readouterr().out.splitlines()


@pytest.mark.parametrize(
    ("verb", "ending"), [("simulate", "csv"), ("simulate", "parquet"), ("feed", "csv")]
)
def test_no_log_is_overwritten(
    verb: str, ending: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is there is left alone, as export leaves it, and nothing is run."""
    there = tmp_path / f"log.{ending}"
    there.write_text("mine", encoding="ascii")
    assert flowdebt([verb, "pump_stop", "--to", str(there)]) == 2
    assert "log." + ending + ": found a file, expected none: nothing is overwritten" in (
        capsys.readouterr().err
    )
    assert there.read_text(encoding="ascii") == "mine"


def test_an_unfinished_log_is_taken_away(tmp_path: Path) -> None:
    """What can't be finished leaves nothing that could pass for a log, or be in the way."""
    from simulator.logfile import open_log

    for ending in ("csv", "parquet"):
        path = tmp_path / f"log.{ending}"
        with pytest.raises(KeyboardInterrupt), open_log(path, ["boost_kpa"], [], {}):
            raise KeyboardInterrupt
        assert not path.exists()


def test_people_read_one_spelling_of_every_finding() -> None:
    """The label, wherever a finding is named in words; its name or its label may be typed."""
    facts = event(until_s=2.0)
    turns = [EventTurn(turn, facts, "") for turn in Turn]
    moved = AlarmTurn(
        *(1.0, "under_delivery", AlarmState.NORMAL, AlarmState.SHELVED),
        *(Priority.HIGH, Mover.OPERATOR, "operator", False),
    )
    told: list[GuardMessage] = [*turns, moved]
    for message in told:
        assert "under-delivery" in line_in_words(message)
    seen = msgspec.structs.replace(
        frame("No action.", rows(0.0, 1.0), 20), alarms=[alarm(state="shelved")]
    )
    assert any("under-delivery (shelved)" in line for line in in_words(hello(), seen))
    for finding in FINDINGS:
        assert label_of(finding.name) == finding.label
        assert "_" not in finding.label
        for typed in (finding.name, finding.label, finding.label.upper(), finding.name.title()):
            assert name_of(typed) == finding.name
    assert len({finding.label for finding in FINDINGS}) == len(FINDINGS)
    assert (label_of("other_thing"), name_of("other thing")) == ("other_thing", "other thing")


def test_a_fault_has_one_name() -> None:
    """The coverage table, the causes and the scenarios call the wrong mix the same."""
    assert "wrong mix" in {case.name for case in CASES}
    assert "wrong mix" in CAUSES["wrong_mix"].label
