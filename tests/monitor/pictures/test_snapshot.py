"""``flowdebt snapshot``: a moment of a recorded drive as a picture."""

from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest
from PIL import Image

from monitor.cli import run
from monitor.pictures.png import SCALE
from monitor.pictures.shapes import MARGIN
from monitor.pictures.snapshot import cells_of
from rules.facts import Action
from simulator.strict import BadInput
from tests.kit.replay_script import first_s, log_file, session


def _words(svg: Path) -> str:
    root = Xml.fromstring(svg.read_text(encoding="utf-8"))
    found = root.find("{http://www.w3.org/2000/svg}desc")
    assert found is not None
    return found.text or ""


def test_the_first_event_is_the_moment_where_none_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The picture holds what the replay screen says of it, in the look asked for."""
    monkeypatch.chdir(tmp_path)
    folder = session(tmp_path / "sessions")
    assert run(["snapshot", str(folder), "--to", "trip.svg", "--theme", "light"]) == 0
    words = _words(tmp_path / "trip.svg")
    warned = f"{first_s(Action.WARN):.2f} of 59.98 s"
    for said in ("REPLAY", "! WARN", "under-delivery, debt 0.", warned):
        assert said in words
    assert "as recorded" in words
    assert "#FFFFFF" in (tmp_path / "trip.svg").read_text(encoding="utf-8").upper()
    assert run(["snapshot", str(folder), "--to", "us.svg", "--at", "0:41.5", "--units", "us"]) == 0
    assert "gal/h" in _words(tmp_path / "us.svg")
    assert "41.50 of 59.98 s" in _words(tmp_path / "us.svg")


def test_a_log_is_drawn_at_the_size_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cell of the PNG is as large whatever the size, so columns and rows scale it."""
    monkeypatch.chdir(tmp_path)
    log = log_file(tmp_path)
    options = ["--rig", "brindle", "--at", "41.6"]
    for size in ("80x24", "160x48"):
        to = ["--to", f"{size}.png", "--size", size, "--span", "60"]
        assert run(["snapshot", str(log), *options, *to]) == 0
    with Image.open("80x24.png") as small, Image.open("160x48.png") as large:
        edge = 2 * MARGIN * SCALE  # what doesn't grow
        assert large.size == (2 * small.width - edge, 2 * small.height - edge)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--to", "x.gif"], "x.gif: found .gif, expected .svg or .png"),
        (["--to", "there.svg"], "nothing is overwritten"),
        (["--to", "x.svg", "--at", "99"], "--at: found 99.00 s, expected 0.00 to 59.98 s"),
        (
            ["--to", "x.svg", "--at", "-3"],
            "--at: found -3, expected seconds as 41.5, m:ss as 0:41, or #3 for an event",
        ),
        (
            ["--to", "x.svg", "--at", "a"],
            "--at: found a, expected seconds as 41.5, m:ss as 0:41, or #3 for an event",
        ),
        (["--to", "x.svg", "--at", "#7"], "--at: found event 7, expected one of 1"),
        (["--to", "x.svg", "--size", "huge"], "--size: found huge, expected columns x rows"),
        (["--to", "x.svg", "--size", "79x24"], "from 80x24 to 300x100"),
        (["--to", "x.svg", "--span", "nan"], "--span: found nan, expected seconds, 1 or more"),
        (["--to", "nowhere/x.svg"], "expected a file to write"),
    ],
)
def test_what_cannot_be_drawn_is_one_line(
    options: list[str],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Exit code 2, and nothing is written."""
    monkeypatch.chdir(tmp_path)
    log = log_file(tmp_path)
    Path("there.svg").write_text("mine", encoding="utf-8")
    assert run(["snapshot", str(log), "--rig", "brindle", *options]) == 2
    err = capsys.readouterr().err
    assert said in err
    assert err.count("\n") == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == [log.name, "there.svg"]
    assert Path("there.svg").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("size", ["120x36", " 300X100 ", "80x24"])
def test_sizes(size: str) -> None:
    """Columns, then rows."""
    width, height = cells_of(size)
    assert f"{width}x{height}" == size.strip().lower()


@pytest.mark.parametrize(
    "size", ["", "120", "120x", "x36", "301x36", "1e3x36", "١٢٠x36", "120x36x2"]
)
def test_sizes_that_are_none(size: str) -> None:
    """Nothing is guessed."""
    with pytest.raises(BadInput, match="--size"):
        cells_of(size)
