"""The command line: plain verbs, exact numbers, and one clear line for whatever is wrong."""

import json
import os
import re
import subprocess
import sys
from math import sqrt
from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from rules.step.from_rig import FLOOR_SDS, SIZES
from simulator.rig import shipped_rigs
from tests.kit.paths import ROOT
from tests.kit.patience import PATIENCE_S
from tests.kit.rig_text import SMALL

BRINDLE = shipped_rigs()["brindle"].read_text(encoding="utf-8")
VERBS = (
    *(
        "demo",
        "drill",
        "watch",
        "review",
        "sessions",
        "export",
        "channels",
        "draft",
        "fit",
        "check",
        "renew",
        "simulate",
        "feed",
        "ports",
        "coverage",
        "prove",
        "mix",
        "plan",
    ),
)


def python(
    code: str, *arguments: str, folder: Path = ROOT, flags: tuple[str, ...] = ()
) -> subprocess.CompletedProcess[str]:
    """Run a piece of Python in a process of its own, in a folder."""
    return subprocess.run(
        [sys.executable, *flags, "-c", code, *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=PATIENCE_S,
        check=False,
        env={**os.environ, "COLUMNS": "200", "PYTHONIOENCODING": "utf-8"},
    )


MAIN = "from monitor.cli import main; main()"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A current folder with all kinds of bad files in it."""
    header = "time_s,boost_kpa,delivered_ml_min\n"
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "header.csv").write_text(header, encoding="ascii")
    (tmp_path / "other.csv").write_text("a,b\n1,2\n", encoding="ascii")
    (tmp_path / "lacks.csv").write_text("time_s,boost_kpa\n1,2\n", encoding="ascii")
    (tmp_path / "text.csv").write_text(header + "0,x,2\n1,y,3\n", encoding="ascii")
    (tmp_path / "binary.csv").write_bytes(bytes(range(256)) * 16)
    (tmp_path / "small.toml").write_text(SMALL, encoding="utf-8")
    (tmp_path / "typo.toml").write_text(SMALL + "[debt]\nwran = 1\n", encoding="utf-8")
    (tmp_path / "garbage.toml").write_bytes(b"\xff\xfe\x00garbage")
    (tmp_path / "scenario.toml").write_text('name = "x"\n', encoding="utf-8")
    (tmp_path / "nothing").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


REVIEW = "review {} --rig small.toml"
BAD = {
    "unknown command": ("sing", 'found command "sing", expected one such as'),
    "unknown option": ("check brindle --loud", "--loud"),
    "too much": ("check brindle tarnwick", "tarnwick"),
    "no rig": ("check", "check: found no RIG, expected one: rig file"),
    "unknown rig": ("check nemo", 'found rig "nemo", expected a file or a shipped rig: brindle'),
    "missing rig": ("check none.toml", "none.toml: found no such file"),
    "bad rig key": ("check typo.toml", "typo.toml:"),
    "rig is garbage": ("check garbage.toml", "garbage.toml:1: found byte 0xff"),
    "rig is a folder": ("check nothing", "found a folder"),
    "no log": ("review", "review: found no LOG, expected one: a log"),
    "missing log": (REVIEW.format("none.csv"), "none.csv: found no such file"),
    "log without rig": ("review text.csv", "found no --rig"),
    "log, unknown rig": ("review text.csv --rig nemo", 'found rig "nemo"'),
    "empty log": (REVIEW.format("empty.csv"), "empty.csv: found an empty file"),
    "header alone": (REVIEW.format("header.csv"), "no rows of numbers"),
    "other columns": (REVIEW.format("other.csv"), 'other.csv:1: found "a,b"'),
    "column missing": (REVIEW.format("lacks.csv"), '"delivered_ml_min"'),
    "text cell": (REVIEW.format("text.csv"), 'text.csv:2: boost_kpa: found "x"'),
    "binary log": (REVIEW.format("binary.csv"), "neither text"),
    "log is a folder": (REVIEW.format("nothing"), "no session in it"),
    "name too long": (REVIEW.format("x" * 300), "too long"),
    "bad level": (REVIEW.format("text.csv --fail-on shout"), "shout"),
    "no source": ("watch", "found no source"),
    "speed below nought": ("watch sim:pump_stop --headless --no-record --speed -1", "--speed"),
    "speed no number": ("watch sim:pump_stop --headless --no-record --speed nan", "--speed"),
    "speed a word": ("demo --speed fast", "--speed"),
    "seed below nought": ("simulate pump_stop --seed -1", "--seed"),
    "seed too large": ("simulate pump_stop --seed 99999999999", "--seed"),
    "baud nought": ("feed pump_stop --to /dev/none --baud 0", "--baud"),
    "watch: missing log": (
        "watch none.csv --rig small.toml --headless --no-record",
        "no such file",
    ),
    "watch: bad log": ("watch text.csv --headless --no-record", "found no --rig"),
    "watch: no such port": (
        "watch /dev/none --rig small.toml --headless --no-record",
        "/dev/none: found a port that can't be opened",
    ),
    "speed without end": ("demo --speed inf", "expected a number"),
    "watch: unknown scenario": ("watch sim:nemo --headless --no-record", 'scenario "nemo"'),
    "attach and source": ("watch --attach x.csv", "--attach"),
    "unknown scenario": ("simulate nemo", 'found scenario "nemo"'),
    "no scenario": ("simulate", "found no scenario"),
    "bad scenario": ("simulate scenario.toml", "scenario.toml:"),
    "no such folder": (
        "simulate pump_stop --to gone/x.csv",
        "gone/x.csv: found no folder gone, expected a file to write",
    ),
    "feed nowhere": ("feed pump_stop", "--to"),
    "feed: no such port": ("feed pump_stop --to /dev/none", "/dev/none: found a port"),
    "feed: unknown scheme": ("feed pump_stop --to bogus://x", "bogus"),
    "feed: nobody listens": ("feed pump_stop --to socket://127.0.0.1:1", "can't be opened"),
    "feed: no such folder": ("feed pump_stop --to gone/x.csv", "gone/x.csv: found no such file"),
    "feed: no such adapter": (
        "feed pump_stop --to usb:ffff:fffe",
        "found no such adapter plugged in",
    ),
    "feed: no identity": ("feed pump_stop --to usb:ffff", "usb:ffff: found no USB identity"),
    "feed: CRC in a file": ("feed pump_stop --to x.csv --crc", "x.csv: found --crc, expected none"),
    "feed: CRC in packs": ("feed pump_stop --to /dev/none --crc --senml", "--crc: found --senml"),
    "watch: no such adapter": (
        "watch usb:ffff:fffe --rig small.toml --headless --no-record",
        "no such adapter plugged in",
    ),
    "feed: speed": ("feed pump_stop --to x.csv --speed -1", "--speed"),
    "feed: times of nothing": ("feed pump_stop --to x.csv --times 3", "found no --listen"),
    "feed: JSON of nothing": ("feed pump_stop --to x.csv --json", "found no --listen"),
    "feed: a file answers": (
        "feed pump_stop --to x.csv --listen cts:x",
        "found --listen, expected",
    ),
    "feed: hurried": ("feed pump_stop --to x --listen cts:x --speed 2", "--speed: found 2 with"),
    "feed: no output": ("feed pump_stop --to loop:// --listen rts:x", "expected cts:PORT, dsr"),
    "drill: no such lesson": ("drill nemo", 'found lesson "nemo"'),
    "drill: no terminal": ("drill 1", "drill: found no terminal, expected one, or --web"),
    "drill: a lesson and any": ("drill 1 --random", "--random: found a lesson too"),
    "drill: nobody's class": ("drill --join", "--join: found no running class, expected one"),
    "drill: another's lesson": ("drill 1 --join", "--join: found a lesson too, expected at most"),
    "drill: another's speed": ("drill --join --speed 2", "--join: found --speed too"),
    "drill: pid alone": ("drill --pid 1", "--pid: found no --join"),
    "drill: an instructor's alias": ("drill --instructor --alias x", "--alias: found --instructor"),
    "drill: from nothing": ("drill --to x.toml", "--to: found no --from"),
    "drill: to nowhere": ("drill --from pump_stop", "--from: found no --to"),
    "drill: at no time": ("drill --from log.csv@x --to x.toml", 'found "log.csv@x", expected LOG@'),
    "drill: a scenario's rig": ("drill --from air --to x.toml --rig brindle", "found a scenario"),
    "drill: list and try": ("drill --list --try 1", "--list: found --try too, expected it alone"),
    "drill: results and web": ("drill --results x --web", "--results: found --web too"),
    "drill: try and write": ("drill --try 1 --from air --to x.toml", "--from: found --try too"),
    "drill: try a lesson": (
        "drill 2 --try 1",
        "--try: found a lesson too, expected at most --seed",
    ),
    "drill: list in units": ("drill --list --units us", "--list: found --units too"),
    "drill: a browser's alias": ("drill --web --alias x", "--alias: found --web too"),
    "drill: from where": ("drill --from nemo --to x.toml", 'found scenario "nemo"'),
    "drill: try nothing": ("drill --try nemo", 'found lesson "nemo"'),
    "drill: a rig": ("drill 1 --rig brindle", "--rig: found no --from"),
    "drill: port alone": ("drill --web-port 0", "--web-port: found no --web"),
    "drill: report of nothing": ("drill --report x.csv", "--report: found no --results"),
    "drill: no results": ("drill --results nothing", "nothing: found no results"),
    "drill: report's ending": ("drill --results nothing --report x.txt", "x.txt: found"),
    "feed: no such output": (
        "feed pump_stop --to loop:// --listen beat:/dev/none",
        "heartbeat on /dev/none: found no such port",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_one_line_and_exit_code_2(
    folder: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """Whatever is wrong: one line that starts with the program's name and says what."""
    line, expected = BAD[name]
    assert flowdebt(line.split()) == 2
    out, err = capsys.readouterr()
    assert len(err.splitlines()) == 1, err
    assert err.startswith("flowdebt: ")
    assert expected in err
    assert "Traceback" not in err
    assert err.rstrip("\n").isprintable()
    assert len(err) <= 1100
    # A guard's events go to standard output: there it may say that it ended, and why.
    assert out == "" or (
        line.startswith(("watch /dev/", "watch usb:")) and out.startswith("ended: failed")
    )
    assert not (folder / "sessions").exists()
    assert not (folder / "x.csv").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ["\x1b[31msing\x07"],
        ["check", "\x1b]0;evil\x07"],
        ["check", "a\nb"],
        ["check", "x\0y"],
        ["simulate", "pump_stop", "--to", "gone/\x1b[2J.csv"],
        ["feed", "pump_stop", "--to", "\x1b[2J"],
        ["review", "\x1b[2J.csv", "--rig", "brindle"],
        ["review", "x" * 100_000],
        ["y" * 100_000],
    ],
)
def test_arguments_cannot_write_to_the_terminal(
    arguments: list[str], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Control characters are taken out of what is echoed, and it is bounded."""
    assert flowdebt(arguments) == 2
    err = capsys.readouterr().err
    assert err.endswith("\n")
    assert err[:-1].isprintable()
    assert len(err) <= 1100


def test_the_installed_way_in_gives_the_same_line() -> None:
    """Through ``main``, in a process of its own: the same line, the same code, nothing else."""
    done = python(MAIN, "check", "nemo")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith('flowdebt: found rig "nemo"')
    assert done.stderr.count("\n") == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_disk_is_one_line_too() -> None:
    """Output that can't be written is said so, in one line, with a code that isn't 0."""
    code = (
        "import subprocess, sys; full = open('/dev/full', 'w');"
        "done = subprocess.run([sys.executable, '-c', sys.argv[1], *sys.argv[2:]], stdout=full,"
        " stderr=subprocess.PIPE, text=True); print(done.returncode); print(done.stderr, end='')"
    )
    for arguments in (["check", "brindle"], ["simulate", "pump_stop"]):
        status, first, *more = python(code, MAIN, *arguments).stdout.splitlines()
        assert int(status) != 0
        assert first.startswith("flowdebt: ")
        assert first == (
            "flowdebt: output: found no space left on device, expected a place that can be read or "
            "written"
        )
        assert not any("Traceback" in line for line in more)


def test_check_tells_what_follows(capsys: pytest.CaptureFixture[str]) -> None:
    """The table: what is due of full flow, and times to each action, above the dry limit."""
    assert flowdebt(["check", "brindle"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Brindle 1.8: the rig file is good"
    assert any("blind without: boost_kpa, delivered_ml_min" in line for line in lines)
    rows = {line.split()[0]: line for line in lines if "/" in line and line.split()[0].isdigit()}
    assert list(rows) == ["150", "170"]
    assert rows["170"].split()[1:4] == ["234", "/", "234"]
    assert len(re.findall(r"\d\.\d\d / \d\.\d\d / \d\.\d\d", rows["170"])) == 3


def test_check_agrees_with_physics_by_hand(capsys: pytest.CaptureFixture[str]) -> None:
    """One row from the square-root law and the evidence, worked out from the rig file's numbers.

    1000 kPa regulated less 170 kPa boost less 35 kPa check valve is 795 kPa across two nozzles
    rated 105 mL/min at 690 kPa on water (998.2 kg/m3). One litre of methanol (791.4 kg/m3 at 20
    degC, CRC Handbook) with one of water makes 1.931 L: 926.8 kg/m3. Half missing is 42 % beyond
    a gain of 8 %. Of two readings that far off, T apart, noise of 4 % for tau leaves a part
    T / (tau + T) that is news, with the variance of what noise has changed: a likelihood ratio of
    normal distributions adds up from row to row. Delay, lag, row and reaction come on top, and
    errors that are together no more than delay and lag again.
    """
    assert flowdebt(["check", "brindle", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    row = facts["rows"][-1]
    mix_kg_m3 = (791.4 + 998.2) / 1.931
    flow = 2 * 105.0 * sqrt(795.0 / 690.0) * sqrt(998.2 / mix_kg_m3)
    assert row["boost_kpa"] == 170.0
    assert row["full_flow_ml_min"] == pytest.approx(flow, rel=1e-3)
    assert row["due_ml_min"] == row["full_flow_ml_min"]
    apart_s, tau_s = 0.005, 0.05
    kept = tau_s / (tau_s + apart_s)
    floor = 10.0 / FLOOR_SDS / flow
    variance = (0.04 * 0.04) * (1.0 - kept * kept) + floor * floor * (1.0 + kept * kept)
    nats_s = max(m * (0.42 - 0.5 * m) for m in SIZES) * (1.0 - kept) ** 2 / variance / apart_s
    sensor_s, after_s = 0.08 + 0.1, 0.01 + 0.06
    for level, nats in (("warn", "warn_nats"), ("pull_timing", "pull_nats")):
        adding_s = facts["thresholds"][nats] / nats_s
        taken_s = row["handled_s"]["50"][level] - after_s - adding_s
        assert 0.8 * sensor_s < taken_s < 2.0 * sensor_s
    pulled_s = row["handled_s"]["50"]["pull_timing"]
    outlasts_s = row["handled_s"]["50"]["cut_boost"] - pulled_s
    assert outlasts_s <= 1.5 + 0.06
    assert facts["tank_min_at_full_flow"] == pytest.approx(5000.0 / flow, rel=1e-3)


def test_check_says_never_where_a_shortfall_is_allowed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A shortfall that the sensor's gain may explain makes no evidence: null, "--" in words."""
    rig = tmp_path / "lenient.toml"
    lenient = BRINDLE.replace('gain_within = "8 %"', 'gain_within = "20 %"')
    rig.write_text(lenient, encoding="utf-8")
    assert flowdebt(["check", str(rig), "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    times = facts["rows"][0]["handled_s"]
    assert set(times["25"].values()) == {None}
    assert None not in times["50"].values()
    assert flowdebt(["check", str(rig)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "-- / -- / --" in said
    assert "(--: more than 1 of 20 never come)" in said
    assert 20.0 < facts["least_found_pct"] < 25.0
    assert f"never finds less than {facts['least_found_pct']:.1f} % missing" in said


def test_simulate_is_the_same_byte_for_byte(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Same scenario and seed, same bytes, to a file or to standard output; another seed differs."""
    files = [tmp_path / f"{name}.csv" for name in "abc"]
    for path, seed in zip(files, ("5", "5", "6"), strict=True):
        assert flowdebt(["simulate", "pump_stop", "--seed", seed, "--to", str(path)]) == 0
    assert "wrote 2400 samples" in capsys.readouterr().err
    first, again, other = (path.read_bytes() for path in files)
    assert first == again
    assert first != other
    assert flowdebt(["simulate", "pump_stop", "--seed", "5"]) == 0
    assert capsys.readouterr().out.encode() == first


def test_simulate_guarded_closes_the_loop(tmp_path: Path) -> None:
    """With the guard acting, the car holds less boost after the pump has stopped."""
    peaks = []
    for extra in ([], ["--guarded"]):
        path = tmp_path / f"{len(extra)}.csv"
        assert flowdebt(["simulate", "pump_stop", "--to", str(path), *extra]) == 0
        rows = [line.split(",") for line in path.read_text(encoding="ascii").splitlines()[1:]]
        peaks.append(max(float(row[2]) for row in rows if 14.5 < float(row[0]) < 16.5 and row[2]))
    assert peaks[0] > 150.0
    assert peaks[1] < 115.0


def test_simulate_list_and_feed_to_a_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Scenarios are listed with what they teach; feeding a file gives simulate's bytes."""
    assert flowdebt(["simulate", "--list"]) == 0
    listed = capsys.readouterr().out.splitlines()
    assert any(line.startswith("pump_stop ") and "knock" in line for line in listed)
    fed, simulated = tmp_path / "fed.csv", tmp_path / "simulated.csv"
    assert flowdebt(["feed", "pump_stop", "--to", str(fed), "--speed", "0"]) == 0
    assert flowdebt(["simulate", "pump_stop", "--to", str(simulated)]) == 0
    assert fed.read_bytes() == simulated.read_bytes()


OPTIONS = {
    "demo": "--text --json --scenario --speed --seed --record",
    "drill": "--random --seed --list --alias --instructor --join --pid --record --results --report "
    "--from --to --rig --try --web --web-port "
    "--speed --units --theme --bell",
    "watch": "--rig --headless --attach --pid --text --json --record --no-record --speed --baud "
    "--seed",
    "review": "--rig --set --json --units --report --fail-on",
    "sessions": "--json",
    "export": "--to --from --until",
    "check": "--done --by --log --result --on --json",
    "channels": "--rig --units --json",
    "draft": "--to --set --new --from --healthy",
    "fit": "--rig --to --dry-run --plot --runs --json",
    "renew": "--to",
    "simulate": "--to --seed --guarded --list --truth --plot --json",
    "feed": "--to --speed --seed --baud --sequence --crc --senml --listen --times --answer "
    "--silence --json",
    "ports": "--json",
    "coverage": "--rig --runs --seed --workers --fault --why --markdown --json --list",
    "prove": "REQUIREMENTS --rig --car --jobs --cluster --most-runs --sweep --points --runs --to "
    "--json --report --replay --new",
    "trend": "--rig --serviced --plot --report --json --units",
    "compare": "--dry --spray --before --after --rig --gear --correct --ambient --barometer "
    "--humidity --between --smooth --plot --report --json --units",
    "plan": "--boost --power --ambient --charge --report --plot --units --json",
    "mix": "--by --strong --weak --labels --units --json",
}


@pytest.mark.parametrize("verb", VERBS)
def test_help_names_every_option(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each command's help names its options."""
    assert flowdebt([verb, "--help"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    words = set(out.split())
    assert set(OPTIONS[verb].split()) <= words
    assert "[default: False]" not in " ".join(out.split())
    assert '[default: ""]' not in " ".join(out.split())


def test_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    """The help, and no arguments at all, list the verbs; the version is a version."""
    for arguments in (["--help"], []):
        assert flowdebt(arguments) == 0
        words = capsys.readouterr().out.split()
        assert set(VERBS) <= set(words)
    assert flowdebt(["--version"]) == 0
    assert capsys.readouterr().out.strip().count(".") == 2


def test_help_loads_nothing_heavy() -> None:
    """``--help`` imports no screen, no number library, no compiler, no port."""
    heavy = "textual pyarrow numba numpy pint serial scipy aiomqtt"
    code = (
        "import sys\nfrom monitor.cli import run\nassert run(['--help']) == 0\n"
        f"print(sorted(set({heavy!r}.split()) & set(sys.modules)))"
    )
    done = python(code)
    assert (done.returncode, done.stderr) == (0, "")
    assert set(VERBS) <= set(done.stdout.split())
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize(
    ("flags", "file"),
    [
        ((), "rules/__init__.py"),
        ((), "simulator.py"),
        # Only the processes that flowdebt starts itself would find these.
        (("-P",), "rules.py"),
        (("-P",), "monitor/__init__.py"),
    ],
)
def test_a_package_of_somebody_elses_is_told(
    tmp_path: Path, flags: tuple[str, ...], file: str
) -> None:
    """Our packages bear everyday names: another's in their place ends the start, in one line."""
    (tmp_path / file).parent.mkdir(exist_ok=True)
    (tmp_path / file).write_text('"""Validates forms."""\n', encoding="utf-8")
    done = python(MAIN, "check", "brindle", folder=tmp_path, flags=flags)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert str(Path(file)) in done.stderr
    assert "environment of its own" in done.stderr


def test_a_folder_of_such_a_name_without_code_does_no_harm(tmp_path: Path) -> None:
    """Somebody may keep rig files in a folder called rules."""
    (tmp_path / "rules").mkdir()
    done = python(MAIN, "check", "brindle", folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
