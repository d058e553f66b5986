"""What could not be read or judged is never called healthy: review, replay, export, pictures."""

import asyncio
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.commands.review import review as review_command
from monitor.pictures.snapshot import FIRST, snapshot
from monitor.recorder import layout
from monitor.recorder.export import export
from monitor.recorder.index import in_words as listed
from monitor.recorder.index import sessions_in
from monitor.review.log import open_log
from monitor.review.report import in_words
from monitor.review.review import NOT_JUDGED, Review, review
from monitor.screen.replay.app import ReplayDashboard
from monitor.words.look import USUAL
from rules.channels import Sample
from simulator.rig import rig_from_text
from simulator.strict import BadInput
from tests.kit.decisions import compiles_from
from tests.kit.patience import PATIENCE_S
from tests.kit.recordings import record
from tests.kit.rig_text import SMALL

RIG = rig_from_text(SMALL, "small.toml")
CALM = [Sample(0.01 * i, boost_kpa=-50.0, delivered_ml_min=i % 2) for i in range(60)]


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """A session of three segments, in which nothing was found."""
    path = record(tmp_path / "sessions", CALM, RIG, segment_rows=20)
    assert len(layout.segments_of(path)) == 3
    return path


def _cut_to(share: float) -> Callable[[Path], None]:
    def damage(session: Path) -> None:
        for segment in layout.segments_of(session):
            whole = segment.read_bytes()
            segment.write_bytes(whole[: int(share * len(whole))])

    return damage


def _nonsense(session: Path) -> None:
    for segment in layout.segments_of(session):
        segment.write_bytes(b"\0" * 999)


def _unlink(session: Path) -> None:
    for segment in layout.segments_of(session):
        segment.unlink()


DAMAGES: dict[str, Callable[[Path], None]] = {
    "cut to nothing": _cut_to(0.0),
    "cut in the head": _cut_to(0.2),
    "missing": _unlink,
    "nonsense": _nonsense,
}
READERS: dict[str, Callable[[Path, Path], object]] = {
    "review": lambda session, _: review(session, None),
    "review by another rig": lambda session, _: review(session, "brindle"),
    "replay": lambda session, _: open_log(session).read(),
    "export": lambda session, folder: export(session, folder / "out.csv"),
    "snapshot": lambda session, folder: snapshot(
        str(session),
        None,
        at=FIRST,
        to=folder / "out.svg",
        size=(120, 36),
        span_s=None,
        look=USUAL,
    ),
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("damage", DAMAGES)
def test_a_session_without_rows_is_bad_input_everywhere(
    session: Path, tmp_path: Path, damage: str, reader: str
) -> None:
    """One clear line that names the session and what is wrong with it; nothing is written."""
    DAMAGES[damage](session)
    with pytest.raises(BadInput, match=r"found no rows \(.+\), expected some") as caught:
        READERS[reader](session, tmp_path)
    message = str(caught.value)
    assert session.name in message
    assert "\n" not in message
    assert not (tmp_path / "out.csv").exists()
    assert not (tmp_path / "out.svg").exists()


@pytest.mark.asyncio
async def test_a_replay_screen_of_a_session_without_rows_ends_with_that_line(session: Path) -> None:
    """The dashboard shows no empty picture: it ends, and the command exits with 2."""
    _unlink(session)
    app = ReplayDashboard(open_log(session), who="", look=USUAL)
    async with asyncio.timeout(PATIENCE_S), app.run_test(size=(80, 24)):
        await app.workers.wait_for_complete()
    assert isinstance(app.fault, BadInput)
    assert "found no rows" in str(app.fault)


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_list_says_that_nothing_was_judged(session: Path, damage: str) -> None:
    """A session without rows is damaged, and the list doesn't say that nothing was found in it."""
    DAMAGES[damage](session)
    (entry,) = sessions_in(session.parent)
    assert (entry.state, entry.samples, entry.length_s) == ("damaged", 0, None)
    said = "\n".join(listed([entry]))
    assert "nothing was judged" in said
    assert "nothing found" not in said


def words(result: Review) -> str:
    """Return a review's text."""
    return "\n".join(in_words(result))


def test_throughout_is_said_of_all_of_it_or_not_at_all(session: Path, tmp_path: Path) -> None:
    """A whole session may say so; one that lost its middle, its end or its end record may not."""
    assert "throughout" in words(review(session, None))
    assert review(session, None).judged == 60
    for name, gone in (("middle", "samples-0002.arrow"), ("end", "samples-0003.arrow")):
        part = tmp_path / name
        shutil.copytree(session, part)
        (part / gone).unlink()
        said = words(review(part, None))
        assert "no action in the 40 rows that could be judged" in said
        assert "throughout" not in said
        assert "nothing found in what is there" in "\n".join(listed(sessions_in(part)))
    cut = tmp_path / "cut"
    shutil.copytree(session, cut)
    (cut / layout.EVENTS).unlink()
    assert "throughout" not in words(review(cut, None))


def _log(folder: Path, rows: list[str]) -> tuple[Path, str]:
    log, rig = folder / "log.csv", folder / "car.toml"
    log.write_text("\n".join(["time_s,boost_kpa,delivered_ml_min", *rows]) + "\n", encoding="utf-8")
    rig.write_text(SMALL, encoding="utf-8")
    return log, str(rig)


@pytest.mark.parametrize("compiled", [False, True])
def test_rows_with_an_unhealthy_essential_channel_are_not_judged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, compiled: bool
) -> None:
    """Off boost nothing acts on a flow sensor that says nothing; the review still doesn't count it.

    Stepped and compiled reviews agree.
    """
    compiles_from(0 if compiled else 10**9, monkeypatch)
    bad = [f"{0.01 * i:.2f},-50,{'nan' if 10 <= i < 25 else i % 2}" for i in range(50)]
    result = review(*_log(tmp_path, bad))
    assert (result.rows, result.judged, result.events) == (50, 35, [])
    assert "no action in the 35 rows that could be judged; 15 rows not: " in words(result)
    assert result.as_json()["judged"] == 35


def test_a_row_that_was_not_used_takes_throughout_away(tmp_path: Path) -> None:
    """A row with too few fields may have held anything."""
    result = review(*_log(tmp_path, ["0,-50,0", "0.01,-50", "0.02,-50,1"]))
    assert sum(result.rejected.values()) == 1
    assert "throughout" not in words(result)


def test_a_log_in_which_nothing_could_be_judged_exits_with_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rows were there, but not one with every essential channel healthy: no good news, no 0."""
    log, rig = _log(tmp_path, [f"{0.01 * i:.2f},-50,nan" for i in range(20)])
    assert review_command(log, rig=rig) == 2
    said = capsys.readouterr()
    assert said.err == f"flowdebt: {log}: {NOT_JUDGED}\n"
    assert "no row could be judged; 20 rows not" in said.out
    assert "sprayed" not in said.out
    log, rig = _log(tmp_path, [f"{0.01 * i:.2f},-50,{i % 2}" for i in range(20)])
    assert review_command(log, rig=rig) == 0


def test_a_log_with_a_header_alone_is_bad_input(tmp_path: Path) -> None:
    """No row at all, in a log as in a session."""
    with pytest.raises(BadInput, match=r"found no rows\b.*, expected some"):
        review(*_log(tmp_path, []))
