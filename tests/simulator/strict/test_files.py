"""What is no regular file, given to any command or found in a session: told, never waited for."""

import ast
import os
import shutil
import socket
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.cli import _VERBS
from monitor.cli import run as flowdebt
from monitor.recorder import layout
from monitor.review.marks import IN_SESSION
from rules.channels import Sample
from simulator.rig import find_rig
from simulator.strict import BadInput, open_file, refuse_taken, replace_text
from tests.kit.paths import ROOT
from tests.kit.recordings import record

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pipes with names")

# Not a car's: the plant would be compiled for them, on the second Python too.
SAMPLES = [Sample(0.01 * i, boost_kpa=float(i), delivered_ml_min=0.0) for i in range(50)]
TO = "--to out/new"


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(os.path.relpath(path))  # the whole path may be too long for one


KINDS: dict[str, Callable[[Path], None]] = {
    "pipe": os.mkfifo,
    "socket": _socket,
    "device": lambda path: path.symlink_to("/dev/zero"),
    "folder": Path.mkdir,
    "link to nothing": lambda path: path.symlink_to("gone"),
}
# Each way in for a file. What must be there already stands in braces: a name without ending too,
# since endings may decide what is made of it.
READS = {
    "review {it}.csv --rig brindle",
    "review {it} --rig brindle",
    "review {it}.parquet --rig brindle",
    "review log.csv --rig {it}.toml",
    "review log.csv --rig {it}",
    "trend {it}.csv --rig brindle",
    "trend log.csv --rig {it}.toml",
    "replay {it}.csv --rig brindle",
    "replay {it} --rig brindle",
    "replay log.csv --rig {it}.toml",
    f"snapshot {{it}}.csv --rig brindle {TO}.svg",
    f"snapshot {{it}} --rig brindle {TO}.svg",
    f"snapshot log.csv --rig {{it}}.toml {TO}.svg",
    "watch {it}.csv --rig brindle --headless --no-record",
    "watch {it} --rig brindle --headless --no-record",
    "watch log.csv --rig {it}.toml --headless --no-record",
    "watch sim:{it}.toml --headless --no-record",
    "watch mqtt://127.0.0.1:1/x?login={it} --rig brindle --headless --no-record",
    "watch mqtts://127.0.0.1:1/x?ca={it} --rig brindle --headless --no-record",
    "watch mqtts://127.0.0.1:1/x?cert={it}&key=k --rig brindle --headless --no-record",
    "demo --text --scenario {it}.toml",
    f"export {{it}} {TO}.csv",
    "check {it}.toml",
    "plan {it}.toml",
    "check {it}",
    "check {it}.toml --done jug --by Wren --result good",
    "check mine.toml --done jug --by Wren --log {it}.csv",
    "channels {it}.csv",
    "channels {it}.parquet",
    "channels log.csv --rig {it}.toml",
    "draft {it}.csv",
    "draft {it}",
    f"draft --new --from {{it}}.toml {TO}.toml",
    "fit {it}.csv --rig brindle",
    "fit {it} --rig brindle",
    "fit log.csv --rig {it}.toml",
    "compare --dry {it}.csv --spray b.csv --rig brindle",
    "compare --dry log.csv --spray b.csv --rig {it}.toml",
    "renew {it}.toml",
    f"renew {{it}} {TO}.toml",
    "prove {it}.toml --rig brindle",
    "prove need.toml --rig {it}.toml",
    "prove need.toml --rig brindle --log {it}.csv",
    "simulate {it}.toml",
    "coverage --rig {it}.toml",
    "drill {it}.toml",
    "drill --try {it}.toml",
    f"drill --from {{it}}.toml {TO}.toml",
    f"drill --from {{it}}.csv@1 --rig brindle {TO}.toml",
    "feed {it}.toml --to out/new.csv",
    "feed pump_stop --to {it}",
}
WRITES = {
    "review {session} --report {it}.csv",
    "snapshot {session} --to {it}.svg",
    "export {session} --to {it}.csv",
    "export {session} --to {it}.parquet",
    "draft --new --to {it}.toml",
    "fit log.csv --rig brindle --to {it}.toml",
    "prove {it}.toml --new",
    "compare --dry a.csv --spray b.csv --rig brindle --plot {it}.png",
    "compare --dry a.csv --spray b.csv --rig brindle --report {it}.md",
    "plan brindle --report {it}.md",
    "plan brindle --plot {it}.png",
    "renew brindle --to {it}.toml",
    "simulate pump_stop --to {it}.csv",
    "simulate pump_stop --plot {it}.png",
    "feed pump_stop --to {it}.csv",
    "trend log.csv --rig brindle --plot {it}.png",
    "trend log.csv --rig brindle --report {it}.csv",
    "drill --from pump_stop --to {it}.toml",
    "drill --results out --report {it}.csv",
}
LISTS = {"sessions {it}"}
NO_FILE = {
    "alarms",
    "mix",
    "ports",
    "reload",
    "status",
    "stop",
}  # reload: only a running guard reads


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small session, in a folder with a log and a place for what is written."""
    folder = tmp_path_factory.mktemp("made")
    (folder / "log.csv").write_text("time_s,boost_kpa,delivered_ml_min\n0,1,2\n", "ascii")
    (folder / "out").mkdir()
    (folder / "mine.toml").write_bytes(find_rig("brindle").read_bytes())
    assert flowdebt(["prove", str(folder / "need.toml"), "--new"]) == 0
    return record(folder, SAMPLES)


@pytest.fixture
def session(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of that session, in a copy of its folder that is the current one."""
    shutil.copytree(made.parent, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path / made.name


def told(line: str, kind: str, session: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """Run a command on something that is no file; return the one line it told."""
    ending = next(
        (e for e in (".csv", ".parquet", ".toml", ".svg", ".png", ".md") if "{it}" + e in line), ""
    )
    KINDS[kind](Path(f"it{ending}"))
    assert flowdebt(line.format(it="it", session=session.name).split()) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1, err
    assert err.startswith("flowdebt: ")
    assert "it" in err
    assert not list(Path("out").iterdir())
    return err


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("line", sorted(READS | WRITES))
def test_what_is_no_file_is_refused_by_every_command(
    line: str, kind: str, session: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A pipe, socket, device, folder or link to nothing: one line and exit code 2, at once."""
    if line.endswith("--to {it}") or (line.startswith("watch {it} ") and kind == "device"):
        expected = "can't be opened"  # as a port, which a device may be
    elif line in WRITES:
        expected = "nothing is overwritten"
    elif line.startswith("export"):
        expected = "expected a session"
    elif kind == "folder":
        expected = "found a folder"
    elif kind == "link to nothing":
        # Perhaps a shipped rig's name.
        named = line in ("check {it}", f"renew {{it}} {TO}.toml", "review log.csv --rig {it}")
        expected = "found rig" if named else "found no such file"
    else:
        expected = "found no regular file"
    assert expected in told(line, kind, session, capsys)


def test_a_text_put_in_place_of_another_keeps_link_and_rights(tmp_path: Path) -> None:
    """Whole, with nothing left beside it."""
    real, link = tmp_path / "real.toml", tmp_path / "link.toml"
    real.write_text("a = 1\n", encoding="utf-8")
    real.chmod(0o640)
    link.symlink_to("real.toml")
    replace_text(link, "a = 1\n", "a = 1\r\nb = 2\r\n")
    assert real.read_bytes() == b"a = 1\r\nb = 2\r\n"
    assert (link.is_symlink(), real.stat().st_mode & 0o777) == (True, 0o640)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["link.toml", "real.toml"]


@pytest.mark.parametrize("broken", ["os.fsync", "pathlib.Path.replace", "os.access"])
def test_a_text_that_cannot_be_put_in_place_leaves_the_old_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    """A full disk, no right to write: one line, the file as it was, nothing beside it."""

    def refuse(*_: object) -> bool:
        if broken == "os.access":
            return False
        raise OSError(28, "No space left on device")

    path = tmp_path / "car.toml"
    path.write_text("a = 1\n", encoding="utf-8")
    monkeypatch.setattr(broken, refuse)
    with pytest.raises(BadInput, match=r"car\.toml: found .*, expected a file to write"):
        replace_text(path, "a = 1\n", "a = 2\n")
    assert path.read_text(encoding="utf-8") == "a = 1\n"
    assert [one.name for one in tmp_path.iterdir()] == ["car.toml"]


def test_a_name_that_cannot_be_written_is_refused_before_there_is_anything_to_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No such folder, or one that is closed (to root none is, so it is said to be)."""
    refuse_taken(tmp_path / "new.toml")
    with pytest.raises(BadInput, match=r"new\.toml: found no folder .*none, expected a file to"):
        refuse_taken(tmp_path / "none" / "new.toml")
    monkeypatch.setattr("os.access", lambda *_: False)
    with pytest.raises(BadInput, match=r"a folder .* that can't be written in, expected a file"):
        refuse_taken(tmp_path / "new.toml")


def test_a_text_that_changed_meanwhile_is_not_replaced(tmp_path: Path) -> None:
    """What somebody's editor saved in between is theirs."""
    path = tmp_path / "car.toml"
    path.write_text("a = 3\n", encoding="utf-8")
    with pytest.raises(BadInput, match="found it changed meanwhile"):
        replace_text(path, "a = 1\n", "a = 2\n")
    assert path.read_text(encoding="utf-8") == "a = 3\n"


def test_every_command_is_tried() -> None:
    """A new command stands in one of the tables above, or among those that take no file."""
    tried = {line.split()[0] for line in READS | WRITES | LISTS}
    assert tried | NO_FILE == set(_VERBS)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "name",
    [layout.ABOUT, layout.RIG, layout.EVENTS, layout.SUMMARY, "samples-0001.arrow", IN_SESSION],
)
def test_what_is_no_file_in_a_session_holds_up_no_command(
    name: str, kind: str, session: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whatever of a session is no file: every command comes back, and the list of sessions too."""
    (session / name).unlink(missing_ok=True)
    KINDS[kind](session / name)
    for line in (
        "review {session}",
        "snapshot {session} --to out/new.svg",
        "replay {session}",
        "watch {session} --headless --no-record --speed 0",
        "export {session} --to out/new.csv",
        "check {session}/rig.toml",
    ):
        code = flowdebt(line.format(session=session.name).split())
        err = capsys.readouterr().err
        assert code in (0, 2), err
        if name == layout.ABOUT and not line.startswith("check"):
            assert code == 2
            assert f"{name}: found" in err
    assert flowdebt(["sessions", "."]) == 0
    listed = capsys.readouterr().out
    assert session.name in listed
    if name == layout.ABOUT:
        assert "unreadable" in listed


@pytest.mark.parametrize("kind", KINDS)
def test_a_folder_of_sessions_may_hold_anything(
    kind: str, session: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is no session is passed over; what is no folder is refused."""
    KINDS[kind](Path("it"))
    assert flowdebt(["sessions", "."]) == 0
    out = capsys.readouterr().out
    assert out.splitlines()[0] == session.name
    assert flowdebt(["sessions", "it"]) == (0 if kind == "folder" else 2)


def test_a_pipe_that_takes_a_files_place_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between looking and opening a file may become a pipe: then too it is refused, at once."""
    path = tmp_path / "log.csv"
    os.mkfifo(path)
    monkeypatch.setattr("simulator.strict.files.checked_file", str)
    with pytest.raises(OSError, match="no regular file"):
        open_file(path)


# Files of our own, found beside the code or made by us, and never named by anybody.
OWN = {
    "simulator/strict/files.py",  # the one place
    "monitor/cli.py",  # the null device
    "monitor/pictures/fonts.py",
    "monitor/web/page.py",
    "monitor/commands/prove.py",  # the requirements to begin with
    "monitor/proof/cluster.py",  # its own sources, as is the next
    "simulator/proof/proving.py",
    "simulator/machine_code.py",  # what it wrote itself
}


def test_files_are_opened_for_reading_in_one_place() -> None:
    """No other module opens a file for reading by itself."""
    found = set()
    for floor in ("monitor", "simulator", "rules"):
        for path in (ROOT / floor).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call) and _reads(node):
                    found.add(path.relative_to(ROOT).as_posix())
    assert found <= OWN


def _reads(call: ast.Call) -> bool:
    name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
    if name in ("read_text", "read_bytes"):
        return isinstance(call.func, ast.Attribute)
    words = [arg.value for arg in call.args if isinstance(arg, ast.Constant)]
    words += [k.value.value for k in call.keywords if isinstance(k.value, ast.Constant)]
    modes = [word for word in words if isinstance(word, str) and word.strip("rwxabt+") == ""]
    return name == "open" and any("r" in mode for mode in modes)
