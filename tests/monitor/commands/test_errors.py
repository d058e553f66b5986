"""Mistakes on the command line: in the words of every other message, for every command."""

import pytest

from monitor.cli import _VERBS
from monitor.cli import run as flowdebt
from monitor.commands.printed import for_output

NEEDED = {
    "review": "LOG",
    "snapshot": "LOG",
    "replay": "LOG",
    "export": "SESSION",
    "check": "RIG",
    "feed": "SCENARIO",
}
LOGS = ("draft", "fit", "review", "channels", "trend")
EACH_ITS_OWN = ("review", "channels")  # they go on behind a log that isn't there
PARSER_SAYS = ("Unused", "Unknown", "Invalid", "requires", "Must be", "unable", "UNSET")


def told(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Return the one line a command line is refused with."""
    assert flowdebt(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert err.startswith("flowdebt: ")
    assert "found" in err
    assert "expected" in err
    assert not [word for word in PARSER_SAYS if word in err]
    return err


@pytest.mark.parametrize("verb", _VERBS)
def test_every_command_refuses_in_the_same_words(
    verb: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is too much, what isn't known and what is missing."""
    needs = ["--to", "x"] if verb in ("snapshot", "export", "feed") else []
    many = () if verb in EACH_ITS_OWN else ("x", *["list", "x"] * 2, "surplus")
    surplus = told(capsys, verb, "list", *many, *needs)
    assert ("list: found no such file" if verb in LOGS else '"surplus" too') in surplus
    assert f"{verb}: found option --loud" in told(capsys, verb, "x", "--loud=3", *needs)
    if verb in NEEDED:
        assert f"{verb}: found no {NEEDED[verb]}, expected one: " in told(capsys, verb)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("demo --speed fast", '--speed: found "fast", expected a number'),
        ("demo --speed", "demo: found no --speed, expected one: "),
        ("demo --seed 1 --seed 2", "demo: found --seed twice, expected it once"),
        ("simulate pump_stop --seed -1", '--seed: found "-1", expected at least 0'),
        ("coverage --runs 2000", '--runs: found "2000", expected at most 1000'),
        ("review a.csv --fail-on loud", 'found "loud", expected one of warn, pull_timing'),
        ("snapshot my log.csv --to x.svg", "a name with spaces in it needs quotes"),
        ("snapshot a.csv b.csv --to x.svg", 'snapshot: found "b.csv" too'),
    ],
)
def test_what_is_wrong_with_a_value_is_said(
    line: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was found, and what was expected."""
    assert said in told(capsys, *line.split())


def test_a_terminal_gets_wrapped_lines_and_a_file_whole_ones(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No word is lost, and what goes on stands further in."""
    line = "    at 13.75 s: " + "delivered too little " * 9
    assert for_output(line) == line
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", "60")
    lines = for_output(line).split("\n")
    assert max(map(len, lines)) <= 60
    assert " ".join(" ".join(lines).split()) == " ".join(line.split())
    assert all(one.startswith("      ") for one in lines[1:])


def test_an_option_that_is_not_known_is_answered_with_the_nearest(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """And where there are few, with all of them."""
    assert "found option --rgi, expected one such as --rig, " in told(capsys, "review", "--rgi")
    assert told(capsys, "stop", "--pdi").endswith("found option --pdi, expected --pid\n")
